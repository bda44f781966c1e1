"""An invented case to practise on, drawn from a seed and a level of difficulty.

Nothing in it is measured: tooth lengths and canals are the handbook's
(:mod:`assistant.canal.teeth`), everything else is drawn here so that it fits the
protocol's limits. What touches where is not drawn but computed
(:mod:`assistant.canal.contact`), for sizes that are exact. The same seed, level and
protocol give the same case.
"""

from __future__ import annotations

import math
import random
from typing import Literal

from pydantic import Field

from assistant.canal.contact import Insertion
from assistant.canal.instruments import POINT_TAPERS
from assistant.canal.lengths import round_mm
from assistant.canal.model import CanalShape, prepared
from assistant.canal.pluggers import Plugger
from assistant.canal.points import iso_point
from assistant.canal.teeth import PERMANENT_TEETH, Canal, Tooth, canal_sets, typical_length_mm
from assistant.progress.reckoning import value_of
from assistant.protocol.frozen import Frozen
from assistant.protocol.model import Protocol
from assistant.protocol.roles import Role

INVENTED = "INVENTED for practice: no tooth, no patient, nothing measured"
"""Stands in every scenario, sheet and score."""

Level = Literal[1, 2, 3]
"""1: one or two canals, no trap; 2: up to three canals, one trap; 3: molars, a trap or
two in most canals."""

Trap = Literal["stray_reading", "bleeding", "cone_short", "deep_plugger"]
NEEDS: dict[Trap, Role] = {
    "stray_reading": Role.PAPER_POINT,
    "bleeding": Role.DRYNESS,
    "cone_short": Role.CONE_FIT,
    "deep_plugger": Role.COMPACTION,
}
"""What a protocol must ask for so that the trap can be met."""

SIZES = (25, 30, 35, 40)
"""Apical sizes that are drawn (chosen here); cones are made of all of them."""

THINNEST = Plugger("0.43 wide", 0.43, 0.03)
"""The apical plugger of every case: the thinnest of the example set, invented. Where it
goes, a slender heat carrier goes as well."""


class Cone(Frozen):
    """A master cone as it would be tried in: how deep it goes, and where it then touches.

    ``contact``: at its tip alone, or high up with the tip free.
    """

    size: int
    taper: float
    length_mm: float
    contact: Literal["tip", "high"]


class PracticeCanal(Frozen):
    """One invented canal; depths in mm from its reference point.

    Attributes:
        true_length_mm: the length that the paper points lie around.
        provisional_mm: the working length on the chart.
        cones: in the order in which they are tried in; the last fits.
        free_mm: how deep the coronal, middle and apical plugger go without touching.
        dryness: what the drying points show, one after the other; the last is "dry".
        readings_mm: what each paper point would read, in order.
        locator_mm: the apex locator, None if it gives no reading.
        sinks_mm_s: how fast the hot carrier sinks into the fill.
        gives_way_mm: how far past the limit the softened mass lets the plugger go; 0
            where it does not.
    """

    name: str
    true_length_mm: float
    provisional_mm: float
    reference: str
    apical_size: int
    taper: float
    post: Literal["no", "backfill", "finish_at_post_level"]
    coronal_level_mm: float
    orifice_mm: float
    cones: tuple[Cone, ...] = Field(min_length=1)
    free_mm: tuple[float, float, float]
    dryness: tuple[Literal["dry", "wet", "bleeding"], ...] = Field(min_length=1)
    readings_mm: tuple[float, ...] = Field(min_length=1)
    locator_mm: float | None
    sinks_mm_s: float = Field(gt=0)
    gives_way_mm: float = 0.0
    traps: tuple[Trap, ...] = ()


class Scenario(Frozen):
    """An invented case; see the module docstring."""

    invented: str = INVENTED
    seed: int
    level: Level
    protocol: str
    tooth: int
    canals: tuple[PracticeCanal, ...] = Field(min_length=1)

    @property
    def code(self) -> str:
        """Case code, which says that it is practice."""
        return f"PRACTICE-S{self.seed}-L{self.level}"

    def canal(self, name: str) -> PracticeCanal | None:
        """The canal of that name, None if the tooth has none."""
        return next((canal for canal in self.canals if canal.name == name), None)


def draw(seed: int, level: Level, protocol: Protocol) -> Scenario:
    """The case of this seed and level, within the limits of ``protocol``."""
    # A text as seed: hashed by SHA-512, so that the next seed is another case.
    rng = random.Random(f"{seed}/{level}/{protocol.id}")
    tooth, names = _tooth(rng, level)
    traps = _traps(rng, level, len(names), protocol)
    length = typical_length_mm(tooth)
    # A working length ends short of the apex: a millimetre off the tooth's length.
    typical = length.mean_mm - 1.0 + rng.uniform(-1.0, 1.0) * min(length.sd_mm, 1.5)
    return Scenario(
        seed=seed,
        level=level,
        protocol=protocol.id,
        tooth=tooth.fdi,
        canals=tuple(
            _canal(rng, level, protocol, tooth, name, typical, mine)
            for name, mine in zip(names, traps, strict=True)
        ),
    )


_POSITIONS: dict[Level, tuple[int, ...]] = {1: (1, 2, 3, 4, 5), 2: (4, 5, 6, 7), 3: (6, 7)}
_COUNTS: dict[Level, tuple[int, ...]] = {1: (1, 2), 2: (1, 2, 3), 3: (3, 4)}


def _tooth(rng: random.Random, level: Level) -> tuple[Tooth, tuple[str, ...]]:
    """A tooth, and one of its sets of canals, the commoner ones more often."""
    tooth = rng.choice([t for t in PERMANENT_TEETH if t.position in _POSITIONS[level]])
    # A labial canal is a buccal one by another name: not to be drawn twice as often.
    named = [s for s in canal_sets(tooth) if Canal.LABIAL not in s]
    sets = [s for s in named if len(s) in _COUNTS[level]]
    weights = [1 / (rank + 1) ** 2 for rank in range(len(sets))]
    (chosen,) = rng.choices(sets, weights)
    return tooth, tuple(str(canal) for canal in chosen)


def _traps(
    rng: random.Random, level: Level, canals: int, protocol: Protocol
) -> tuple[tuple[Trap, ...], ...]:
    """The traps of each canal, of those that the protocol can meet."""
    kinds = [trap for trap, role in NEEDS.items() if protocol.with_role(role)]
    if value_of(protocol.limits.readings_min) < 2:  # one reading disagrees with no other
        kinds = [trap for trap in kinds if trap != "stray_reading"]
    found: list[tuple[Trap, ...]] = [() for _ in range(canals)]
    if level == 3:
        found = [
            tuple(sorted(rng.sample(kinds, min(len(kinds), rng.choice((0, 1, 1, 2))))))
            for _ in found
        ]
    if level > 1 and kinds and not any(found):
        found[rng.randrange(canals)] = (rng.choice(kinds),)
    return tuple(found)


def _canal(
    rng: random.Random,
    level: Level,
    protocol: Protocol,
    tooth: Tooth,
    name: str,
    typical_mm: float,
    traps: tuple[Trap, ...],
) -> PracticeCanal:
    provisional = _half(typical_mm + rng.uniform(-0.8, 0.8))
    # Never more than the protocol lets a plugger miss its limit by: a carrier that was
    # set by the chart still reaches it.
    off = min(4, int(10 * value_of(protocol.limits.at_limit_within_mm)))
    true = round_mm(provisional + (rng.randint(-off, off) / 10 if level > 1 else 0.0))
    limit = provisional - value_of(protocol.limits.short_of_wl_mm)
    downpack = _half(rng.uniform(9.0, 11.0) if level == 3 else rng.uniform(6.0, 8.0))
    orifice = max(4.0, _half(limit - downpack))
    size, taper = rng.choice(SIZES), rng.choice((0.06, 0.06, 0.08) + (0.04,) * (level == 3))
    deep = _half(rng.uniform(1.0, 1.5)) if "deep_plugger" in traps else 0.0
    shape = _roomy(provisional, size, taper, orifice, limit + deep)
    size, free = round(100 * shape.apical_mm), min(limit + deep, _free_mm(shape, orifice))
    return PracticeCanal(
        name=name,
        true_length_mm=true,
        provisional_mm=provisional,
        reference=_reference(tooth, name),
        apical_size=size,
        taper=taper,
        post=rng.choices(
            ("no", "backfill", "finish_at_post_level"), (8, 1, 1) if level > 1 else (1, 0, 0)
        )[0],
        coronal_level_mm=orifice + rng.choice((0.0, 0.0, 1.0)),
        orifice_mm=orifice,
        cones=_cones(shape, size, taper, orifice, short="cone_short" in traps),
        free_mm=(
            min(free, _half(orifice + (limit - orifice) / 3)),
            min(free, _half(orifice + 2 * (limit - orifice) / 3)),
            free,
        ),
        dryness=("bleeding", "dry") if "bleeding" in traps else _dryness(rng, level),
        readings_mm=_readings(rng, protocol, true, stray="stray_reading" in traps),
        locator_mm=_locator(rng, protocol, true),
        sinks_mm_s=rng.choice((1.5, 1.6, 1.8)),
        gives_way_mm=deep,
        traps=traps,
    )


def _half(value_mm: float) -> float:
    """To half a millimetre, as rulers and stops are read."""
    return round(2 * value_mm) / 2


def _reference(tooth: Tooth, canal: str) -> str:
    """An option id of the step that asks for it."""
    if tooth.position <= 2:
        return "incisal_edge"
    if tooth.position == 3:
        return "cusp_tip"
    if canal in {"palatal", "lingual"}:
        return f"{canal}_cusp"
    return "buccal_cusp" if tooth.position <= 5 else "mesiobuccal_cusp"


def _roomy(
    wl_mm: float, size: int, taper: float, mouth_mm: float, depth_mm: float
) -> CanalShape:
    """The canal of this size, or of the next larger one that lets the plugger go so deep."""
    shapes = [prepared(wl_mm, other, taper) for other in SIZES if other >= size]
    wide = (shape for shape in shapes if _free_mm(shape, mouth_mm) >= depth_mm)
    return next(wide, shapes[-1])


def _free_mm(shape: CanalShape, mouth_mm: float) -> float:
    """How deep the thinnest plugger goes without touching, to half a millimetre."""
    deepest = Insertion(shape, THINNEST.profile, mouth_mm=mouth_mm).deepest_mm()
    return math.floor(2 * deepest + 1e-6) / 2


def _cones(
    shape: CanalShape, size: int, taper: float, mouth_mm: float, *, short: bool
) -> tuple[Cone, ...]:
    """A cone of the canal's size and the next smaller taper, which is held at its tip
    alone; and before it one of more taper than the canal, which is held at the mouth
    while its tip hangs free."""
    slimmer = max(other for other in POINT_TAPERS if other < taper)
    fits = _tried(shape, size, slimmer, mouth_mm)
    if not short:
        return (fits,)
    steeper = min(other for other in POINT_TAPERS if other > taper)
    return _tried(shape, size, steeper, mouth_mm), fits


def _tried(shape: CanalShape, size: int, taper: float, mouth_mm: float) -> Cone:
    going_in = Insertion(shape, iso_point(size, taper).profile, mouth_mm=mouth_mm)
    stop_mm = going_in.deepest_mm()
    held_mm, _ = going_in.tightest(stop_mm)
    return Cone(
        size=size,
        taper=taper,
        length_mm=round_mm(stop_mm),
        contact="high" if held_mm > 0 else "tip",
    )


def _dryness(rng: random.Random, level: Level) -> tuple[Literal["dry", "wet", "bleeding"], ...]:
    return ("wet", "dry") if level > 1 and rng.random() < 0.3 else ("dry",)


def _readings(
    rng: random.Random, protocol: Protocol, true_mm: float, *, stray: bool
) -> tuple[float, ...]:
    """Enough readings for a stray one to drop out of those that count."""
    limits = protocol.limits
    wanted, agree = int(value_of(limits.readings_min)) or 1, value_of(limits.readings_agree_mm)
    noise = (0.0, 0.1, -0.1) if agree >= 0.2 else (0.0,)
    found = [round_mm(true_mm + rng.choice(noise)) for _ in range(2 * wanted)]
    if stray:
        far = agree + rng.uniform(0.6, 1.2)
        found[rng.randrange(1, wanted)] = round_mm(true_mm + rng.choice((far, -far)))
    return tuple(found)


def _locator(rng: random.Random, protocol: Protocol, true_mm: float) -> float | None:
    agree = protocol.limits.apex_locator_agree_mm
    within = min(2, int(5 * agree.value)) if agree else 2
    off = rng.randint(-within, within) / 10
    return None if rng.random() < 0.25 else round_mm(true_mm + off)
