"""The set-up of a case, prepared before it is begun: read, checked, entered, not asked."""

from __future__ import annotations

import re
from math import inf
from pathlib import Path

import pytest
from click.testing import CliRunner
from typical_case import HEAD, PROTOCOL, Driver

from assistant.canal.model import TaperSegment
from assistant.case.instrument_files import load_pluggers
from assistant.case.prepared import load_set_up, parse_set_up, rehearsed
from assistant.commandline.main import main
from assistant.errors import InputFileError
from assistant.progress import events as ev
from assistant.progress import heat_reckoning, reckoning
from assistant.progress import intents as it
from assistant.progress.state import CASE
from assistant.report.computed import computed, lines
from assistant.report.note import note
from assistant.report.note_text import as_text

WHOLE = """\
tooth: 24
every_canal:
  apex_locator_mm: no reading
  taper: 0.06
  post_planned: no
canals:
  buccal: {working_length_mm: 21, reference_point: buccal cusp, apical_size: 30,
    coronal_level_mm: 11}
  palatal:
    working_length_mm: 20.5
    reference_point: palatal cusp
    apical_size: 35
    coronal_level_mm: 10
sealer: invented sealer
heat_setting: 200 C
"""


ONCE = PROTOCOL.model_copy(
    update={
        "canal": tuple(
            step.model_copy(update={"once": "tooth"})
            if step.id in {"reference_point", "taper", "post"}
            else step
            for step in PROTOCOL.canal
        )
    }
)
"""Where one answer holds for the whole tooth. The shipped protocols ask for each canal."""


def begun(text: str = WHOLE) -> Driver:
    case = Driver(read_out=False)
    case.do(parse_set_up(text, PROTOCOL, "set-up").intent(PROTOCOL))
    return case


def values(case: Driver, track: str) -> list[object]:
    return [entry.value for entry in case.state.standing(track)]


def test_what_is_prepared_is_not_asked() -> None:
    case = begun()
    assert values(case, CASE) == [24, ("buccal", "palatal")]
    assert case.state.here.step == "dam", "nobody can prepare a rubber dam"
    case.choose("yes", "yes", "yes", "none_known")
    assert values(case, "buccal") == [21, "buccal_cusp", "no_reading", 30, 0.06, "no", 11]
    assert case.state.here.step == "shaped"
    case.do(it.SwitchCanal(canal="palatal"))
    prepared = [20.5, "palatal_cusp", "no_reading", 35, 0.06, "no", 10]
    assert values(case, "palatal") == prepared
    told = {n.condition.value: (n.text, n.channel) for n in case.state.conditions}
    assert told == {
        "sealer": ("invented sealer", "prepared"),
        "heat_setting": ("200 C", "prepared"),
    }


def test_each_value_is_an_entry_marked_as_prepared() -> None:
    case = begun()
    case.choose("yes", "yes", "yes", "none_known")
    made = [e.entry for e in case.events if isinstance(e, ev.EntryMade)]
    by_hand = {"rubber_dam", "tooth_quiet", "radiograph_available", "allergy_or_device"}
    channels = {e.heard.channel for e in made if e.quantity not in by_hand}
    assert channels == {"prepared"}


@pytest.mark.parametrize(("length", "questioned"), [(27, True), (21, False)])
def test_a_prepared_value_meets_the_rules_of_a_spoken_one(
    length: int, questioned: bool
) -> None:
    case = begun(WHOLE.replace("working_length_mm: 21", f"working_length_mm: {length}"))
    case.choose("yes", "yes", "yes", "none_known")
    assert (case.state.pending is not None) is questioned
    if questioned:
        case.choose("no")
        assert case.state.here.step == "working_length", "once turned down, it is asked"
        assert values(case, "buccal") == []


def test_a_caution_is_said_of_a_prepared_value() -> None:
    case = begun(WHOLE.replace("taper: 0.06", "taper: 0.04"))
    case.choose("yes", "yes", "yes", "none_known")
    assert [w.rule for w in case.state.warnings] == ["low-taper"]


def test_taken_back_it_is_asked_again() -> None:
    case = begun()
    case.choose("yes", "yes", "yes", "none_known")
    case.command("undo")
    assert case.state.here.step == "coronal_level"
    case.mm(10.0)
    assert case.state.here.step == "shaped"


def test_a_case_that_is_begun_takes_no_set_up() -> None:
    case = Driver(read_out=False)
    case.say("tooth", 24)
    case.do(parse_set_up(WHOLE, PROTOCOL, "set-up").intent(PROTOCOL))
    refused = case.events[-1]
    assert isinstance(refused, ev.Refused)
    assert refused.rejected.reason == "begun_already"
    assert not case.state.prepared


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        ("tooth: 24", "tooth: 54", 1, "tooth: 54 is no answer to: tooth"),
        ("taper: 0.06", "taper: 0.21", 4, "0.21 is no answer to: taper"),
        ("length_mm: 20.5", "length_mm: 35.1", 10, "35.1 is outside 8 to 35"),
        ("length_mm: 20.5", "length_mm: 7.9", 10, "7.9 is outside 8 to 35"),
        ("palatal cusp", "tip of the nose", 11, "tip_of_the_nose is no answer"),
        ("apical_size: 35", "apical_size: 36", 12, "36 is no answer to: final apical size"),
        ("apical_size: 35", "apical_size: thirty", 12, "thirty is no answer"),
        ("  palatal:", "  palatel:", 9, "no canal is called so"),
        ("sealer:", "glue:", 14, "glue"),
        ("apical_size: 35", "tugback: yes", 12, "cannot be prepared"),
    ],
)
def test_an_error_names_field_and_line(
    tmp_path: Path, old: str, new: str, line: int, said: str
) -> None:
    path = tmp_path / "set-up.yaml"
    path.write_text(WHOLE.replace(old, new, 1))
    with pytest.raises(InputFileError) as bad:
        load_set_up(path, PROTOCOL)
    assert f"{path} line {line}: " in str(bad.value)
    assert said.lower() in str(bad.value).lower()


@pytest.mark.parametrize("length", [8, 35])
def test_values_at_the_ends_of_their_range_can_be_prepared(length: int) -> None:
    text = WHOLE.replace("length_mm: 20.5", f"length_mm: {length}")
    set_up = parse_set_up(text, PROTOCOL, "set-up")
    state, _ = rehearsed(set_up, PROTOCOL, None)
    assert state.standing("palatal")[0].value == length


def test_what_is_asked_once_for_the_tooth_is_read_back_in_the_next_canal() -> None:
    case = Driver(read_out=False, protocol=ONCE).set_up(24, "buccal", "palatal")
    case.mm(21)
    case.choose("buccal_cusp", "no_reading")
    case.say("size", 30)
    case.say("taper", 0.06)
    case.choose("no")
    case.mm(10)
    case.do(it.SwitchCanal(canal="palatal"))
    case.mm(20.5)
    assert values(case, "palatal") == [20.5, "buccal_cusp"]
    case.choose("no_reading")
    case.say("size", 35)
    assert values(case, "palatal") == [20.5, "buccal_cusp", "no_reading", 35, 0.06, "no"]
    assert case.state.here.step == "coronal_level"
    assert case.state.entries[-1].heard.text == "as in the buccal canal"


def test_a_sentence_can_say_otherwise_before_it_is_taken() -> None:
    case = Driver(read_out=False, protocol=ONCE).set_up(24, "buccal", "palatal")
    case.mm(21)
    case.choose("buccal_cusp")
    case.do(it.SwitchCanal(canal="palatal"))
    length, cusp = it.Given(kind="mm", value=20.5), it.Chosen(option="palatal_cusp")
    case.do(it.Several(parts=(length, cusp)))
    assert values(case, "palatal") == [20.5, "palatal_cusp"]


def test_a_sentence_goes_past_what_need_not_be_asked() -> None:
    case = Driver(read_out=False, protocol=ONCE).set_up(24, "buccal", "palatal")
    case.mm(21)
    case.choose("buccal_cusp")
    case.do(it.SwitchCanal(canal="palatal"))
    length, located = it.Given(kind="mm", value=20.5), it.Given(kind="mm", value=20.6)
    case.do(it.Several(parts=(length, located)))
    assert values(case, "palatal") == [20.5, "buccal_cusp", 20.6]


def test_the_command_writes_checks_and_reads_back(tmp_path: Path) -> None:
    path = tmp_path / "s.yaml"
    said = ["--tooth", "24", "--canal", "buccal", "--set", "buccal.working_length_mm=21"]
    made = CliRunner().invoke(main, ["prepare", str(path), *said, "--set", "taper=0.04"])
    assert made.exit_code == 0, made.output
    assert "Buccal: Length 21. Taper .04." not in made.output, "a gap is asked in the case"
    assert "Buccal: Length 21." in made.output
    again = CliRunner().invoke(main, ["prepare", str(path)])
    assert again.exit_code == 0
    assert "Tooth 24, upper left first premolar. Canals buccal." in again.output
    over = CliRunner().invoke(main, ["prepare", str(path), "--tooth", "25"])
    assert over.exit_code == InputFileError.exit_code
    assert "there already" in over.stderr


def test_run_reads_the_set_up_back_and_asks_for_the_rest(tmp_path: Path) -> None:
    set_up = tmp_path / "s.yaml"
    set_up.write_text(WHOLE)
    command = ["run", "--typed", "--case", str(tmp_path / "c"), "--prepared", str(set_up)]
    sitting = CliRunner().invoke(main, command, input="yes\nyes\nyes\nnone\nwhere are we\n")
    assert sitting.exit_code == 0, sitting.output
    for said in (
        "Sealer invented sealer.",
        "Tooth 24, upper left first premolar.",
        "Length 21.",
        "Coronal level 11.",
        "Shaped and irrigated?",
    ):
        assert said in sitting.output
    assert "working length?" not in sitting.output.lower()
    twice = CliRunner().invoke(main, command)
    assert twice.exit_code == InputFileError.exit_code
    assert "begun already" in twice.stderr


KNOWN = """\
tooth: 11
canals:
  single: {working_length_mm: 21, reference_point: incisal edge, apex_locator_mm: 21,
    apical_size: 30, taper: 0.06,
    apical_part_mm: 4, apical_taper: 0.1, curve_begins_mm: 12, curve_radius_mm: 8,
    root_wall_mm: 0.6, post_planned: no, coronal_level_mm: 10}
"""
PLAIN = re.sub(r"    apical_part_mm.*\n    root_wall_mm: 0.6, ", "    ", KNOWN)


def as_far_as_the_first_heat(text: str) -> Driver:
    case = begun(text)
    case.state = case.state.model_copy(update={"instruments": load_pluggers("example")})
    case.choose("yes", "yes", "yes", "none_known", "yes")
    case.cone(21.0)
    case.choose("yes", "accepted")
    case.mm(10.0, 13.0, 16.0, 16.0)
    case.canal_to_sear(21.0)
    return case


def test_what_a_set_up_tells_of_a_canal_is_used_and_nothing_more_is_asked() -> None:
    told, plain = as_far_as_the_first_heat(KNOWN), as_far_as_the_first_heat(PLAIN)
    reached = [
        [e.step for e in case.events if isinstance(e, ev.StepReached)] for case in (told, plain)
    ]
    extra = {"apical_part", "apical_taper", "curve_begins", "curve_radius", "root_wall"}
    assert [step for step in reached[0] if step not in extra] == reached[1]
    assert not any(step in extra for step in reached[1])
    assert not plain.state.skipped
    shape = reckoning.shape(told.state, "single")
    assert shape is not None
    assert shape.segments == (TaperSegment(4.0, 0.1), TaperSegment(inf, 0.06))
    assert (shape.curve_begins_mm, shape.curve_radius_mm) == (12.0, 8.0)
    for case in (told, plain):
        case.heat(3.0)
        case.press()
        case.mm(13.5, 13.5)
    heat, thick = (heat_reckoning.heat(case.state, "single") for case in (told, plain))
    assert heat is not None and thick is not None
    assert heat.surface_rise_c.high > thick.surface_rise_c.high, "a thinner wall"
    plans = [reckoning.backfill(case.state, "single") for case in (told, plain)]
    assert plans[0] is not None and plans[1] is not None
    volumes = [sum(one.volume_mm3 for one in plan.increments) for plan in plans if plan]
    assert volumes[0] > volumes[1], "a wider canal takes more"
    fits = [reckoning.thinnest_binds_mm(case.state, "single") for case in (told, plain)]
    assert fits[0] is not None and fits[1] is not None and fits[0][1] != fits[1][1]
    page = "\n".join(lines(computed(told.state, "single")))
    assert "a root wall 0.6 mm thick" in page
    assert (
        "taper 0.1 in the last 4 mm, taper 0.06, curved from 12 mm with a radius of 8" in page
    )
    rows = as_text(note(told.state, HEAD))
    for title in ("Wall of the root", "Beginning of the curve", "Taper of the apical part"):
        assert title in rows and title not in as_text(note(plain.state, HEAD))
