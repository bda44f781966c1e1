"""Heat: the step against closed solutions, the root against geometry, answers against
published values, the live table against the computation it stands for."""

from __future__ import annotations

import math
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import erfc, j0, j1, jn_zeros, k0

from assistant.canal import heat_live
from assistant.canal.heat import HeatResult, simulate
from assistant.canal.heat_grid import Carrier, Grid, Rings, Root
from assistant.canal.heat_step import (
    Content,
    Network,
    State,
    heat_mj,
    inflow_mw,
    melted_share,
    step,
)
from assistant.canal.heating import Heating, Source
from assistant.canal.instruments import Interval
from assistant.canal.model import prepared
from assistant.canal.tissue import (
    BODY_C,
    BONE_MM,
    NAMES,
    TABLE,
    Outside,
    Properties,
    layers,
)
from canal import heat_table
from canal.heat_range import (
    at_share,
    finer,
    sets,
    simulate_all,
    surface_rise_at_c,
    with_shares,
)

COARSE = Grid(rings_in_canal=4, ring_growth=1.5, row_mm=0.15, row_growth=1.3, step_s=0.06)
CANAL = prepared(20.0, 30, 0.06)
CYCLE = Heating(tip_depth_mm=15.0, start_mm=11.0, heat_s=4.0)


def still(shape: tuple[int, int], temp_c: float = BODY_C) -> State:
    return State(np.full(shape, temp_c), np.zeros(shape))


# --- the step against closed solutions -------------------------------------------------


def slab_error_k(rows: int, steps: int) -> float:
    """Half-space at 37 C, its face at 100 C from t = 0: worst error after 4 s."""
    k, c, length, end_s = 0.3, 2.2, 6.0, 4.0  # mW/(mm K), mJ/(mm3 K)
    dz = length / rows
    sink = np.zeros((rows, 1))
    sink[0] = k / (dz / 2)
    sink[-1] = k / (dz / 2)
    given_c = np.full((rows, 1), BODY_C)
    given_c[0] = 100.0
    network = Network(np.zeros((rows, 0)), np.full((rows - 1, 1), k / dz), sink, given_c)
    content = Content(np.full((rows, 1), c * dz), np.zeros((rows, 1)))
    state = still((rows, 1))
    for _ in range(steps):
        state = step(state, content, network, end_s / steps)
    z = (np.arange(rows) + 0.5) * dz
    exact = BODY_C + (100 - BODY_C) * erfc(z / (2 * math.sqrt(k / c * end_s)))
    return float(np.abs(state.temp_c[:, 0] - exact).max())


def test_half_space_is_the_error_function_and_the_error_halves_with_the_step() -> None:
    """Carslaw & Jaeger, 2.4: T = T1 erfc(z / (2 sqrt(a t)))."""
    errors = [slab_error_k(300, steps) for steps in (40, 80, 160)]
    assert errors[-1] < 0.15  # of 63 K
    assert 1.7 < errors[0] / errors[1] < 2.3
    assert 1.7 < errors[1] / errors[2] < 2.3


def cylinder_error_k(rings: int, steps: int) -> float:
    """Long cylinder at 100 C put into 37 C: worst error after 0.6 s."""
    k, c, radius, end_s = 0.25, 2.2, 0.5, 0.6
    edges = np.linspace(0, radius, rings + 1)
    mid = (edges[1:] + edges[:-1]) / 2
    radial = 2 * math.pi * k * edges[1:-1] / np.diff(mid)
    sink = np.zeros((1, rings))
    sink[0, -1] = 2 * math.pi * k * radius / (radius - mid[-1])
    network = Network(radial[None, :], np.zeros((0, rings)), sink, np.full((1, rings), BODY_C))
    content = Content(c * math.pi * np.diff(edges**2)[None, :], np.zeros((1, rings)))
    state = still((1, rings), 100.0)
    for _ in range(steps):
        state = step(state, content, network, end_s / steps)
    roots = jn_zeros(0, 40)
    series = 2 * np.exp(-k / c * (roots / radius) ** 2 * end_s) / (roots * j1(roots))
    exact = BODY_C + (100 - BODY_C) * (series[:, None] * j0(np.outer(roots / radius, mid))).sum(
        axis=0
    )
    return float(np.abs(state.temp_c[0] - exact).max())


def test_cylinder_is_the_bessel_series() -> None:
    """Carslaw & Jaeger, 7.6."""
    coarse, fine = cylinder_error_k(10, 100), cylinder_error_k(20, 400)
    assert fine < 0.1
    assert 3.0 < coarse / fine < 5.0  # second order in the rings, first in the step


@st.composite
def problems(draw: st.DrawFn) -> tuple[State, Content, Network, float]:
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    nz, nr = draw(st.integers(2, 6)), draw(st.integers(2, 6))
    shape = (nz, nr)
    capacity = 10 ** rng.uniform(-2, 1, shape)
    melting = capacity * rng.uniform(0, 15, shape) * draw(st.integers(0, 1))
    network = Network(
        10 ** rng.uniform(-3, 2, (nz, nr - 1)),
        10 ** rng.uniform(-3, 2, (nz - 1, nr)),
        10 ** rng.uniform(-4, 1, shape),
        rng.uniform(20, 160, shape),
    )
    temp = rng.uniform(20, 100, shape)
    melted, _ = melted_share(temp, rng.random(shape))
    return State(temp, melted), Content(capacity, melting), network, 10 ** rng.uniform(-3, 2)


@given(problems())
def test_heat_is_kept_and_no_new_extreme_appears(
    problem: tuple[State, Content, Network, float],
) -> None:
    state, content, network, dt_s = problem
    after = step(state, content, network, dt_s)
    gained = heat_mj(after, content) - heat_mj(state, content)
    flowed = inflow_mw(after, network) * dt_s
    assert gained == pytest.approx(flowed, abs=1e-7 * heat_mj(after, content))
    low = min(state.temp_c.min(), network.sink_c.min())
    high = max(state.temp_c.max(), network.sink_c.max())
    # Freezing gives heat back, so the lower end holds with melting too, the upper one
    # up to the temperature at which it is given back.
    assert after.temp_c.min() >= low - 1e-6
    assert after.temp_c.max() <= max(high, 42.0) + 1e-6


@given(problems())
def test_upside_down_is_the_same(problem: tuple[State, Content, Network, float]) -> None:
    state, content, network, dt_s = problem
    turned = step(
        State(*(part[::-1].copy() for part in state)),
        Content(*(part[::-1].copy() for part in content)),
        Network(*(part[::-1].copy() for part in network)),
        dt_s,
    )
    straight = step(state, content, network, dt_s)
    np.testing.assert_allclose(turned.temp_c[::-1], straight.temp_c, atol=1e-5)


def test_melting_takes_its_heat_and_freezing_gives_it_back_lower() -> None:
    temps = np.arange(37.0, 81.0)
    heating = [melted_share(np.array([[t]]), np.array([[0.0]]))[0].item() for t in temps]
    cooling = [melted_share(np.array([[t]]), np.array([[1.0]]))[0].item() for t in temps]
    assert heating[temps.tolist().index(54.0)] == 0.5
    assert cooling[temps.tolist().index(42.0)] == 1.0
    assert cooling[temps.tolist().index(40.0)] == 0.0
    content = Content(np.array([[1.0], [1.0]]), np.array([[11.6], [0.0]]))
    network = Network(
        np.zeros((2, 0)), np.zeros((1, 1)), np.array([[1.0], [1.0]]), np.full((2, 1), 80.0)
    )
    state = still((2, 1))
    taken = 0.0
    for _ in range(400):
        state = step(state, content, network, 0.1)
        taken += 0.1 * (80.0 - state.temp_c[0, 0])
    assert taken == pytest.approx(43.0 + 11.6, abs=1e-3)


# --- the root against geometry ---------------------------------------------------------


def test_layers_have_their_volume_and_their_resistance() -> None:
    p, root = Properties(), Root()
    rings = Rings(CANAL, root, 11.0, 15.0, replace(p, sealer_mm=1e-6), Grid())
    content, network = rings.contents(11.0, None)
    top = rings.depth_edges_mm[np.searchsorted(rings.depth_mm, 11.0)]
    expected = CANAL.volume_mm3(top, 20.0) * p.melting_j_m3 * 1e-6
    assert content.melting_mj.sum() == pytest.approx(expected, rel=0.01)

    rings = Rings(CANAL, root, 11.0, 15.0, p, Grid())
    _, network = rings.contents(11.0, None)
    row = int(np.searchsorted(rings.depth_mm, 15.5))
    canal = CANAL.diameter_mm(float(rings.depth_mm[row])) / 2
    outer = canal + root.wall_mm(20.0 - float(rings.depth_mm[row]))
    layers = [
        (canal - p.sealer_mm, p.gutta_percha_w_mk),
        (canal, p.sealer_w_mk),
        (outer - p.cementum_mm, p.dentine_w_mk),
        (outer, p.cementum_w_mk),
        (outer + p.ligament_mm, p.ligament_w_mk),
        (outer + p.ligament_mm + BONE_MM, p.bone_w_mk),
    ]

    def resistance(r: float) -> float:
        k = next((k for edge, k in layers if r < edge), 1e3)
        return 1 / (2 * math.pi * r * k * float(rings.row_mm[row]))

    ends = rings.radius_mm[[0, -1]]
    edges = [edge for edge, _ in layers if ends[0] < edge < ends[1]]
    exact, _ = quad(resistance, *ends, points=edges, limit=200)
    assert (1 / network.radial_mw_k[row]).sum() == pytest.approx(exact, rel=1e-4)


def test_carrier_couples_over_its_side() -> None:
    rings = Rings(CANAL, Root(), 11.0, 15.0, Properties(), Grid())
    carrier = Carrier(15.0, 0.2, 0.0, 5000.0, 100.0)
    _, without = rings.contents(11.0, None)
    _, with_it = rings.contents(11.0, carrier)
    added = (with_it.sink_mw_k - without.sink_mw_k).sum()
    length = 15.0 - rings.depth_edges_mm[0]
    assert added == pytest.approx(2 * math.pi * 0.2 * length * 5000e-3, rel=1e-6)


# --- a cycle ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def usual() -> HeatResult:
    return simulate(CANAL, CYCLE, grid=COARSE)


def test_a_cycle_keeps_its_heat_and_its_bounds(usual: HeatResult) -> None:
    assert usual.imbalance < 1e-8
    assert usual.axis_c.max() <= Source().on_c(60.0, Properties())
    assert min(usual.axis_c.min(), usual.surface_c.min()) >= Properties().plugger_c
    assert usual.removed_s == pytest.approx(5.0)
    assert usual.surface_rise_c > 0
    assert usual.softened_mm(45.0) < usual.softened_mm(40.0)
    assert 0 < usual.cool_s(45.0) < usual.cool_s(40.0) < usual.times_s[-1]


def test_a_cold_carrier_does_nothing() -> None:
    cold = replace(Properties(), plugger_c=BODY_C)
    result = simulate(CANAL, replace(CYCLE, source=Source(BODY_C)), cold, grid=COARSE)
    assert abs(result.surface_rise_c) < 1e-9
    assert result.softened_mm() == result.cool_s() == 0.0


def test_the_answers_settle_as_cells_and_steps_shrink(usual: HeatResult) -> None:
    """The long table is heat_study.py's; here one halving of the cells, two of the steps."""

    def all_of(result: HeatResult) -> np.ndarray:
        return np.array([result.softened_mm(), result.cool_s(), result.surface_rise_c])

    steps = [all_of(simulate(CANAL, CYCLE, grid=finer(COARSE, 1, k))) for k in (2, 4)]
    ratio = (all_of(usual) - steps[0]) / (steps[0] - steps[1])
    assert 1.5 < ratio[0] < 2.6  # first order
    fine = all_of(simulate(CANAL, CYCLE, grid=finer(COARSE, 2, 1)))
    assert (np.abs(fine / all_of(usual) - 1) < [0.02, 0.05, 0.08]).all()


@pytest.mark.parametrize(
    ("more", "answer", "sign"),
    [
        ({"carrier_reached": 1.0}, "softened", 1),
        ({"carrier_reached": 1.0}, "surface", 1),
        ({"carrier_contact_w_m2k": 1.0}, "softened", 1),
        ({"gutta_percha_w_mk": 1.0}, "softened", 1),
        ({"bone_w_mk": 1.0}, "surface", -1),
        ({"plugger_contact_w_m2k": 1.0}, "cool", -1),
        ({"melting_j_kg": 1.0}, "cool", 1),
    ],
)
def test_each_property_pushes_the_way_it_must(
    usual: HeatResult, more: dict[str, float], answer: str, sign: int
) -> None:
    moved = simulate(CANAL, CYCLE, with_shares(more), grid=COARSE)
    change = {
        "softened": moved.softened_mm() - usual.softened_mm(),
        "surface": moved.surface_rise_c - usual.surface_rise_c,
        "cool": moved.cool_s() - usual.cool_s(),
    }[answer]
    assert change * sign > 0


def test_longer_heat_and_a_thinner_wall_warm_the_surface_more(usual: HeatResult) -> None:
    longer = simulate(CANAL, replace(CYCLE, heat_s=8.0), grid=COARSE)
    thinner = simulate(CANAL, CYCLE, root=Root.with_wall(0.8, 5.0), grid=COARSE)
    assert min(longer.surface_rise_c, thinner.surface_rise_c) > usual.surface_rise_c


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Heating(10.0, 12.0, 3.0), "deeper than it ends"),
        (lambda: Heating(10.0, 8.0, 0.0), "heat for 0 s"),
        (lambda: Heating(10.0, 8.0, math.nan), "heat for nan s"),
        (lambda: Heating(10.0, 8.0, 3.0, dwell_s=-1.0), "the dwell"),
        (lambda: Heating(10.0, 8.0, 3.0, advance_s=4.0), "the advance takes"),
        (lambda: simulate(CANAL, Heating(21.0, 18.0, 3.0)), "beyond the working length"),
        (lambda: simulate(prepared(20.0, 8, 0.02), Heating(20.0, 18.0, 3.0)), "0.08 mm wide"),
        (lambda: Root(0.1), "root wall"),
        (lambda: at_share("carrier_reached", 1.5), "share of the range"),
        (lambda: sets(-1), "sets of properties"),
    ],
)
def test_what_cannot_be_is_refused(make: object, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        make()  # type: ignore[operator]


def test_cooling_is_not_told_below_where_it_was_followed(usual: HeatResult) -> None:
    with pytest.raises(ValueError, match="no lower"):
        usual.cool_s(38.0)


# --- what is not known -----------------------------------------------------------------


def test_every_property_has_a_range_and_a_source() -> None:
    assert set(TABLE) == set(NAMES)
    for name, known in TABLE.items():
        assert known.low <= known.usual <= known.high, name
        assert known.low < known.high and known.source, name
        assert at_share(name, 0) == pytest.approx(known.low)
        assert at_share(name, 0.5) == pytest.approx(known.usual)
        assert at_share(name, 1) == pytest.approx(known.high)


def test_the_sample_uses_each_part_of_each_range_once() -> None:
    drawn = sets(8, seed=3)
    assert drawn[0] == Properties() and drawn == sets(8, seed=3)
    for name in NAMES:
        edges = [at_share(name, part / 8) for part in range(9)]
        values = sorted(getattr(p, name) for p in drawn[1:])
        assert all(
            low <= value <= high
            for low, value, high in zip(edges, values, edges[1:], strict=False)
        )


def published_interval(heating: Heating, read: object, outside: Outside) -> Interval:
    results = [simulate(CANAL, heating, p, Root(0.8, 0.1), COARSE, outside) for p in sets(4)]
    values = [read(result) for result in results]  # type: ignore[operator]
    return Interval(min(values), max(values))


def test_published_surface_rise_near_the_apex_is_bracketed() -> None:
    """0.5 +/- 0.5 and 0.9 +/- 1.1 C, 1.5 mm from the apex, 37 C bath, source at 250 C,
    Venturi et al. 2002 (abstract)."""
    deep = Heating(16.0, 12.0, 4.0, source=Source(250.0))
    rise = published_interval(deep, lambda r: surface_rise_at_c(r, 18.5), Outside.BATH)
    assert rise.low < 0.5 and rise.high > 0.9


def test_published_surface_rise_of_a_split_tooth_is_bracketed_in_air_only() -> None:
    """8.9 to 12.1 C, 5 mm from the apex, settings from 250 C up (J Endod 1999;25:593,
    abstract): on the bench, not where the ligament's outer side stays at 37 C."""
    held = Heating(15.0, 11.0, 2.0, dwell_s=0.0, advance_s=1.0, source=Source(250.0))
    at = published_interval(held, lambda r: surface_rise_at_c(r, 15.0), Outside.AIR)
    assert at.low < 8.9 and at.high > 12.1
    held_at = published_interval(held, lambda r: surface_rise_at_c(r, 15.0), Outside.HELD)
    assert held_at.high < 12.1


def test_what_lies_around_decides_how_warm_the_surface_gets() -> None:
    held = Heating(15.0, 11.0, 6.0)
    rise = {o: simulate(CANAL, held, grid=COARSE, outside=o).surface_rise_c for o in Outside}
    assert rise[Outside.HELD] < rise[Outside.PERFUSED] < rise[Outside.STILL]
    assert rise[Outside.STILL] < rise[Outside.AIR]
    assert rise[Outside.HELD] < rise[Outside.BATH] < rise[Outside.AIR]


def line_source_error(rings_per_mm: int) -> float:
    """A thin hot wire in tissue with blood, steady: worst share off K0(r / length)."""
    k, blood, radius, far = 0.5, 0.05, 0.2, 40.0  # mW/(mm K), mW/(mm3 K), mm
    edges = np.geomspace(radius, far, rings_per_mm * 8)
    mid = np.sqrt(edges[1:] * edges[:-1])
    area = math.pi * np.diff(edges**2)
    radial = 2 * math.pi * k / np.diff(np.log(mid))
    sink, given_c = (blood * area)[None, :], np.full((1, len(mid)), BODY_C)
    wire = 2 * math.pi * k / math.log(mid[0] / radius)
    given_c[0, 0] = (sink[0, 0] * BODY_C + wire * 80.0) / (sink[0, 0] + wire)
    sink[0, 0] += wire
    network = Network(radial[None, :], np.zeros((0, len(mid))), sink, given_c)
    content = Content(3.8 * area[None, :], np.zeros((1, len(mid))))
    state = step(still((1, len(mid))), content, network, 1e6)
    length = math.sqrt(k / blood)
    exact = BODY_C + (80.0 - BODY_C) * k0(mid / length) / k0(radius / length)
    near = mid < 10.0
    return float(np.abs((state.temp_c[0] - exact) / (80.0 - BODY_C))[near].max())


def test_a_line_source_in_tissue_with_blood_is_the_bessel_function() -> None:
    """Steady Pennes equation about a wire: T = T1 K0(r sqrt(w/k)) / K0(a sqrt(w/k))."""
    errors = [line_source_error(n) for n in (4, 8, 16)]
    assert errors[-1] < 1e-3
    assert errors[0] / errors[1] > 2.5 and errors[1] / errors[2] > 2.5


def test_blood_and_convection_are_where_they_belong() -> None:
    """What the sinks take is the volume of the tissue times its blood, and a film of water
    or air lets through what convection carries off a surface."""
    p = Properties()
    with_blood = Rings(CANAL, Root(), 11.0, 15.0, p, Grid())
    without = Rings(CANAL, Root(), 11.0, 15.0, p, Grid(), Outside.STILL)
    added = (
        with_blood.contents(11.0, None)[1].sink_mw_k - without.contents(11.0, None)[1].sink_mw_k
    )
    row = int(np.searchsorted(with_blood.depth_mm, 14.5))
    depth = float(with_blood.depth_mm[row])
    outer = CANAL.diameter_mm(depth) / 2 + Root().wall_mm(20.0 - depth)
    socket = outer + p.ligament_mm
    blood = (
        math.pi
        * 1e-6
        * (
            (socket**2 - outer**2) * p.ligament_blood_w_m3k
            + ((socket + BONE_MM) ** 2 - socket**2) * p.bone_blood_w_m3k
        )
    )
    assert added[row].sum() == pytest.approx(blood * with_blood.row_mm[row], rel=1e-6)
    (water,) = layers(Outside.BATH, p)
    assert water.w_mk / (water.mm / 1e3) == pytest.approx(p.bath_w_m2k)


def test_heat_left_by_earlier_cycles_counts_and_is_bounded_by_the_live_sum() -> None:
    first = Heating(12.0, 8.0, 3.0)
    second = Heating(15.0, 12.0, 3.0)
    alone = simulate(CANAL, second, grid=COARSE)
    both = simulate_all(CANAL, [(first, 20.0), (second, 0.0)], grid=COARSE)
    assert alone.surface_rise_c < both[1].surface_rise_c
    left_c, mass_c = simulate(CANAL, first, grid=COARSE, followed_s=60.0).left_c(20.0)
    assert 0 < both[1].surface_rise_c - alone.surface_rise_c < left_c + 0.1
    assert both[1].cool_s() >= alone.cool_s() and mass_c > 0


def test_a_field_keeps_its_heat_on_the_next_grid() -> None:
    first = simulate(CANAL, Heating(12.0, 8.0, 3.0), grid=COARSE, followed_s=20.0).left
    again = first.at(first.depth_mm, first.radius_mm)
    np.testing.assert_allclose(again, first.temp_c)


def test_a_carrier_is_never_hotter_than_its_setting_and_follows_its_curve() -> None:
    hot = replace(Properties(), carrier_reached=1.0)
    assert max(Source(180.0).on_c(s / 10, hot) for s in range(300)) <= 180.0
    measured = Source(200.0, ((0.0, 37.0), (2.0, 120.0), (4.0, 100.0)))
    assert [measured.on_c(s, hot) for s in (1.0, 2.0, 9.0)] == [78.5, 120.0, 100.0]
    assert heat_live.carrier_c(Source(180.0)).high == 180.0
    assert heat_live.carrier_c(measured).high == 120.0


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: Source(20.0), "carrier of 20 C"),
        (lambda: Source(200.0, ((1.0, 90.0), (1.0, 95.0))), "forward in time"),
        (lambda: Source(200.0, ((0.0, 900.0),)), "carrier of 900 C"),
    ],
)
def test_a_carrier_that_cannot_be(make: object, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        make()  # type: ignore[operator]


# --- live ------------------------------------------------------------------------------

AT = Interval(140.0, 140.0)


def test_the_table_rests_on_the_present_numbers() -> None:
    assert heat_live.table()["fingerprint"] == heat_table.fingerprint(), (
        "run tests/canal/heat_table.py --write"
    )
    assert heat_live.table()["axes"] == heat_table.AXES


def test_a_point_of_the_table_is_what_the_computation_gives() -> None:
    point = (0.6, 0.5, 5.0, 1.0)
    made = heat_live.table()
    off = made["off"]
    live = heat_live.live_heat(heat_live.Question(*point, AT))
    found = heat_table.ends(heat_table.computed(made["sets"], *point, AT.low))
    assert live.inside
    assert live.softened_mm.low == pytest.approx(found[0] - off["softened_mm"], abs=2e-3)
    assert live.softened_mm.high == pytest.approx(found[1] + off["softened_mm"], abs=2e-3)
    assert live.cool_s.high == pytest.approx(
        found[3] * (1 + off["cool_share"]) + off["cool_s"], abs=2e-3
    )
    assert live.surface_rise_c.low == pytest.approx(
        found[4] * (1 - off["rise_low_share"]), rel=1e-3
    )
    assert live.surface_rise_c.high == pytest.approx(
        found[5] * (1 + off["rise_share"]), rel=1e-3
    )


def test_the_error_of_the_table_is_known_and_no_question_shares_a_point() -> None:
    made = heat_live.table()
    for row in made["error"]["rows"]:
        for value, nodes in zip(row["asked"], made["axes"].values(), strict=True):
            assert value not in nodes
    off = made["off"]
    assert 0 < off["rise_share"] < 0.5 and 0 < off["softened_mm"] < 0.6


questions = st.builds(
    heat_live.Question,
    st.floats(0.35, 1.7),
    st.floats(0.5, 12.0),
    st.floats(0.0, 5.0),
    st.floats(0.5, 2.5),
    st.floats(60.0, 380.0).map(lambda c: Interval(min(c, 90.0), c)),
)


@given(questions)
def test_an_unknown_wall_takes_in_every_wall(question: heat_live.Question) -> None:
    known = heat_live.live_heat(question)
    unknown = heat_live.live_heat(replace(question, wall_mm=None))
    assert known.inside and unknown.inside
    for one, whole in zip(known[:3], unknown[:3], strict=True):
        assert whole.low <= one.low + 1e-9 and one.high <= whole.high + 1e-9


@given(questions)
def test_longer_and_hotter_heat_never_does_less(question: heat_live.Question) -> None:
    now = heat_live.live_heat(question)
    longer = replace(question, heat_s=min(12.0, 1.5 * question.heat_s))
    carrier = question.carrier_c
    hotter = replace(question, carrier_c=Interval(carrier.low, min(380.0, carrier.high + 20)))
    for more in (heat_live.live_heat(longer), heat_live.live_heat(hotter)):
        assert more.softened_mm.high >= now.softened_mm.high - 1e-9
        assert more.surface_rise_c.high >= now.surface_rise_c.high - 1e-9


@given(questions, st.floats(5.0, 60.0))
def test_what_was_left_only_raises_the_high_ends_and_fades(
    question: heat_live.Question, after_s: float
) -> None:
    left = heat_live.left_by([(question, after_s)])
    later = heat_live.left_by([(question, after_s + 10)])
    assert 0 < later.surface_c < left.surface_c and 0 < later.mass_c < left.mass_c
    cold, warm = heat_live.live_heat(question), heat_live.live_heat(question, left)
    assert warm.surface_rise_c.high == pytest.approx(cold.surface_rise_c.high + left.surface_c)
    assert warm.cool_s.high >= cold.cool_s.high
    assert warm.surface_rise_c.low == cold.surface_rise_c.low


@given(questions, st.floats(2.0, 40.0))
def test_the_longest_heat_is_the_longest_under_the_limit(
    question: heat_live.Question, limit_c: float
) -> None:
    longest = heat_live.longest_heat_s(question, limit_c)
    if longest >= 0.6:
        rise = heat_live.live_heat(replace(question, heat_s=longest)).surface_rise_c.high
        assert rise <= limit_c + 1e-6
    if longest < 11.8:
        more = heat_live.live_heat(replace(question, heat_s=max(0.5, longest + 0.11)))
        assert more.surface_rise_c.high >= limit_c - 1e-6


@given(questions, st.floats(5.0, 40.0))
def test_the_wait_is_the_shortest_that_is_enough(
    question: heat_live.Question, limit_c: float
) -> None:
    earlier = [(question, 6.0)]
    wait = heat_live.wait_s(question, limit_c, earlier)

    def rise_c(more_s: float) -> float:
        left = heat_live.left_by(earlier, more_s)
        return heat_live.live_heat(question, left).surface_rise_c.high

    if wait is None:
        assert rise_c(80.0) >= limit_c
    else:
        assert rise_c(wait) < limit_c
        assert wait == 0 or rise_c(wait - 1) >= limit_c


def test_outside_the_table_is_said_and_answered_from_its_edge() -> None:
    edge = heat_live.live_heat(heat_live.Question(0.8, 12.0, 2.0))
    beyond = heat_live.live_heat(heat_live.Question(0.8, 40.0, 2.0))
    assert not beyond.inside and beyond[:3] == edge[:3]


@pytest.mark.parametrize(
    "question", [(0.0, 3.0, 2.0), (0.8, -1.0, 2.0), (0.8, 3.0, -0.1), (0.8, math.nan, 2.0)]
)
def test_a_live_question_that_cannot_be(question: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="finite number"):
        heat_live.Question(*question)


def test_the_live_answer_does_not_import_scipy() -> None:
    code = (
        "import sys; from assistant.canal.heat_live import Question, live_heat;"
        "live_heat(Question(0.8, 3, 4));"
        "sys.exit(any(name.startswith('scipy') for name in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
