"""Numbers, canals and lengths of the permanent teeth against handbook figures."""

from itertools import pairwise
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from assistant.canal.teeth import (
    MIN_SD_MM,
    PERMANENT_TEETH,
    RANGE_IN_SD,
    Canal,
    Tooth,
    canal_sets,
    clashing_canals,
    length_plausible,
    odd_canals,
    parse_fdi,
    parse_universal,
    plausible_length_mm,
    possible_canals,
    typical_length_mm,
)

pytestmark = pytest.mark.core

untimed = settings(deadline=None)  # the clock of a busy machine fails no test

teeth = st.sampled_from(PERMANENT_TEETH)


def test_universal_and_fdi_numbers_pair_one_to_one() -> None:
    assert len({tooth.fdi for tooth in PERMANENT_TEETH}) == 32
    assert {tooth.universal for tooth in PERMANENT_TEETH} == set(range(1, 33))
    assert all(parse_universal(t.universal) == t for t in PERMANENT_TEETH)
    assert all(parse_fdi(t.fdi) == t for t in PERMANENT_TEETH)


@pytest.mark.parametrize(
    ("fdi", "universal", "name"),
    [  # Conversion charts of ISO 3950 and the Universal system (from memory).
        (18, 1, "upper right third molar"),
        (16, 3, "upper right first molar"),
        (14, 5, "upper right first premolar"),
        (11, 8, "upper right central incisor"),
        (21, 9, "upper left central incisor"),
        (24, 12, "upper left first premolar"),
        (28, 16, "upper left third molar"),
        (38, 17, "lower left third molar"),
        (36, 19, "lower left first molar"),
        (33, 22, "lower left canine"),
        (31, 24, "lower left central incisor"),
        (41, 25, "lower right central incisor"),
        (42, 26, "lower right lateral incisor"),
        (45, 29, "lower right second premolar"),
        (47, 31, "lower right second molar"),
        (48, 32, "lower right third molar"),
    ],
)
def test_published_pairs(fdi: int, universal: int, name: str) -> None:
    assert parse_fdi(fdi).universal == universal
    assert parse_fdi(fdi).name == name


def test_universal_numbers_run_round_the_mouth_without_a_jump() -> None:
    # Universal numbering walks from one tooth to its neighbour, so position
    # changes by one at every step but the two midlines and the turn at the back.
    walk = [parse_universal(n) for n in range(1, 33)]
    steps = [abs(a.position - b.position) for a, b in pairwise(walk)]
    assert [i for i, step in enumerate(steps, 1) if step == 0] == [8, 16, 24]
    assert set(steps) == {0, 1}
    assert [t.arch for t in walk] == ["upper"] * 16 + ["lower"] * 16


def test_spoken_is_two_digits_one_by_one() -> None:
    assert parse_fdi(24).spoken == "two four"
    assert len({tooth.spoken for tooth in PERMANENT_TEETH}) == 32


def test_the_same_tooth_is_equal_and_cannot_be_changed() -> None:
    tooth = parse_fdi(36)
    assert {tooth, Tooth(36)} == {tooth}
    with pytest.raises(AttributeError):
        tooth.fdi = 37  # type: ignore[misc]


@untimed
@given(st.integers())
def test_a_number_is_a_permanent_tooth_or_is_refused_by_name(number: int) -> None:
    if number in {tooth.fdi for tooth in PERMANENT_TEETH}:
        assert parse_fdi(number).fdi == number
    else:
        with pytest.raises(ValueError, match=f"^{number} is .*allowed are 11 to 18"):
            parse_fdi(number)


def test_the_20_deciduous_teeth_are_told_from_numbers_of_no_tooth() -> None:
    refusals = {}
    for number in range(50, 100):
        with pytest.raises(ValueError, match="allowed are") as refusal:
            parse_fdi(number)
        refusals[number] = str(refusal.value)
    deciduous = {n for n, message in refusals.items() if "deciduous" in message}
    # ISO 3950: quadrants 5 to 8, positions 1 to 5.
    assert deciduous == {10 * q + p for q in (5, 6, 7, 8) for p in range(1, 6)}


@pytest.mark.parametrize("number", [3, 19, 30])
def test_a_universal_number_given_as_fdi_is_translated_in_the_refusal(number: int) -> None:
    fdi = parse_universal(number).fdi
    with pytest.raises(ValueError, match=f"Universal {number} is FDI {fdi}"):
        parse_fdi(number)


@pytest.mark.parametrize("number", [0, 33, -1])
def test_universal_numbers_end_at_32(number: int) -> None:
    with pytest.raises(ValueError, match=f"^{number} is .* 1 to 32"):
        parse_universal(number)


@pytest.mark.parametrize("tooth", PERMANENT_TEETH, ids=lambda t: str(t.fdi))
def test_canal_sets_make_anatomical_sense(tooth: Tooth) -> None:
    sets = canal_sets(tooth)
    assert len({frozenset(canals) for canals in sets}) == len(sets)
    for canals in sets:
        assert len(set(canals)) == len(canals)
        # One canal has no neighbour to be told from.
        assert (Canal.SINGLE in canals) == (len(canals) == 1)
        # A second or middle canal presupposes those it is named after.
        if Canal.SECOND_MESIOBUCCAL in canals:
            assert Canal.MESIOBUCCAL in canals
        if Canal.THIRD_MESIOBUCCAL in canals:
            assert Canal.SECOND_MESIOBUCCAL in canals
        if Canal.SECOND_DISTOBUCCAL in canals:
            assert Canal.DISTOBUCCAL in canals
        if Canal.MIDDLE_DISTAL in canals:
            assert {Canal.DISTOBUCCAL, Canal.DISTOLINGUAL} <= set(canals)
        assert (Canal.MESIOPALATAL in canals) == (Canal.DISTOPALATAL in canals)
        if Canal.MIDDLE_MESIAL in canals:
            assert {Canal.MESIOBUCCAL, Canal.MESIOLINGUAL} <= set(canals)
    # The palate is above, the tongue below.
    other_side = "palatal" if tooth.arch == "lower" else "lingual"
    assert not [canal for canal in possible_canals(tooth) if canal.endswith(other_side)]


@pytest.mark.parametrize(
    ("fdi", "commonest_count", "possible_counts"),
    [
        (11, 1, {1}),  # Vertucci 1984 (from memory): one canal in 100 %
        (14, 2, {1, 2, 3}),  # same: two at the apex 69 %, one 26 %, three 5 %
        (25, 1, {1, 2, 3}),  # same: one at the apex 75 %, two 24 %, three 1 %
        (41, 1, {1, 2}),  # same: one canal about 70 %
        (44, 1, {1, 2, 3}),  # same: one at the apex 74 %, two 25 %, three 0.5 %
        (46, 3, {2, 3, 4, 5}),  # Skidmore & Bjorndal 1971 (memory): 3 64 %, 4 29 %, 2 7 %
    ],
)
def test_numbers_of_canals_in_the_literature(
    fdi: int, commonest_count: int, possible_counts: set[int]
) -> None:
    sets = canal_sets(parse_fdi(fdi))
    assert len(sets[0]) == commonest_count
    assert {len(canals) for canals in sets} == possible_counts


def test_names_that_do_not_belong_can_be_questioned() -> None:
    assert "distobuccal" not in possible_canals(parse_fdi(31))
    assert "distobuccal" in possible_canals(parse_fdi(16))
    assert "second mesiobuccal" in possible_canals(parse_fdi(26))
    assert "middle mesial" not in possible_canals(parse_fdi(26))


def test_every_canal_name_belongs_to_some_tooth() -> None:
    assert frozenset(Canal) == frozenset().union(*map(possible_canals, PERMANENT_TEETH))


@pytest.mark.parametrize(
    ("fdi", "named", "odd"),
    [
        (31, ["distobuccal"], ["distobuccal"]),
        (26, ["mesiobuccal", "second mesiobuccal", "distobuccal", "palatal"], []),
        (36, ["second mesiobuccal", "distal"], ["second mesiobuccal"]),
        (16, ["mesiobuccal", "lingual", "lingual"], ["lingual"]),  # above, it is palatal
        (46, ["mesiobuccal", "palatal"], ["palatal"]),
        (11, [], []),
    ],
)
def test_odd_canals_are_named_once(fdi: int, named: list[str], odd: list[str]) -> None:
    assert list(odd_canals(parse_fdi(fdi), named)) == odd


@pytest.mark.parametrize(
    ("fdi", "named", "clashing"),
    [
        (36, ["mesial", "mesiobuccal", "distal"], ["mesial", "mesiobuccal"]),
        (41, ["single", "lingual"], ["single", "lingual"]),
        (36, ["mesiobuccal", "mesiolingual"], []),  # the distal one is still to be said
        (36, ["palatal", "mesial"], []),  # odd, which is another question
        (16, ["mesiobuccal", "distobuccal", "palatal"], []),
    ],
)
def test_canals_that_exclude_one_another(
    fdi: int, named: list[str], clashing: list[str]
) -> None:
    assert list(clashing_canals(parse_fdi(fdi), named)) == clashing


@given(teeth, st.lists(st.sampled_from(Canal), unique=True, max_size=5))
def test_canals_pass_exactly_when_one_set_holds_them(tooth: Tooth, named: list[Canal]) -> None:
    odd, clash = odd_canals(tooth, named), clashing_canals(tooth, named)
    assert set(odd) == set(named) - possible_canals(tooth)
    held = any(set(named) <= set(canals) for canals in canal_sets(tooth))
    assert held == (not odd and not clash)
    assert not set(odd) & set(clash)


@pytest.mark.parametrize("tooth", PERMANENT_TEETH, ids=lambda t: str(t.fdi))
def test_no_handbook_set_is_questioned(tooth: Tooth) -> None:
    for canals in canal_sets(tooth):
        assert odd_canals(tooth, canals) == clashing_canals(tooth, canals) == ()
    assert not {0, 7} & {len(canals) for canals in canal_sets(tooth)}


def test_a_name_that_is_no_canal_is_refused() -> None:
    for check in (odd_canals, clashing_canals):
        with pytest.raises(ValueError, match="molar"):
            check(parse_fdi(16), ["molar"])


# Crown plus root in mm, Wheeler's Dental Anatomy (from memory): a handbook
# table that owes nothing to the one in the module. Central incisor first.
WHEELER_MM = {
    "upper": (23.5, 22.0, 27.0, 22.5, 22.5, 20.0, 18.5, 17.5),
    "lower": (21.5, 23.5, 27.0, 22.5, 22.5, 21.5, 20.0, 18.0),
}


@untimed
@given(teeth)
def test_lengths_match_a_second_handbook_within_the_spread(tooth: Tooth) -> None:
    wheeler_mm = WHEELER_MM[tooth.arch][tooth.position - 1]
    length = typical_length_mm(tooth)
    assert abs(length.mean_mm - wheeler_mm) <= 1.5 * max(length.sd_mm, MIN_SD_MM)
    assert length_plausible(tooth, wheeler_mm)


def test_mandibular_first_premolar_against_250_measured_teeth() -> None:
    # 22.48 +/- 1.74 mm, n = 250, Egyptian population, PMC4195450 (abstract).
    measured = NormalDist(22.48, 1.74)
    length = typical_length_mm(parse_fdi(34))
    assert abs(length.mean_mm - measured.mean) < measured.stdev
    assert length.least_mm < measured.mean < length.greatest_mm
    allowed = plausible_length_mm(parse_fdi(34))
    assert measured.cdf(allowed.high) - measured.cdf(allowed.low) > 0.99


@pytest.mark.parametrize("fdi", [14, 15, 34, 35])
def test_working_lengths_of_premolars_pass_unquestioned(fdi: int) -> None:
    # Kim et al., J Korean Acad Conserv Dent 35(6) (abstract): 95.4 % of premolar
    # working lengths under 22 mm, 66.5 % under 20 mm. The normal distribution
    # with these two quantiles stands for the patients.
    z_22, z_20 = NormalDist().inv_cdf(0.954), NormalDist().inv_cdf(0.665)
    sd_mm = (22 - 20) / (z_22 - z_20)
    patients = NormalDist(22 - z_22 * sd_mm, sd_mm)
    allowed = plausible_length_mm(parse_fdi(fdi))
    questioned = patients.cdf(allowed.low) + 1 - patients.cdf(allowed.high)
    assert questioned < 0.02


def test_range_to_deviation_is_the_d2_of_about_100_values() -> None:
    # Expected range of n normal values: integral of 1 - (1 - F)^n - F^n
    # (Tippett 1925; tabulated as d2 in quality control).
    n = 100
    cdf = NormalDist().cdf
    d2, _ = quad(lambda x: 1 - (1 - cdf(x)) ** n - cdf(x) ** n, -8, 8, limit=200)
    assert pytest.approx(d2, rel=0.02) == RANGE_IN_SD


@untimed
@given(teeth)
def test_canines_are_the_longest_and_extremes_enclose_the_mean(tooth: Tooth) -> None:
    # Any handbook of dental anatomy: the canine is the longest tooth of its arch.
    length = typical_length_mm(tooth)
    assert length.least_mm < length.mean_mm < length.greatest_mm
    assert length.sd_mm > 0
    canine = parse_fdi(13 if tooth.arch == "upper" else 43)
    assert tooth.kind == "canine" or length.mean_mm < typical_length_mm(canine).mean_mm


@untimed
@given(teeth, st.floats(0, 45))
def test_plausible_lengths_form_one_interval_around_the_mean(tooth: Tooth, wl: float) -> None:
    length = typical_length_mm(tooth)
    for nearer in np.linspace(wl, length.mean_mm, 5):
        assert length_plausible(tooth, float(nearer)) or not length_plausible(tooth, wl)


@pytest.mark.parametrize("tooth", PERMANENT_TEETH, ids=lambda t: str(t.fdi))
def test_the_extremes_of_the_table_are_not_questioned(tooth: Tooth) -> None:
    length = typical_length_mm(tooth)
    assert length_plausible(tooth, length.least_mm)
    assert length_plausible(tooth, length.greatest_mm)


@pytest.mark.parametrize("tooth", PERMANENT_TEETH, ids=lambda t: str(t.fdi))
def test_what_no_tooth_measures_is_implausible(tooth: Tooth) -> None:
    for wl_mm in (0, 8, 35, 80, -20, float("nan"), float("inf")):
        assert not length_plausible(tooth, wl_mm)


def test_the_same_length_can_suit_one_tooth_and_not_another() -> None:
    assert length_plausible(parse_fdi(13), 30)
    assert not length_plausible(parse_fdi(18), 30)
