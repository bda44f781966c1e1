"""Looking back: the timeline of one case and the statistics of many, by their own sums."""

from __future__ import annotations

import json
import math
import shutil
import statistics as by_python
from collections import Counter, defaultdict
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from pypdf import PdfReader
from typical_case import START, Driver, barely_started, many_warnings, molar, two_canals

from assistant.commandline.main import main
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.state import CASE
from assistant.record.journal import Journal
from assistant.review import statistics_plot, statistics_text, timeline_plot, timeline_text
from assistant.review.case_facts import CaseFacts, facts_of
from assistant.review.statistics import Summary, share, spread, summarise
from assistant.review.timeline import (
    Timeline,
    elapsed,
    step_seconds,
    timeline,
    visit_seconds,
)

HEARD = it.Heard(text="as said", confidence=0.9, channel="voice")
DOUBTED = it.Heard(text="twenty", confidence=0.4, doubt="Heard faintly.", channel="voice")


def course_of(case: Driver) -> Timeline:
    return timeline(case.events)


def two_begun() -> Driver:
    return Driver().set_up(24, "buccal", "palatal")


def switch(case: Driver, canal: str, after_s: float) -> None:
    case.do(it.SwitchCanal(canal=canal, heard=HEARD), after_s)


# -- the timeline -------------------------------------------------------------


def test_canals_that_interleave_keep_their_own_time() -> None:
    case = two_begun()  # five steps of one second each, then the first canal
    switch(case, "palatal", 10.0)
    case.command("where", after_s=20.0)
    switch(case, "buccal", 5.0)
    case.command("pause", after_s=2.0)
    case.command("resume", after_s=300.0)
    case.mm(21.0)  # one second more
    assert step_seconds(course_of(case)) == pytest.approx(
        {
            (CASE, "tooth"): 1,
            (CASE, "canals"): 1,
            (CASE, "dam"): 1,
            (CASE, "quiet_tooth"): 1,
            (CASE, "radiograph_ready"): 1,
            (CASE, "patient_risks"): 1,
            ("buccal", "working_length"): 10 + 2 + 1,
            ("palatal", "working_length"): 25,
        }
    )


ACTS = st.tuples(
    st.sampled_from(["wait", "pause", "palatal", "buccal", "restart", "value", "back", "undo"]),
    st.floats(0.1, 5000.0),
)


@settings(max_examples=40, deadline=None)
@given(st.lists(ACTS, max_size=12))
def test_every_second_is_counted_once(acts: list[tuple[str, float]]) -> None:
    case = two_begun()
    paused = closed = 0.0
    for act, seconds in acts:
        begun = case.elapsed_s
        match act:
            case "pause":
                case.command("pause", "resume", after_s=seconds)
                paused += case.elapsed_s - begun - round(seconds, 3)
            case "restart":
                case.do(it.Reopen(note="Nothing was lost."), seconds)
                closed += case.elapsed_s - begun
            case "palatal" | "buccal":
                switch(case, act, seconds)
            case "value":
                case.elapsed_s += seconds
                case.mm(21.0)
            case "back" | "undo":
                case.command(act, after_s=seconds)
            case _:
                case.command("where", after_s=seconds)
    course = course_of(case)
    away = defaultdict[str, float](float)
    for gone in course.away:
        away[gone.kind] += gone.to_s - gone.from_s
    assert away["pause"] == pytest.approx(paused, abs=0.01)
    assert away["closed"] == pytest.approx(closed, abs=0.01)
    assert course.worked_s + sum(away.values()) == pytest.approx(course.ended_s, abs=0.01)
    every: list[Any] = [*course.spans, *course.away]
    pieces = sorted(every, key=lambda one: one.from_s)
    assert all(one.to_s <= next_.from_s for one, next_ in pairwise(pieces))
    assert all(one.from_s < one.to_s for one in pieces)
    # A stretch at one step is one span, however much was said meanwhile.
    for span, after in pairwise(course.spans):
        same = (span.track, span.step, span.round) == (after.track, after.step, after.round)
        assert not (same and span.to_s == after.from_s)


def test_presses_and_heat_have_their_seconds_and_the_protocols() -> None:
    acts = [o for o in course_of(two_canals()).happenings if o.kind in {"press", "heat"}]
    buccal = [(o.kind, o.held_s, o.planned_s, o.standing) for o in acts if o.track == "buccal"]
    assert buccal == [
        ("heat", 3.0, 4.0, "standing"),
        ("press", 5.0, 5.0, "standing"),
        ("heat", 3.2, 4.0, "standing"),
        ("press", 15.0, 15.0, "standing"),  # the last cycle's
        ("press", 3.1, 5.0, "replaced"),
        ("press", 5.0, 5.0, "standing"),
        ("press", 3.1, 5.0, "replaced"),
        ("press", 5.0, 5.0, "standing"),
    ]


def test_warnings_are_told_with_their_answer_and_corrections_with_the_old_value() -> None:
    case = two_canals()
    course = course_of(case)
    warnings = [o for o in course.happenings if o.kind == "warning"]
    assert [(o.rule, o.answer) for o in warnings] == [
        (w.rule, w.answer) for w in case.state.warnings
    ]
    depth = next(o for o in warnings if o.rule == "depth-limit")
    assert depth.answered_s == pytest.approx(depth.at_s + 1.0)
    assert "Answer after 1 s: replaced by entry" in depth.text
    corrected = [o for o in course.happenings if o.kind == "correction"]
    assert [o.text for o in corrected] == [
        "16 mm [d], in place of 17 mm",
        "15.5 mm [d], in place of 16.5 mm",
    ]


def test_all_kinds_of_happenings_come_with_their_place() -> None:
    case = two_begun()
    case.do(it.Unclear(reason="no phrase", heard=it.Heard(text="mumble")))
    case.do(it.Given(kind="mm", value=21.0, heard=DOUBTED))
    case.command("confirm", "undo")
    case.mm(21.0)
    case.skip("chipped cusp")
    case.command("start", "where", "pause", "resume")
    case.do(it.Trouble(text="Microphone lost; type."))
    case.do(it.WhoSpeaks(who="chairside", heard=HEARD))
    case.do(it.Reopen(note="Nothing was lost."), 60.0)
    switch(case, "palatal", 1.0)
    found = [(o.kind, o.track, o.step) for o in course_of(case).happenings][8:]
    length, located = ("buccal", "working_length"), ("buccal", "apex_locator")
    assert found == [
        ("not_understood", *length),
        ("question", *length),
        ("value", *length),
        ("undone", *length),
        ("back", *length),
        ("value", *length),
        ("warning", "buccal", "reference_point"),
        ("skip", "buccal", "reference_point"),
        ("refused", *located),
        ("asked", *located),
        ("pause", *located),
        ("resume", *located),
        ("trouble", *located),
        ("speaker", *located),
        ("interruption", *located),
        ("canal", "palatal", None),
    ]


def test_heat_that_a_restart_ended_has_no_seconds() -> None:
    case = two_begun()
    case.canal_to_pluggers(21.0)
    case.canal_to_sear(21.0)
    case.command("start")
    case.do(it.Reopen(note="Nothing was lost."), 900.0)
    course = course_of(case)
    heat = next(o for o in course.happenings if o.kind == "heat")
    assert (heat.held_s, heat.planned_s, heat.step) == (None, 4.0, "heat")
    assert facts_of(course).acts == ()


def test_a_clock_that_is_set_back_stands_still() -> None:
    case = two_begun()
    case.elapsed_s -= 4.0
    case.mm(21.0)  # at three seconds, by the clock
    case.elapsed_s += 10.0
    case.choose("buccal_cusp")
    course = course_of(case)
    times = [one.at_s for one in course.happenings]
    assert times == sorted(times)
    assert course.ended_s == pytest.approx(14.0)
    assert step_seconds(course)["buccal", "reference_point"] == pytest.approx(8.0)


def test_no_time_runs_after_the_signature() -> None:
    case = Driver().set_up(11, "single")
    case.canal(21.0, 2.5, 3.0)
    case.finish()
    signed_s = case.elapsed_s
    case.do(it.Append(text="seen again", by="Operator A"), 86_400.0)
    course = course_of(case)
    assert course.worked_s == pytest.approx(signed_s)
    assert [(a.kind, a.to_s - a.from_s) for a in course.away] == [("signed", 86_400.0)]
    assert course.happenings[-1].kind == "addendum"


def test_a_journal_that_does_not_open_a_case() -> None:
    with pytest.raises(ValueError, match="must open"):
        timeline([])
    with pytest.raises(ValueError, match="must open"):
        timeline(two_canals().events[1:])


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0:00"), (59.9, "0:59"), (3599, "59:59"), (3661, "1:01:01")]
)
def test_elapsed(seconds: float, text: str) -> None:
    assert elapsed(seconds) == text


@pytest.mark.parametrize("case", [two_canals(), molar(), barely_started(), many_warnings(20)])
def test_text_and_json_of_a_timeline(case: Driver) -> None:
    course = course_of(case)
    lines = timeline_text.as_lines(course)
    assert max(map(len, lines)) <= timeline_text.COLUMNS
    assert sum("WARNING" in line for line in lines) == len(case.state.warnings)
    data = json.loads(json.dumps(timeline_text.as_json(course), allow_nan=False))
    assert len(data["moments"]) == len(course.happenings)
    summed = sum(one["seconds"] for one in data["step_seconds"])
    assert summed == pytest.approx(data["worked_s"], abs=0.1)


def test_what_was_dictated_cannot_break_a_line() -> None:
    case = Driver("Operator\nA\x1b[2J", code="x\r\ny").set_up(11, "single")
    case.skip("because\nof \x07 this")
    text = "\n".join(timeline_text.as_lines(course_of(case)))
    assert not set(text) & {"\r", "\x1b", "\x07"}


# -- its picture --------------------------------------------------------------


def lettering(figure: Figure) -> list[str]:
    found: list[Any] = figure.findobj(match=is_text)
    return [text.get_text() for text in found]


def is_text(artist: object) -> bool:
    return type(artist).__name__ in {"Text", "Annotation"}


def assert_on_the_page(figure: Figure) -> None:
    """Nothing drawn beyond the edges, to a hundredth of an inch."""
    drawn = figure.get_tightbbox(FigureCanvasAgg(figure).get_renderer())  # type: ignore[no-untyped-call]
    width, height = figure.get_size_inches()
    assert drawn.x0 >= -0.01 and drawn.y0 >= -0.01
    assert drawn.x1 <= width + 0.01 and drawn.y1 <= height + 0.01


@pytest.mark.parametrize("case", [molar(), barely_started(), many_warnings(20)])
def test_the_picture_fits_its_page(case: Driver) -> None:
    figure = timeline_plot.draw(course_of(case))
    assert tuple(figure.get_size_inches()) == pytest.approx((11.69, 8.27))
    assert_on_the_page(figure)
    shown = lettering(figure)
    assert f"Warnings: {len(case.state.warnings) or 'none'}" in shown
    for canal in case.state.canals:
        assert canal.name.capitalize() in shown


def test_the_picture_shows_seconds_and_warnings_and_is_the_same_each_time() -> None:
    course = course_of(two_canals())
    shown = Counter(lettering(timeline_plot.draw(course)))
    assert shown["3.1!"] == 4 and shown["5"] >= 8 and shown["3.2"] == 2
    assert all(str(n) in shown for n in range(1, len(course.state.warnings) + 1))
    pdf = timeline_plot.as_picture(course, "pdf")
    assert pdf == timeline_plot.as_picture(course_of(two_canals()), "pdf")
    page = PdfReader(BytesIO(pdf)).pages[0].mediabox
    assert (float(page.width) / 72, float(page.height) / 72) == pytest.approx(
        (11.69, 8.27), abs=0.01
    )
    grey = ("0.", "black", "white", "none")
    source = Path(timeline_plot.__file__).read_text(encoding="utf-8")
    colours = [part.split('"')[1] for part in source.split("color=")[1:] if part[0] == '"']
    assert colours and all(colour.startswith(grey) for colour in colours)


# -- statistics ---------------------------------------------------------------


def test_quartiles_by_hand() -> None:
    # Of 1, 2, 3, 4 a quarter of the way from the first to the last is 1.75 (type 7).
    one = spread([4, 1, 3, 2])
    assert (one.n, one.least, one.lower, one.median, one.upper, one.most) == (
        *(4, 1, 1.75),
        *(2.5, 3.25, 4),
    )
    assert spread([]).median is None


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=40))
def test_quartiles_by_another_program(values: list[float]) -> None:
    one = spread(values)
    expected = by_python.quantiles(values, n=4, method="inclusive")
    assert (one.lower, one.median, one.upper) == pytest.approx(expected, abs=1e-6)


# Newcombe 1998, Statistics in Medicine 17:857, table I, score method without correction
# for continuity (figures from memory).
@pytest.mark.parametrize(
    ("count", "n", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_interval_as_published(count: int, n: int, low: float, high: float) -> None:
    one = share([True] * count + [False] * (n - count))
    assert (one.count, one.n) == (count, n)
    assert (one.low, one.high) == pytest.approx((low, high), abs=5e-5)


@given(st.integers(0, 60), st.integers(1, 60))
def test_wilson_interval_by_its_formula(count: int, more: int) -> None:
    n, z = count + more, 1.959963984540054
    one = share([True] * count + [False] * more)
    centre = (count + z * z / 2) / (n + z * z)
    half = z / (n + z * z) * math.sqrt(count * (n - count) / n + z * z / 4)
    assert (one.low, one.high) == pytest.approx((centre - half, centre + half), abs=1e-9)


def test_no_values_no_interval() -> None:
    assert share([]).low is None
    assert statistics_text.per_cent(share([])) == "none"


def facts(*cases: Driver) -> list[CaseFacts]:
    return [facts_of(course_of(case)) for case in cases]


def test_what_two_canals_give_by_hand() -> None:
    """Both canals: two cycles, the second's carrier depth corrected; two increments, each
    pressed for 3.1 s and again for 5 s (see ``typical_case``)."""
    summary = summarise(facts(two_canals()))
    acts = {one.quantity: one for one in summary.acts}
    assert Counter(acts["press_s"].seconds.values) == {5.0: 2, 15.0: 2}
    assert (acts["press_s"].outside.count, acts["press_s"].outside.n) == (0, 4)
    held = acts["increment_press_s"]
    assert Counter(held.seconds.values) == {3.1: 4, 5.0: 4}
    assert (held.outside.count, held.outside.n) == (4, 8)
    assert (held.left_outside.count, held.left_outside.n) == (0, 4)
    assert held.planned_s == (5.0,)
    assert acts["heat_s"].seconds.median == pytest.approx(3.1)
    # Limits are 5 mm short of 21.1 and 20.6.
    depths = {one.quantity: one.past_limit_mm.values for one in summary.depths}
    assert sorted(depths["plugger_depth_mm"]) == pytest.approx([-2.6, -2.1, -0.1, -0.1])
    assert sorted(depths["coronal_plugger_mm"]) == pytest.approx([-6.1, -5.6])
    assert sorted(depths["sear_depth_mm"]) == pytest.approx([-6.1, -5.6])
    first, later = summary.increments
    assert (first.length_mm.values, later.length_mm.values) == ((2.5, 2.5), (3.0, 2.5))
    assert (first.most_mm, later.most_mm) == ((3.0,), (5.0,))
    assert summary.increments_per_canal.values == (2.0, 2.0)
    corrected = {one.quantity: one.corrected for one in summary.corrections}
    assert (corrected["heat_depth_mm"].count, corrected["heat_depth_mm"].n) == (2, 4)
    assert (corrected["paper_point_mm"].count, corrected["paper_point_mm"].n) == (0, 6)
    answers = {one.rule: one.answers for one in summary.warnings}
    assert answers["press-short"] == {"repeated": 4}
    assert answers["depth-limit"] == {"replaced": 2}
    assert summary.questions.values == (0.0,)  # the one before the signature is none
    assert summary.disbelieved.values == (0.0,)


def test_depths_kept_beyond_the_limit_and_heat_too_long_are_counted() -> None:
    case = Driver().set_up(11, "single")
    case.canal_to_pluggers(21.0)
    case.canal_to_sear(21.0)
    case.command("start")
    case.do(it.Tick(), 4.2)  # past the limit, said at once
    case.command("stop", after_s=2.0)
    case.press()
    case.command("keep")  # the heat
    case.mm(17.0)
    case.command("keep")
    summary = summarise(facts(case))
    depth = next(one for one in summary.depths if one.quantity == "heat_depth_mm")
    assert depth.past_limit_mm.values == pytest.approx((0.9,))
    assert depth.beyond.count == 1
    heat = next(one for one in summary.acts if one.quantity == "heat_s")
    assert (heat.outside.count, heat.seconds.values) == (1, (6.2,))
    answers = {one.rule: one.answers for one in summary.warnings}
    assert answers["depth-limit"] == {"kept as said": 1}
    # Said while it was on, and answered once the press was over.
    assert answers["heat-long"] == {"off": 1, "kept as said": 1}


def test_questions_are_counted_by_what_was_in_doubt() -> None:
    case = Driver().set_up(11, "single")
    case.do(it.Given(kind="mm", value=21.0, heard=DOUBTED))
    case.choose("no")
    case.mm(12.0)  # heard well, but no upper incisor is so short
    case.choose("no")
    case.do(it.Unclear(reason="no phrase", heard=HEARD))
    (found,) = facts(case)
    assert (found.questions, found.disbelieved, found.not_understood) == (1, 1, 1)


def test_steps_skipped_or_not_yet_done_have_no_duration() -> None:
    case = Driver().set_up(11, "single")
    case.mm(21.0)
    case.skip("no cusp left")
    case.command("where", after_s=50.0)
    course = course_of(case)
    timed = {step for step, _ in facts_of(course).seconds}
    assert "working_length" in timed
    assert not timed & {"reference_point", "apex_locator"}
    assert ("single", "apex_locator", 1) in visit_seconds(course)


def test_each_cycle_and_increment_is_one_duration() -> None:
    summary = summarise(facts(two_canals(), molar()))
    by_step = {one.step: one.seconds for one in summary.steps}
    canals = 2 + 3
    assert by_step["press"].n == 2 * canals  # two cycles each
    assert by_step["press"].median == pytest.approx(1.0 + (5.2 + 15.2) / 2)
    assert by_step["paper_point"].values == pytest.approx((3.0,) * canals)
    assert [one.step for one in summary.steps] == [
        step.id for step in two_canals().state.protocol.steps() if step.id in by_step
    ]


def test_text_and_json_of_statistics() -> None:
    summary = summarise(facts(two_canals(), molar(), barely_started()))
    lines = statistics_text.as_lines(summary)
    assert max(map(len, lines)) <= statistics_text.COLUMNS
    assert any("10 of 20: 50 % (30-70)" in line for line in lines)  # presses cut short
    data = json.loads(json.dumps(statistics_text.as_json(summary), allow_nan=False))
    assert data["cases"] == 3
    assert statistics_text.as_lines(summarise([])) == ["No case fits."]


@pytest.mark.parametrize(
    "summary",
    [summarise(facts(two_canals(), molar())), summarise(facts(barely_started()))],
    ids=["two", "barely"],
)
def test_the_pages_of_statistics_fit_and_give_their_numbers(summary: Summary) -> None:
    pages = statistics_plot.draw(summary)
    for page in pages:
        assert_on_the_page(page)
    shown = lettering(pages[0])
    for step in summary.steps:
        assert f"n {step.seconds.n}" in shown


# -- the command --------------------------------------------------------------


def store(case: Driver, folder: Path) -> None:
    folder.mkdir(parents=True)
    lines = [ev.EVENTS.dump_python(event, mode="json") for event in case.events]
    with Journal.create(folder / "journal.jsonl", START.isoformat()) as journal:
        journal.append(lines, START.isoformat())


@pytest.fixture(scope="module")
def practice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five cases: two of one operator, one of another, a rehearsed one, a damaged one."""
    root = tmp_path_factory.mktemp("cases")
    store(two_canals(), root / "premolar")
    store(molar(), root / "molar")
    store(two_canals("Operator B"), root / "other")
    store(two_canals(demo=True), root / "rehearsed")
    shutil.copytree(root / "molar", root / "edited")
    journal = root / "edited" / "journal.jsonl"
    journal.write_text(
        journal.read_text(encoding="utf-8").replace('"value":20.0', '"value":19.0'),
        encoding="utf-8",
    )
    (root / "no case").mkdir()
    return root


def review(practice: Path, *args: object) -> Result:
    return CliRunner().invoke(
        main, ["review", *map(str, args)], env={"FILLWARM_CASES": str(practice)}
    )


@pytest.mark.parametrize(
    ("options", "counted"),
    [
        ((), 3),
        (("--with-demo",), 4),
        (("--operator", "operator b"), 1),
        (("--tooth", 46, "--from", "2026-03-09", "--to", "2026-03-09"), 1),
        (("--from", "2026-03-10"), 0),
        (("--to", "2026-03-08"), 0),
    ],
)
def test_which_cases_count(practice: Path, options: tuple[object, ...], counted: int) -> None:
    done = review(practice, "--all", "--json", *options)
    assert done.exit_code == 0, done.output
    data = json.loads(done.stdout)
    assert (data["cases"], data["journals"]) == (counted, 5)
    assert [Path(one["case"]).name for one in data["skipped"]] == ["edited"]
    assert "Skipped" in done.stderr and "journal.jsonl" in done.stderr


def test_a_case_counts_for_whoever_took_it_over(tmp_path: Path) -> None:
    case = Driver().set_up(24, "buccal", "palatal")
    case.do(it.TakeOver(role="operator", name="Operator B"))
    store(case, tmp_path / "taken-over")
    for operator, counted in (("operator a", 1), ("Operator B", 1), ("Operator C", 0)):
        done = review(tmp_path, "--all", "--json", "--operator", operator)
        assert json.loads(done.stdout)["cases"] == counted


def test_one_case_by_name_and_by_folder_and_its_pictures(
    practice: Path, tmp_path: Path
) -> None:
    by_name = review(practice, "premolar", "--out", tmp_path / "case.png")
    assert by_name.exit_code == 0, by_name.output
    assert by_name.stdout == review(practice, practice / "premolar").stdout
    assert (tmp_path / "case.png").read_bytes().startswith(b"\x89PNG")
    assert json.loads(review(practice, "premolar", "--json").stdout)["tooth"] == 24
    pages = review(practice, "--all", "--out", tmp_path / "all.pdf")
    assert pages.exit_code == 0, pages.output
    assert len(PdfReader(tmp_path / "all.pdf").pages) == 3


@pytest.mark.parametrize(
    ("args", "code"),
    [
        ((), 2),
        (("premolar", "--all"), 2),
        (("premolar", "--tooth", 24), 2),
        (("premolar", "--out", "case.svg"), 2),
        (("--all", "--out", "all.png"), 2),
        (("--all", "--from", "yesterday"), 2),
        (("nothing",), 3),
        (("--all", "--tooth", 11, "--out", "all.pdf"), 3),
        (("edited",), 5),
        (("premolar", "--out", "no/such/folder/case.pdf"), 6),
    ],
)
def test_wrong_use_ends_in_one_sentence(
    practice: Path, args: tuple[object, ...], code: int
) -> None:
    done = review(practice, *args)
    assert done.exit_code == code, done.output
    assert done.exception is None or isinstance(done.exception, SystemExit)


def test_no_folder_of_cases(tmp_path: Path) -> None:
    done = review(tmp_path / "none", "--all")
    assert done.exit_code == 3
    assert "FILLWARM_CASES" in done.stderr
