"""Sheets of plain text: the exercise to practise by, and the score."""

from __future__ import annotations

from collections.abc import Iterator

from assistant.canal.teeth import Tooth
from assistant.practice.scenario import PracticeCanal, Scenario
from assistant.practice.score import Score
from assistant.practice.texts import texts
from assistant.progress.facts import text_of


def exercise_sheet(scenario: Scenario) -> str:
    """The whole scenario, to be looked up step by step; its surprises are in it."""
    lines = [
        f"Exercise {scenario.code}",
        scenario.invented,
        f"Protocol {scenario.protocol}, level {scenario.level}, seed {scenario.seed}",
        "Take what you need at each step; what is not given here is yours to decide.",
        "",
        f"Tooth {scenario.tooth}, {Tooth(scenario.tooth).name}; canals: "
        + ", ".join(canal.name for canal in scenario.canals),
    ]
    for canal in scenario.canals:
        lines += ["", canal.name.capitalize(), *(f"  {line}" for line in _canal(canal))]
    return "\n".join(lines) + "\n"


def _canal(canal: PracticeCanal) -> Iterator[str]:
    reference, post = canal.reference.replace("_", " "), canal.post.replace("_", " ")
    yield f"Chart: working length {text_of(canal.provisional_mm)} mm from the {reference}"
    yield f"Last file {canal.apical_size:03d}, taper {_taper(canal.taper)}"
    yield f"Post: {'no' if canal.post == 'no' else f'planned, {post}'}"
    yield f"Planned coronal level {text_of(canal.coronal_level_mm)} mm"
    for number, cone in enumerate(canal.cones, 1):
        grip = (
            "resists at its tip" if cone.contact == "tip" else "marks high up, none at the tip"
        )
        yield (
            f"Cone {number}: {cone.size:03d} taper {_taper(cone.taper)}, goes to "
            f"{text_of(cone.length_mm)} mm, {grip}"
        )
    coronal, middle, apical = map(text_of, canal.free_mm)
    yield f"Pluggers go freely to {coronal}, {middle}, {apical} mm; cold carrier to {apical} mm"
    yield f"Drying, one point after the other: {', '.join(canal.dryness)}"
    yield f"Paper points, in order: {', '.join(map(text_of, canal.readings_mm))} mm"
    located = canal.locator_mm
    yield f"Apex locator: {'no reading' if located is None else f'{text_of(located)} mm'}"
    yield f"Seared off at {text_of(canal.orifice_mm)} mm"
    yield f"The hot carrier sinks {text_of(canal.sinks_mm_s)} mm a second, as far as its marker"
    if canal.gives_way_mm:
        yield (
            "At the limit the mass gives way: the plugger would go on by "
            f"{text_of(canal.gives_way_mm)} mm"
        )


def _taper(taper: float) -> str:
    return f"{taper:.2f}".removeprefix("0")


def score_sheet(score: Score) -> str:
    """The score, as the command line shows it."""
    figure = "none (broken off)" if score.overall is None else f"{score.overall:g} of 100"
    lines = [
        f"{score.case_code} ({score.invented})",
        f"Overall: {figure}: the plain mean of the criteria met with. {score.about}",
        "",
    ]
    for one in score.criteria:
        share = "" if one.fraction is None else f"  {100 * one.fraction:3.0f} %"
        lines.append(f"  {one.title:44} {one.good:3} of {one.of:3}{share}")
    wrong = [m for m in score.measurements if not m.right]
    if wrong:
        lines += ["", "Not as seen:"]
    lines += [
        f"  {m.track}, {m.quantity}: said {_said(m.said)}, seen {_said(m.seen[0])}"
        for m in wrong
    ]
    if score.final_lengths:
        lines += ["", "Final lengths:"]
    for final in score.final_lengths:
        lines.append(
            f"  {final.canal}: {text_of(final.said_mm)} mm, off the true one by "
            f"{final.from_truth_mm:+g} mm"
        )
    lines += ["", "Told, not judged: " + _counts(score)]
    met = [trap for trap in score.traps if trap.met]
    if met:
        lines += ["", "Traps:"]
    lines += [
        f"  {t.canal}: {texts().traps[t.trap]}: {'seen' if t.passed else 'missed'}" for t in met
    ]
    lines += ["", "What to work on next:", *(f"  {line}" for line in score.work_on)]
    return "\n".join(lines) + "\n"


def _counts(score: Score) -> str:
    told = {name.replace("_", " "): count for name, count in score.counts.items() if count}
    return ", ".join([f"{score.minutes:g} minutes", *(f"{n} {c}" for n, c in told.items())])


def _said(value: object) -> str:
    if isinstance(value, tuple):
        return " and ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value).replace("_", " ")
