"""Points and plugger sets: against the standards, by round trips, and as files."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.canal.instruments import (
    POINT_SIZES,
    POINT_TAPERS,
    Product,
    diameter_interval_mm,
    diameter_mm,
)
from assistant.canal.pluggers import Plugger, PluggerSet
from assistant.canal.points import Point, TableRow, iso_point, row_misfit
from assistant.case.instrument_files import load_pluggers, load_point
from assistant.errors import InputFileError
from assistant.files.shipped import data_folder
from assistant.files.yamlfile import load_yaml
from assistant.protocol.own_instruments import PluggerFile, PointFile
from canal.invented_points import table_point

pytestmark = pytest.mark.core

untimed = settings(deadline=None, max_examples=40)

sizes = st.sampled_from(POINT_SIZES)
tapers = st.sampled_from(POINT_TAPERS)
distances_mm = st.floats(0, 20)


@st.composite
def tables(draw: st.DrawFn) -> list[tuple[float, float]]:
    """Invented tables: a tip, then steps of some length and taper."""
    rows = [(0.0, draw(st.floats(0.1, 0.6)))]
    for length, taper in draw(
        st.lists(st.tuples(st.floats(0.5, 7), st.floats(0, 0.08)), min_size=1, max_size=4)
    ):
        at, diameter = rows[-1]
        rows.append((at + length, diameter + taper * length))
    return rows


points = st.one_of(
    st.builds(iso_point, sizes, tapers),
    tables().map(lambda rows: table_point("invented", rows, 0.05)),
)


# -- standards --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("size", "d0_mm", "d3_mm", "d16_mm", "tolerance_mm", "colour"),
    [  # ISO 6877 for points of the standard taper, D3 and D16 as ISO 3630-1 (from memory).
        (15, 0.15, 0.21, 0.47, 0.05, "white"),
        (25, 0.25, 0.31, 0.57, 0.05, "red"),
        (40, 0.40, 0.46, 0.72, 0.07, "black"),
        (80, 0.80, 0.86, 1.12, 0.07, "black"),
    ],
)
def test_standard_points(
    size: int, d0_mm: float, d3_mm: float, d16_mm: float, tolerance_mm: float, colour: str
) -> None:
    point = iso_point(size, 0.02)
    diameters = [point.diameter_mm(at) for at in (0, 3, 16)]
    assert diameters == pytest.approx([d0_mm, d3_mm, d16_mm])
    assert point.tolerance_mm == tolerance_mm
    assert point.name == f"{size:03d} .02 {colour}"


@untimed
@given(sizes, tapers, distances_mm)
def test_an_iso_point_is_as_the_instrument_tables_say(
    size: int, taper: float, at_mm: float
) -> None:
    point = iso_point(size, taper)
    expected = diameter_interval_mm(size, taper, at_mm, Product.POINT)
    found = point.diameter_interval_mm(at_mm)
    assert point.diameter_mm(at_mm) == pytest.approx(diameter_mm(size, taper, at_mm), abs=1e-6)
    assert (found.low, found.high) == pytest.approx((expected.low, expected.high), abs=2e-6)


@untimed
@given(sizes, tapers, st.floats(0, 10))
def test_a_cut_iso_point_has_the_tip_of_the_trade_formula(
    size: int, taper: float, cut_mm: float
) -> None:
    left = iso_point(size, taper).cut_back(cut_mm).diameter_interval_mm(0)
    expected = diameter_interval_mm(size, taper, cut_mm, Product.POINT)
    assert (left.low, left.high) == pytest.approx((expected.low, expected.high), abs=2e-6)


def test_a_table_worked_by_hand() -> None:
    # .065 over the last 2 mm, then .05 (invented; hand-worked): 1 mm up 0.28 + 0.065, 5 mm
    # up 0.41 + 0.15; 4 mm off leaves a tip of 0.51 and, 3 mm further up, 0.66.
    point = table_point("invented", [(0, 0.28), (2, 0.41), (7, 0.66)], 0.05)
    assert point.diameter_mm(1) == pytest.approx(0.345)
    assert point.diameter_mm(5) == pytest.approx(0.56)
    assert point.diameter_mm(20) == 0.66  # parallel beyond the table
    left = point.cut_back(4)
    assert left.tip_mm == pytest.approx(0.51)
    assert left.diameter_mm(3) == pytest.approx(0.66)


# -- properties -------------------------------------------------------------------


@untimed
@given(points, st.floats(0, 0.49), st.floats(0, 0.49), distances_mm)
def test_cutting_back_moves_the_tip_and_nothing_else(
    point: Point, one_mm: float, two_mm: float, beyond_mm: float
) -> None:
    left = point.cut_back(one_mm)
    assert left.diameter_mm(beyond_mm) == pytest.approx(
        point.diameter_mm(one_mm + beyond_mm), abs=1e-9
    )
    end_mm = point.profile.rows[-1].from_tip_mm
    if end_mm == 0 or one_mm + two_mm < end_mm:
        twice, once = left.cut_back(two_mm), point.cut_back(one_mm + two_mm)
        assert twice.diameter_mm(beyond_mm) == pytest.approx(once.diameter_mm(beyond_mm))


@untimed
@given(points, distances_mm, distances_mm)
def test_never_thinner_further_from_the_tip(point: Point, one: float, two: float) -> None:
    near, far = sorted((one, two))
    assert point.diameter_mm(near) <= point.diameter_mm(far) + 1e-12


@untimed
@given(tables(), st.floats(0, 1))
def test_a_table_is_met_at_its_rows_and_straight_between(
    rows: list[tuple[float, float]], share: float
) -> None:
    point = table_point("invented", rows, 0.0)
    for (at, low), (above, high) in pairwise(rows):
        assert point.diameter_mm(at) == pytest.approx(low)
        assert point.diameter_mm(at + share * (above - at)) == pytest.approx(
            low + share * (high - low)
        )


@pytest.mark.parametrize(
    ("rows", "number", "reason"),
    [
        ([], 0, "at least one row"),
        ([(1, 0.25)], 0, "first row is the tip"),
        ([(0, 25)], 0, r"size 25 is 0\.25 mm"),
        ([(0, 0.25), (float("nan"), 0.3)], 1, "distance from the tip is nan"),
        ([(0, 0.25), (3, 0.4), (3, 0.5)], 2, "distances must grow"),
        ([(0, 0.25), (3, 0.2)], 1, "must not"),
        ([(0, 0.25), (1, 0.65)], 1, r"taper up to here is 0\.4"),
    ],
)
def test_an_impossible_table_is_refused(
    rows: list[tuple[float, float]], number: int, reason: str
) -> None:
    misfit = row_misfit([TableRow(*row) for row in rows])
    assert misfit is not None
    assert misfit[0] == number
    with pytest.raises(ValueError, match=reason):
        table_point("invented", rows, 0.05)


def test_what_cannot_be_is_refused() -> None:
    point = table_point("invented", [(0, 0.25), (16, 0.8)], 0.05)
    for call, reason in (
        (lambda: point.cut_back(16), "leaves nothing"),
        (lambda: point.cut_back(-1), "length cut off is -1"),
        (lambda: iso_point(8, 0.02), "no gutta-percha point of size 8"),
        (lambda: iso_point(25, 6), "taper is 6"),
        (lambda: table_point(" ", [(0, 0.25)], 0.05), "needs a name"),
        (lambda: table_point("x", [(0, 0.25)], -0.05), "tolerance is -0.05"),
        (lambda: Plugger("four", 40, 0.03), "tip of plugger four is 40"),
        (lambda: Plugger("", 0.4, 0.03), "needs a name"),
        (lambda: Plugger("four", 0.4, 3), "taper is 3"),
        (lambda: PluggerSet("none", ()), "at least one"),
        (lambda: PluggerSet("twice", (Plugger("a", 0.4, 0),) * 2), "unique"),
    ):
        with pytest.raises(ValueError, match=reason):
            call()


# -- files ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "model"), [("pluggers", PluggerFile), ("points", PointFile)], ids=str
)
def test_shipped_examples_load_and_say_that_they_are_invented(
    kind: str, model: type[PluggerFile | PointFile]
) -> None:
    files = sorted((data_folder("protocols") / kind).glob("*.yaml"))
    assert files
    for path in files:
        assert "invented" in load_yaml(path, model).source


def test_a_file_is_found_by_name_and_by_path() -> None:
    tray = load_pluggers("example")
    assert tray == load_pluggers(str(data_folder("protocols") / "pluggers" / "example.yaml"))
    tips_mm = [plugger.tip_mm for plugger in tray.pluggers]
    assert tips_mm == [0.43, 0.52, 0.64, 0.77, 0.93]
    assert len(tray.heat_carriers) == 3
    assert load_point("example-variable").diameter_mm(2) == 0.41
    with pytest.raises(InputFileError, match="no points 'nine'; ours are example-variable"):
        load_point("nine")
    with pytest.raises(InputFileError, match=r"nine\.yaml does not exist"):
        load_pluggers("nine.yaml")


def test_no_protocol_is_taken_for_an_instrument_file_or_the_other_way_round() -> None:
    """What lists protocols does not look into the folders of instruments."""
    stems = {path.stem for path in data_folder("protocols").glob("*.yaml")}
    assert stems.isdisjoint({"example", "example-variable"})
    with pytest.raises(InputFileError, match="field required"):
        load_pluggers(str(data_folder("protocols") / "warm-vertical.yaml"))


PLUGGERS = """\
title: Mine (invented)
source: invented
pluggers:
  - {name: thin, tip_mm: 0.43, taper: 0.03}
  - {name: thick, tip_mm: 0.93, taper: 0.03}
"""
POINT = """\
name: Mine (invented)
source: invented
tolerance_mm: 0.05
table:
  - {from_tip_mm: 0, diameter_mm: 0.28}
  - {from_tip_mm: 2, diameter_mm: 0.41}
  - {from_tip_mm: 16, diameter_mm: 0.97}
"""


@pytest.mark.parametrize(
    ("good", "old", "new", "line", "says"),
    [
        (PLUGGERS, "tip_mm: 0.93", "tip_mm: 93", 5, "less than or equal to 3"),
        (PLUGGERS, "taper: 0.03}\n  -", "taper: 3}\n  -", 4, "less than or equal to 0.2"),
        (PLUGGERS, "name: thick", "name: thin", 5, "'thin' occurs twice"),
        (PLUGGERS, "name: thick, ", "", 5, "name: field required"),
        (PLUGGERS, "name: thick", "name: thick, colour: red", 5, "not permitted"),
        (PLUGGERS, "title: Mine (invented)\n", "", 1, "title: field required"),
        (POINT, "mm: 0.41", "mm: 0.2", 6, "table[1]: the diameter falls"),
        (POINT, "from_tip_mm: 16", "from_tip_mm: 1", 7, "distances must grow"),
        (POINT, "from_tip_mm: 0,", "from_tip_mm: 1,", 5, "first row is the tip"),
        (POINT, "mm: 0.41", "mm: 4.1", 6, "less than or equal to 3"),
        (POINT, "mm: 0.41", "mm: .nan", 6, "finite number"),
        (POINT, "tolerance_mm: 0.05", "tolerance_mm: wide", 3, "valid number"),
    ],
)
def test_a_bad_file_is_told_with_its_line(
    tmp_path: Path, good: str, old: str, new: str, line: int, says: str
) -> None:
    path = tmp_path / "mine.yaml"
    load = load_pluggers if good is PLUGGERS else load_point
    path.write_text(good, encoding="utf-8")
    load(str(path))
    assert good.count(old) == 1
    path.write_text(good.replace(old, new), encoding="utf-8")
    with pytest.raises(InputFileError) as caught:
        load(str(path))
    said = str(caught.value).splitlines()[0]
    assert said.startswith(f"{path} line {line}: ")
    assert says in said
