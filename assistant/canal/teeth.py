"""The permanent teeth: numbers, names, the canals each can have, and usual lengths.

Numbers follow ISO 3950 (two digits: quadrant, then position from the midline);
left and right are the patient's. Canal anatomy and lengths are handbook
figures from memory: good for questioning what was heard, never for refusing it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations
from typing import Literal, NamedTuple

from assistant.canal.instruments import Interval
from assistant.canal.lengths import round_mm

Arch = Literal["upper", "lower"]
Side = Literal["left", "right"]

_KINDS = (
    "central incisor",
    "lateral incisor",
    "canine",
    "first premolar",
    "second premolar",
    "first molar",
    "second molar",
    "third molar",
)
_DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight")
_ALLOWED = "allowed are 11 to 18, 21 to 28, 31 to 38 and 41 to 48"


class Canal(StrEnum):
    """Trade name of a canal. The value is the stable id in records and grammars.

    ``LABIAL`` and ``BUCCAL`` are two names of the same canal of a front tooth.
    """

    SINGLE = "single"
    LABIAL = "labial"
    BUCCAL = "buccal"
    PALATAL = "palatal"
    SECOND_PALATAL = "second palatal"
    MESIOPALATAL = "mesiopalatal"
    DISTOPALATAL = "distopalatal"
    LINGUAL = "lingual"
    MESIAL = "mesial"
    DISTAL = "distal"
    MESIOBUCCAL = "mesiobuccal"
    SECOND_MESIOBUCCAL = "second mesiobuccal"
    THIRD_MESIOBUCCAL = "third mesiobuccal"
    MIDDLE_MESIAL = "middle mesial"
    MESIOLINGUAL = "mesiolingual"
    DISTOBUCCAL = "distobuccal"
    SECOND_DISTOBUCCAL = "second distobuccal"
    MIDDLE_DISTAL = "middle distal"
    DISTOLINGUAL = "distolingual"


@dataclass(frozen=True, slots=True)
class Tooth:
    """One permanent tooth; everything follows from its FDI number.

    Raises:
        ValueError: no permanent tooth has this number.
    """

    fdi: int

    def __post_init__(self) -> None:
        _check_fdi(self.fdi)

    @property
    def quadrant(self) -> int:
        """1 upper right, 2 upper left, 3 lower left, 4 lower right."""
        return self.fdi // 10

    @property
    def position(self) -> int:
        """1 (central incisor) to 8 (third molar)."""
        return self.fdi % 10

    @property
    def arch(self) -> Arch:
        """Which jaw."""
        return "upper" if self.quadrant in (1, 2) else "lower"

    @property
    def side(self) -> Side:
        """The patient's left or right."""
        return "left" if self.quadrant in (2, 3) else "right"

    @property
    def kind(self) -> str:
        """Such as ``"first premolar"``."""
        return _KINDS[self.position - 1]

    @property
    def universal(self) -> int:
        """Universal number: 1 (upper right third molar) round to 32 (lower right)."""
        match self.quadrant:
            case 1:
                return 9 - self.position
            case 2:
                return 8 + self.position
            case 3:
                return 25 - self.position
            case _:
                return 24 + self.position

    @property
    def name(self) -> str:
        """Such as ``"upper left first premolar"``."""
        return f"{self.arch} {self.side} {self.kind}"

    @property
    def spoken(self) -> str:
        """The two digits one by one, as the trade says them: ``"two four"``."""
        return f"{_DIGITS[self.quadrant]} {_DIGITS[self.position]}"


class MeanSpread(NamedTuple):
    """Length of one kind of tooth, in mm: mean, spread and the extremes seen."""

    mean_mm: float
    sd_mm: float
    least_mm: float
    greatest_mm: float


def parse_fdi(number: int) -> Tooth:
    """Return the permanent tooth with this ISO 3950 (FDI) number.

    Raises:
        ValueError: a deciduous tooth, or no tooth at all; the message says which,
            and what a Universal number would be in FDI.
    """
    return Tooth(number)


def parse_universal(number: int) -> Tooth:
    """Return the permanent tooth with this Universal number, 1 to 32.

    Raises:
        ValueError: outside 1 to 32.
    """
    for tooth in PERMANENT_TEETH:
        if tooth.universal == number:
            return tooth
    raise ValueError(f"{number} is not a Universal tooth number; allowed are 1 to 32")


def _check_fdi(number: int) -> None:
    quadrant, position = divmod(number, 10)
    if quadrant in (1, 2, 3, 4) and 1 <= position <= 8:
        return
    if quadrant in (5, 6, 7, 8) and 1 <= position <= 5:
        raise ValueError(f"{number} is a deciduous tooth, not handled here; {_ALLOWED}")
    hint = ""
    if 1 <= number <= 32:
        meant = parse_universal(number)
        hint = f" (Universal {number} is FDI {meant.fdi}, {meant.name})"
    raise ValueError(f"{number} is not an FDI tooth number; {_ALLOWED}{hint}")


PERMANENT_TEETH: tuple[Tooth, ...] = tuple(
    Tooth(10 * quadrant + position) for quadrant in (1, 2, 3, 4) for position in range(1, 9)
)
"""All 32, in order of their FDI numbers."""


_ONE = (Canal.SINGLE,)
_BUCCAL_PALATAL = (Canal.BUCCAL, Canal.PALATAL)
_BUCCAL_LINGUAL = (Canal.BUCCAL, Canal.LINGUAL)
_LABIAL_PALATAL = (Canal.LABIAL, Canal.PALATAL)
_LABIAL_LINGUAL = (Canal.LABIAL, Canal.LINGUAL)
_MESIAL_DISTAL = (Canal.MESIAL, Canal.DISTAL)
_UPPER_3 = (Canal.MESIOBUCCAL, Canal.DISTOBUCCAL, Canal.PALATAL)
_UPPER_4 = (Canal.MESIOBUCCAL, Canal.SECOND_MESIOBUCCAL, Canal.DISTOBUCCAL, Canal.PALATAL)
_PALATAL_PAIR = (Canal.MESIOPALATAL, Canal.DISTOPALATAL)
_UPPER_4_PALATAL = (Canal.MESIOBUCCAL, Canal.DISTOBUCCAL, *_PALATAL_PAIR)
_UPPER_5 = (
    (*_UPPER_4, Canal.SECOND_PALATAL),
    (*_UPPER_4[:3], *_PALATAL_PAIR),
    (*_UPPER_4[:2], Canal.THIRD_MESIOBUCCAL, *_UPPER_4[2:]),
    (*_UPPER_4[:3], Canal.SECOND_DISTOBUCCAL, Canal.PALATAL),
)
_UPPER_6 = (*_UPPER_4[:3], Canal.SECOND_DISTOBUCCAL, *_PALATAL_PAIR)
_PREMOLAR_LOWER_3 = (Canal.MESIOBUCCAL, Canal.DISTOBUCCAL, Canal.LINGUAL)
_MESIAL_2 = (Canal.MESIOBUCCAL, Canal.MESIOLINGUAL)
_MESIAL_3 = (Canal.MESIOBUCCAL, Canal.MIDDLE_MESIAL, Canal.MESIOLINGUAL)
_DISTAL_2 = (Canal.DISTOBUCCAL, Canal.DISTOLINGUAL)
_LOWER_3 = (*_MESIAL_2, Canal.DISTAL)
_LOWER_4 = (*_MESIAL_2, *_DISTAL_2)
_LOWER_4_MIDDLE = (*_MESIAL_3, Canal.DISTAL)
_LOWER_5 = (*_MESIAL_3, *_DISTAL_2)
_LOWER_5_DISTAL = (*_MESIAL_2, Canal.DISTOBUCCAL, Canal.MIDDLE_DISTAL, Canal.DISTOLINGUAL)

# Handbook anatomy from memory (the order of commonness chiefly after Vertucci
# 1984 and, for the lower first molar, Skidmore & Bjorndal 1971); five and six canals as
# case reports have them, from memory. Four canals come
# first in the upper first molar because that is what a microscope finds. The
# single canal of a lower second molar is the C-shaped one.
_CANAL_SETS: dict[tuple[Arch, int], tuple[tuple[Canal, ...], ...]] = {
    ("upper", 1): (_ONE,),
    ("upper", 2): (_ONE,),
    ("upper", 3): (_ONE, _BUCCAL_PALATAL, _LABIAL_PALATAL),
    ("upper", 4): (_BUCCAL_PALATAL, _ONE, _UPPER_3),
    ("upper", 5): (_ONE, _BUCCAL_PALATAL, _UPPER_3),
    ("upper", 6): (_UPPER_4, _UPPER_3, _UPPER_4_PALATAL, *_UPPER_5, _UPPER_6),
    ("upper", 7): (_UPPER_3, _UPPER_4, _BUCCAL_PALATAL, _ONE, _UPPER_4_PALATAL, *_UPPER_5),
    ("upper", 8): (_UPPER_3, _BUCCAL_PALATAL, _ONE, _UPPER_4),
    ("lower", 1): (_ONE, _BUCCAL_LINGUAL, _LABIAL_LINGUAL),
    ("lower", 2): (_ONE, _BUCCAL_LINGUAL, _LABIAL_LINGUAL),
    ("lower", 3): (_ONE, _BUCCAL_LINGUAL, _LABIAL_LINGUAL),
    ("lower", 4): (_ONE, _BUCCAL_LINGUAL, _PREMOLAR_LOWER_3),
    ("lower", 5): (_ONE, _BUCCAL_LINGUAL, _PREMOLAR_LOWER_3),
    ("lower", 6): (
        _LOWER_3,
        _LOWER_4,
        _MESIAL_DISTAL,
        _LOWER_4_MIDDLE,
        _LOWER_5,
        _LOWER_5_DISTAL,
    ),
    ("lower", 7): (_LOWER_3, _MESIAL_DISTAL, _LOWER_4, _ONE, _LOWER_4_MIDDLE),
    ("lower", 8): (_LOWER_3, _MESIAL_DISTAL, _ONE, _LOWER_4),
}


def canal_sets(tooth: Tooth) -> tuple[tuple[Canal, ...], ...]:
    """Sets of canals this tooth can have, the commonest first.

    Handbook anatomy, from memory. Rarer forms exist: a canal that is in none of
    the sets is a reason to ask, not to refuse.
    """
    return _CANAL_SETS[tooth.arch, tooth.position]


def possible_canals(tooth: Tooth) -> frozenset[Canal]:
    """Every canal named in any of the tooth's :func:`canal_sets`."""
    return frozenset(canal for canals in canal_sets(tooth) for canal in canals)


def odd_canals(tooth: Tooth, canals: Iterable[Canal | str]) -> tuple[Canal, ...]:
    """Canals named that none of the tooth's sets has, each once, as first named.

    A "lingual" canal of an upper tooth is one of them: the trade says palatal there.

    Raises:
        ValueError: a name that is no canal's.
    """
    possible = possible_canals(tooth)
    named = dict.fromkeys(Canal(canal) for canal in canals)
    return tuple(canal for canal in named if canal not in possible)


def clashing_canals(tooth: Tooth, canals: Iterable[Canal | str]) -> tuple[Canal, ...]:
    """Canals named that no set of the tooth holds together with another one named.

    Each can belong to the tooth, but not beside what else was said: "mesial" beside
    "mesiobuccal", "single" beside anything. To name only some of a set is no clash; those
    of :func:`odd_canals` are left out.

    Raises:
        ValueError: a name that is no canal's.
    """
    possible, sets = possible_canals(tooth), canal_sets(tooth)
    named = [canal for canal in dict.fromkeys(map(Canal, canals)) if canal in possible]
    apart = {
        canal
        for pair in combinations(named, 2)
        if not any(set(pair) <= set(together) for together in sets)
        for canal in pair
    }
    return tuple(canal for canal in named if canal in apart)


# Mean, least and greatest overall length in mm: G. V. Black, Descriptive Anatomy
# of the Human Teeth (1902), from memory.
_BLACK_MM: dict[tuple[Arch, int], tuple[float, float, float]] = {
    ("upper", 1): (22.5, 18.0, 27.0),
    ("upper", 2): (22.0, 17.0, 26.0),
    ("upper", 3): (26.5, 20.0, 32.0),
    ("upper", 4): (20.6, 17.0, 22.5),
    ("upper", 5): (21.5, 16.0, 27.0),
    ("upper", 6): (20.8, 17.0, 24.0),
    ("upper", 7): (20.0, 16.0, 24.0),
    ("upper", 8): (17.1, 14.0, 22.0),
    ("lower", 1): (20.7, 16.0, 24.0),
    ("lower", 2): (21.1, 18.0, 27.0),
    ("lower", 3): (25.6, 20.0, 32.5),
    ("lower", 4): (21.6, 18.0, 26.0),
    ("lower", 5): (22.3, 18.0, 26.0),
    ("lower", 6): (21.0, 18.0, 24.0),
    ("lower", 7): (19.8, 18.0, 22.0),
    ("lower", 8): (18.5, 16.0, 20.0),
}

RANGE_IN_SD = 5.0
"""Expected range of about 100 normal values in standard deviations (d2 of quality
control tables: 5.02). That the table rests on about so many teeth is assumed."""

MIN_SD_MM = 1.74
"""Floor on the standard deviation: the published one of 250 mandibular first
premolars (22.48 +/- 1.74 mm, PMC4195450, abstract). The table's narrow ranges
say more about how few teeth were measured than about teeth."""

WL_SHORTER_MM = 2.0
"""By how much a working length falls short of the tooth without being odd: chosen here,
since it ends 0.5-1 mm before the apex and often starts at a reduced cusp (common practice)."""


def typical_length_mm(tooth: Tooth) -> MeanSpread:
    """Overall length of this kind of tooth, crown and root, in mm.

    Mean and extremes from Black's table (1902, from memory); the table has no
    standard deviation, so it is estimated as the range over ``RANGE_IN_SD``.
    """
    mean_mm, least_mm, greatest_mm = _BLACK_MM[tooth.arch, tooth.position]
    sd_mm = (greatest_mm - least_mm) / RANGE_IN_SD
    return MeanSpread(mean_mm, sd_mm, least_mm, greatest_mm)


def plausible_length_mm(tooth: Tooth) -> Interval:
    """Working lengths in mm that need no question for this tooth, to 0.1 mm.

    Mean +/- 3 standard deviations (each at least ``MIN_SD_MM``), stretched at the
    short end by ``WL_SHORTER_MM`` and at the long end to the longest tooth of the
    table where that is longer.
    """
    length = typical_length_mm(tooth)
    reach_mm = 3 * max(length.sd_mm, MIN_SD_MM)
    return Interval(
        low=round_mm(length.mean_mm - reach_mm - WL_SHORTER_MM),
        high=round_mm(max(length.greatest_mm, length.mean_mm + reach_mm)),
    )


def length_plausible(tooth: Tooth, wl_mm: float) -> bool:
    """Whether ``wl_mm`` lies in :func:`plausible_length_mm`; a NaN does not."""
    return wl_mm in plausible_length_mm(tooth)
