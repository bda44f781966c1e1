"""Practice: drawn cases, what is seen in them, simulated operators, score, history.

Every case is invented. Scripts are replayed here line by line through ``understand_typed``
and ``decide``, on a clock of this file, not by the trial run that wrote them.
"""

from __future__ import annotations

import json
from copy import copy
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import get_args

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from typical_case import PROTOCOL, Driver

from assistant.canal import teeth
from assistant.canal.instruments import taper_label
from assistant.canal.lengths import depth_limit_mm, readings_agree
from assistant.canal.points import iso_point
from assistant.case.casefile import CaseFile
from assistant.commandline.main import main
from assistant.errors import InputFileError, RecordDamaged, UserError
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.practice.findings import findings, sight
from assistant.practice.folder import (
    Exercise,
    apart,
    load_exercise,
    practice_folder,
    runs,
    save_exercise,
    score_folder,
)
from assistant.practice.history import plot, table, weeks
from assistant.practice.scenario import INVENTED, NEEDS, Level, Scenario, draw
from assistant.practice.score import Score, score
from assistant.practice.screen import FindingsScreen
from assistant.practice.script import MISTAKES, Mistake, write_script
from assistant.practice.sheet import exercise_sheet, score_sheet
from assistant.practice.texts import texts
from assistant.progress import intents as it
from assistant.protocol.expect import Measure
from assistant.protocol.model import Protocol
from assistant.protocol.roles import Role
from assistant.sitting.assembly import language
from assistant.sitting.rehearsal import Line
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of
from assistant.words.understand import understand_typed

POST_LEVEL = load_yaml(protocol_path("to-post-level"), Protocol)
WORDS = language()
LEVELS: tuple[Level, ...] = get_args(Level)


def typed(case: Driver, line: str, after_s: float = 2.0) -> None:
    case.do(understand_typed(line, grammar_of(WORDS, wanted_now(case.state))), after_s)
    pending = case.state.pending
    if pending is not None and pending.quantity != "signature":
        case.do(it.Command(verb="confirm"))


def play(
    scenario: Scenario, protocol: Protocol = PROTOCOL, mistakes: tuple[Mistake, ...] = ()
) -> Driver:
    """The simulated operator's script, replayed."""
    script = write_script(scenario, protocol, WORDS, mistakes=mistakes)
    case = Driver(script.operator, demo=True, code=script.case_code, protocol=protocol)
    for line in script.lines:
        follow(case, line)
    return case


def follow(case: Driver, line: Line) -> None:
    """Say a line when it is to be said; "heat off" counts as late as when heard."""
    timer = case.state.timer
    if line.wait_for_timer:
        case.wait_out()
    late_s = 0.3 if timer and timer.mode == "until_off" else 0.0
    typed(case, line.say, 2.0 if line.after_s is None else line.after_s + late_s)


def forked(case: Driver) -> Driver:
    """The same case, to be driven on by itself."""
    other = copy(case)
    other.events = list(case.events)
    return other


@cache
def one_canal(*mistakes: Mistake) -> tuple[Scenario, Driver]:
    """A tooth with one canal, filled by the simulated operator; do not drive it on."""
    scenario = draw(1, 1, PROTOCOL)
    assert len(scenario.canals) == 1
    return scenario, play(scenario, mistakes=mistakes)


def bad(found: Score) -> set[str]:
    return {c.id for c in found.criteria if c.good < c.of}


# -- the drawn case -----------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from(LEVELS), st.sampled_from([PROTOCOL, POST_LEVEL]))
def test_a_drawn_case_can_be(seed: int, level: Level, protocol: Protocol) -> None:
    case = draw(seed, level, protocol)
    assert case == draw(seed, level, protocol)
    assert case.code.startswith("PRACTICE-") and case.invented == INVENTED
    tooth = teeth.parse_fdi(case.tooth)
    assert tuple(c.name for c in case.canals) in teeth.canal_sets(tooth)
    asked = {step.role for step in protocol.canal}
    for canal in case.canals:
        for length in (canal.true_length_mm, canal.provisional_mm):
            assert teeth.length_plausible(tooth, length)
        limit = depth_limit_mm(canal.provisional_mm, protocol.limit("short_of_wl_mm"))
        coronal, middle, apical = canal.free_mm
        assert 2 <= canal.orifice_mm <= coronal <= middle <= limit <= apical
        assert (apical > limit) == ("deep_plugger" in canal.traps)
        for cone in canal.cones:
            iso_point(cone.size, cone.taper)
        assert canal.cones[-1].contact == "tip" and canal.dryness[-1] == "dry"
        # In the end as many readings agree as the protocol wants, stray ones or not.
        wanted = int(protocol.limit("readings_min"))
        agree = protocol.limit("readings_agree_mm")
        assert readings_agree(canal.readings_mm[-wanted:], agree) or "stray_reading" in (
            canal.traps
        )
        assert readings_agree(canal.readings_mm, agree) == ("stray_reading" not in canal.traps)
        assert all(NEEDS[trap] in asked for trap in canal.traps)
    traps = [trap for canal in case.canals for trap in canal.traps]
    assert (len(traps) == 0) if level == 1 else (len(traps) >= 1)


def test_seeds_and_levels_differ() -> None:
    drawn = [draw(seed, 2, PROTOCOL) for seed in range(20)]
    assert len({case.model_dump_json() for case in drawn}) == 20
    every = {t for n in range(40) for c in draw(n, 3, PROTOCOL).canals for t in c.traps}
    assert every == set(NEEDS)


# -- what is seen -------------------------------------------------------------


def trapped(trap: str, protocol: Protocol = PROTOCOL) -> Scenario:
    """The first case of level 2 whose first canal has this trap."""
    cases = (draw(seed, 2, protocol) for seed in range(200))
    return next(c for c in cases if trap in c.canals[0].traps)


def until(case: Driver, scenario: Scenario, step: str) -> None:
    """Have the simulated operator's lines said until a step is asked."""
    script = write_script(scenario, case.state.protocol, WORDS)
    for line in script.lines:
        if case.state.step and case.state.step.id == step:
            return
        follow(case, line)
    raise AssertionError(step)


def seen(scenario: Scenario, case: Driver) -> str:
    found = findings(scenario, case.state)
    assert found is not None
    return found


def test_a_bleeding_canal_bleeds_once() -> None:
    scenario = trapped("bleeding")
    case = Driver()
    until(case, scenario, "dry")
    # Its tip is where a length is read; blood comes from the wall or shows all along.
    assert "red along its side" in seen(scenario, case)
    before = case.state
    assert seen(scenario, case) == seen(scenario, case) and case.state == before
    typed(case, "bleeding")
    assert "comes out dry" in seen(scenario, case)


def test_a_cone_that_binds_is_followed_by_one_that_fits() -> None:
    scenario = trapped("cone_short")
    first, second = scenario.canals[0].cones
    case = Driver()
    until(case, scenario, "cone_length")
    assert f"no further than {first.length_mm:g}" in seen(scenario, case)
    typed(case, f"{first.length_mm:g}")
    typed(case, "contact high up")
    assert taper_label(second.taper) in seen(scenario, case)
    # By geometry: held at the mouth, where a cone of the canal's size and more taper is as
    # thick as the canal once its tip is so far down.
    canal = scenario.canals[0]
    share = canal.taper / first.taper
    assert first.size == second.size and share < 1
    assert first.length_mm - canal.orifice_mm == pytest.approx(
        share * (canal.provisional_mm - canal.orifice_mm), abs=0.05
    )


def test_the_carrier_sinks_with_the_seconds_of_heat_as_far_as_its_marker() -> None:
    scenario = draw(1, 1, PROTOCOL)
    canal = scenario.canals[0]
    depths = []
    start = Driver()
    until(start, scenario, "heat")
    assert f"{canal.sinks_mm_s:g} mm a second" in seen(scenario, start)
    for heat_s in (0.5, 1.5, 2.5, 20.0):
        case = forked(start)
        case.heat(heat_s)
        case.press()
        if case.state.open_warnings(canal.name):
            case.command("keep")
        found = sight(scenario, case.state)
        assert found is not None
        depths.append(found.accepts[0])
    marker = case.state.last(canal.name, Role.HEAT_FIT)
    assert marker is not None and depths[-1] == marker.value
    assert depths == sorted(depths) and len(set(depths)) == 4


def test_a_mass_that_gives_way_leaves_the_depth_to_the_learner() -> None:
    scenario = trapped("deep_plugger")
    case = Driver()
    until(case, scenario, "plugger_apical")
    found = sight(scenario, case.state)
    assert found is not None and found.key == "plugger_free" and not found.accepts


def test_a_finding_is_shown_once_and_again_for_the_next_point() -> None:
    scenario = draw(1, 1, PROTOCOL)
    same = scenario.canals[0].model_copy(update={"readings_mm": (20.0,)})
    scenario = scenario.model_copy(update={"canals": (same, *scenario.canals[1:])})
    shown: list[str] = []
    screen = FindingsScreen(scenario, shown.append)
    case = Driver()
    until(case, scenario, "paper_point")
    for _ in range(2):
        screen.show_step(case.state)
        screen.show_step(case.state)
        typed(case, "20")
    assert shown == ["   You see: the paper point is dry to 20 mm, wet from there on."] * 2


# -- the simulated operator ---------------------------------------------------


@pytest.mark.parametrize("protocol", [PROTOCOL, POST_LEVEL], ids=lambda p: p.id)
@pytest.mark.parametrize("level", LEVELS)
def test_scripts_reach_the_signature_without_fault(level: Level, protocol: Protocol) -> None:
    for seed in range(1 if level == 3 or protocol is POST_LEVEL else 2):
        scenario = draw(seed, level, protocol)
        case = play(scenario, protocol)
        assert case.state.signed is not None and case.state.demo
        assert not case.state.rejected  # nothing was said that had to be asked again
        found = score(case.events, scenario)
        assert not bad(found) and found.overall == 100
        assert found.work_on == (texts().all_good,)
        assert all(trap.met and trap.passed for trap in found.traps)


COSTS: dict[Mistake, set[str]] = {
    "short_press": {"presses"},
    "long_heat": {"heat"},
    "deep_plugger": {"depths"},
    "deep_kept": {"depths", "downpack", "measurements"},
    "large_increment": {"increments"},
    "misread": {"measurements"},
    "skipped": {"order"},
    "out_of_turn": {"order"},
    "gone_back": set(),
}
"""What each mistake costs. A plugger kept too deep is also not what the plugger did."""


@pytest.mark.parametrize("mistake", MISTAKES)
def test_each_mistake_costs_what_it_is(mistake: Mistake) -> None:
    scenario, case = one_canal(mistake)
    found = score(case.events, scenario)
    assert case.state.signed is not None and bad(found) == COSTS[mistake]
    counts = found.counts
    told = {
        "short_press": (counts["presses_cut_short"], counts["presses_repeated"]) == (1, 1),
        "deep_plugger": (counts["depths_corrected"], counts["depths_kept"]) == (1, 0),
        "deep_kept": (counts["depths_corrected"], counts["depths_kept"]) == (0, 1),
        "skipped": counts["skipped"] == 1,
        "out_of_turn": counts["out_of_turn"] == 1,
        "gone_back": counts["gone_back"] == 1,
        "misread": [m.error_mm for m in found.measurements if not m.right] == [-1.0],
    }
    assert told.get(mistake, True)


def test_a_protocol_that_cannot_be_answered_is_said() -> None:
    step = PROTOCOL.by_id["reference_point"]
    beyond = Measure(kind="measure", quantity="reach_mm", min_mm=33, max_mm=35)
    strange = step.model_copy(update={"role": None, "expect": beyond, "options": ()})
    canal = tuple(strange if s.id == step.id else s for s in PROTOCOL.canal)
    protocol = PROTOCOL.model_copy(update={"canal": canal})
    with pytest.raises(InputFileError, match="Reference point"):
        write_script(draw(1, 1, protocol), protocol, WORDS)


# -- the score ----------------------------------------------------------------


def test_the_overall_figure_is_the_plain_mean() -> None:
    scenario, case = one_canal("misread")
    found = score(case.events, scenario)
    shares = [c.good / c.of for c in found.criteria if c.of]
    assert found.overall == pytest.approx(100 * sum(shares) / len(shares), abs=0.1)
    worst = min(found.criteria, key=lambda c: 1.0 if c.fraction is None else c.fraction)
    assert found.work_on[0].startswith(f"{worst.of - worst.good} of {worst.of}")


def test_every_beginning_of_a_case_can_be_scored() -> None:
    scenario, case = one_canal("deep_kept")
    events = case.events
    last = 0
    for end in range(1, len(events) + 1, 37):
        found = score(events[:end], scenario)
        assert not found.finished and found.overall is None
        assert texts().not_finished in found.work_on
        assert all(0 <= c.good <= c.of for c in found.criteria)
        order = next(c for c in found.criteria if c.id == "order")
        assert order.of >= last
        last = order.of
    assert score(events, scenario).finished
    with pytest.raises(ValueError, match="open"):
        score(events[1:], scenario)


def test_a_misread_value_that_was_corrected_counts_as_read() -> None:
    scenario = draw(1, 1, PROTOCOL)
    case = Driver()
    until(case, scenario, "working_length")
    typed(case, "19.3")
    assert bad(score(case.events, scenario)) == {"measurements"}
    typed(case, f"correction {scenario.canals[0].provisional_mm:g}")
    found = score(case.events, scenario)
    assert not bad(found) and found.counts["corrections"] == 1


def test_a_limit_that_moved_is_no_fault_until_it_is_ignored() -> None:
    """A final length shorter than the chart's leaves the fitted depths past the limit."""
    scenario = draw(1, 1, PROTOCOL)
    start = Driver()
    until(start, scenario, "final_length")
    for answer, faults in (("correction 15.0", set()), ("keep it", {"depths"})):
        case = forked(start)
        typed(case, f"{scenario.canals[0].true_length_mm - 0.3:g}")
        assert case.state.open_warnings(case.state.active)
        while case.state.open_warnings(case.state.active):
            typed(case, answer)
        assert bad(score(case.events, scenario)) == faults


def test_an_answer_that_was_not_seen() -> None:
    scenario = trapped("bleeding")
    case = Driver()
    until(case, scenario, "dry")
    typed(case, "canal is dry")
    found = score(case.events, scenario)
    assert bad(found) == {"observations"}
    assert [(t.met, t.passed) for t in found.traps] == [(True, False)]


def test_sheets_say_that_all_is_invented() -> None:
    molar = draw(2, 3, PROTOCOL)
    sheet = exercise_sheet(molar)
    assert INVENTED in sheet
    for canal in molar.canals:
        assert all(f"{reading:g}" in sheet for reading in canal.readings_mm)
    scenario, case = one_canal("misread")
    found = score(case.events, scenario)
    shown = score_sheet(found)
    assert INVENTED in shown and "not the filling" in shown
    assert "cone_length_mm: said" in shown and found.work_on[0] in shown


# -- folders and history ------------------------------------------------------


def test_practice_is_kept_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cases = tmp_path / "cases"
    for ours in (cases, cases / "practice", tmp_path):
        with pytest.raises(UserError, match="mixed"):
            apart(ours, cases)
    monkeypatch.setenv("FILLWARM_PRACTICE", str(cases / "x"))
    with pytest.raises(UserError, match="FILLWARM_PRACTICE"):
        practice_folder(cases)
    monkeypatch.setenv("FILLWARM_PRACTICE", str(tmp_path / "practice"))
    assert practice_folder(cases) == tmp_path / "practice"
    with pytest.raises(InputFileError, match="not a practice case"):
        load_exercise(tmp_path)


def test_a_folder_is_scored_from_its_journal(tmp_path: Path) -> None:
    scenario = draw(1, 1, PROTOCOL)
    folder = tmp_path / "one"
    save_exercise(folder, Exercise(scenario=scenario))
    assert load_exercise(folder).scenario == scenario
    now = Driver().now()
    case = CaseFile.create(
        folder, PROTOCOL, now, case_code=scenario.code, operator="Learner", demo=True
    )
    case.take(it.Given(kind="tooth", value=scenario.tooth), now)
    case.close()
    assert [found for _, found in runs(tmp_path)] == [None]
    found = score_folder(folder)
    assert (found.seed, found.measurements[0].right) == (1, True)
    assert [one for _, one in runs(tmp_path)] == [found]
    (folder / "scenario.json").write_text("{}")
    with pytest.raises(InputFileError, match="damaged"):
        load_exercise(folder)
    journal = folder / "journal.jsonl"
    save_exercise(folder, Exercise(scenario=scenario))
    journal.write_text(journal.read_text().replace("Learner", "Lerner"))
    with pytest.raises(RecordDamaged):
        score_folder(folder)


def practised() -> list[Score]:
    """Two weeks of a learner, and a simulated run."""
    scenario, case = one_canal()
    good = score(case.events, scenario)
    poor = score(one_canal("deep_kept")[1].events, scenario)
    start = datetime(2026, 3, 2, 9, tzinfo=UTC)  # a Monday
    return [
        good.model_copy(update={"began": start + timedelta(days=8)}),
        poor.model_copy(update={"began": start}),
        poor.model_copy(update={"began": start + timedelta(days=6), "overall": None}),
        good.model_copy(update={"began": start, "operator": "simulated"}),
    ]


def test_history_by_week(tmp_path: Path) -> None:
    scores = practised()
    first, second = weeks(scores)
    assert (first.week, first.cases, first.finished) == ("2026-W10", 2, 1)
    assert (second.week, second.cases, second.overall) == ("2026-W11", 1, 100)
    presses = [c for s in scores[1:3] for c in s.criteria if c.id == "presses"]
    assert first.criteria["presses"].of == sum(c.of for c in presses)
    assert str(first.criteria["presses"]) in table([first, second]).splitlines()[1]
    plot(scores, tmp_path / "a.png")
    from matplotlib.image import imread

    plot([], tmp_path / "empty.png")
    drawn, empty = imread(tmp_path / "a.png"), imread(tmp_path / "empty.png")
    assert (drawn[..., :3] < 0.9).sum() > 1.2 * (empty[..., :3] < 0.9).sum()
    with pytest.raises(UserError, match="png"):
        plot(scores, tmp_path / "a.txt")


def test_the_commands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FILLWARM_PRACTICE", str(tmp_path / "practice"))
    monkeypatch.setenv("FILLWARM_CASES", str(tmp_path / "cases"))
    command = CliRunner()
    tooth = draw(3, 2, PROTOCOL).tooth
    begun = command.invoke(
        main, ["practice", "--seed", "3", "--level", "2", "--typed"], input=f"{tooth}\n"
    )
    assert begun.exit_code == 0, begun.output
    assert "PRACTICE-S3-L2" in begun.output and "You see: canal orifices" in begun.output
    assert INVENTED in begun.output and not (tmp_path / "cases").exists()
    (folder,) = (tmp_path / "practice").iterdir()
    assert f"fillwarm practice --case {folder}" in begun.output
    assert "INVENTED" in (folder / "exercise.txt").read_text()
    assert json.loads((folder / "record.json").read_text())
    again = command.invoke(
        main, ["practice", "--case", str(folder), "--typed"], input="single\n"
    )
    assert again.exit_code == 0, again.output
    scored = command.invoke(main, ["practice-score", str(folder), "--json"])
    found = json.loads(scored.output)
    assert (found["seed"], found["level"], found["finished"]) == (3, 2, False)
    listed = command.invoke(main, ["practice-history", "--json"])
    shown = json.loads(listed.output)
    assert [case["case_code"] for case in shown["cases"]] == ["PRACTICE-S3-L2"]
    assert shown["weeks"][0]["cases"] == 1
    for wrong in (["--mistakes", "misread"], ["--operator", "simulated", "--typed"]):
        assert command.invoke(main, ["practice", *wrong]).exit_code == 2
    missing = command.invoke(main, ["practice-score", str(tmp_path)])
    assert missing.exit_code == 3 and "Traceback" not in missing.output
