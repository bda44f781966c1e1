"""The rows of the chart note that tell of one canal, in the order of the work.

:data:`_BEFORE` says which roles share a row. What a protocol asks beyond those gets a row
of its own, so that another technique's note is complete too.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from assistant.canal import lengths
from assistant.progress.entries import Entry, Skipped
from assistant.progress.facts import (
    CYCLE,
    EPSILON_MM,
    depth_limit_mm,
    fill_top_mm,
    number,
    text_of,
)
from assistant.progress.state import CaseState, Junction, Track
from assistant.protocol.model import Step
from assistant.protocol.roles import Role
from assistant.report import rounds
from assistant.report.again import done_again
from assistant.report.derived import added, readings
from assistant.report.found import found
from assistant.report.marks import (
    UNRECORDED,
    clock,
    entry_text,
    marked,
    plain,
    value_text,
)

Piece = tuple[Role, str]
"""A role, and the words around its value."""


@dataclass(frozen=True, slots=True)
class NoteRow:
    """A line of the note: what it is about, and what is known of it."""

    label: str
    text: str


_BEFORE: tuple[tuple[str, tuple[Piece, ...]], ...] = (
    (
        "Working length",
        ((Role.WORKING_LENGTH, "provisional {}"), (Role.REFERENCE_POINT, "reference point {}")),
    ),
    ("Apex locator", ((Role.APEX_LOCATOR, "{}"),)),
    ("Paper points", ((Role.PAPER_POINT, "{}"),)),
    ("Final length", ((Role.FINAL_LENGTH, "{}"),)),
    (
        "Preparation",
        (
            (Role.APICAL_SIZE, "apical size {}"),
            (Role.TAPER, "taper {}"),
            (Role.SHAPED, "shaped and irrigated: {}"),
        ),
    ),
    ("Plan", ((Role.CORONAL_LEVEL, "coronal level {}"), (Role.POST_PLANNED, "post: {}"))),
    (
        "Master cone",
        (
            (Role.CONE_SIZE, "size {}"),
            (Role.CONE_TAPER, "taper {}"),
            (Role.CONE_LENGTH, "length {}"),
            (Role.CONE_FIT, "tugback: {}"),
        ),
    ),
    ("Cut back", ((Role.CUT_BACK, "{}"), (Role.CONE_FIT_AGAIN, "tugback: {}"))),
    (
        "Radiographs",
        (
            (Role.VERIFICATION, "verification: {}"),
            (Role.DOWNPACK_RADIOGRAPH, "downpack: {}"),
        ),
    ),
    (
        "Pluggers",
        (
            (Role.CORONAL_PLUGGER, "coronal {}"),
            (Role.MIDDLE_PLUGGER, "middle {}"),
            (Role.APICAL_PLUGGER, "apical {}"),
        ),
    ),
    ("Heat carrier", ((Role.HEAT_FIT, "fits to {}"),)),
    (
        "Drying, sealer",
        (
            (Role.DRYNESS, "dryness: {}"),
            (Role.SEALER, "coat complete: {}"),
            (Role.SEATED, "cone seated: {}"),
        ),
    ),
    ("Sear", ((Role.SEAR, "{}"),)),
)

_POST: tuple[Piece, ...] = ((Role.POST_DECISION, "{}"), (Role.POST_LEVEL, "fill at {}"))
_LEVEL: tuple[Piece, ...] = ((Role.FILL_LEVEL, "level reached: {}"),)


def canal_rows(state: CaseState, canal: str) -> tuple[NoteRow, ...]:
    """Everything on record of one canal; what is missing is said to be missing."""
    if not any(e.track == canal for e in state.entries) and not _skips(state, canal):
        return (NoteRow("Record", "nothing recorded"),)
    rows: list[NoteRow] = []
    here = state.track(canal)
    if here.closed is not None:
        rows.append(NoteRow("NOT THERE", f"{plain(here.closed)}; done before that:"))
    if not here.finished:
        rows.append(NoteRow("NOT FINISHED", f"stands at: {stands_at(state, here)}"))
    if here.joins is not None:
        rows.append(NoteRow("Joins", joined(here.joins)))
    for label, pieces in _BEFORE:
        row = _row(state, canal, label, pieces)
        rows += [row] if row else []
        if label == "Master cone":
            rows += _refits(state, canal)
    rows += [NoteRow("Done again", text) for text in done_again(state, canal)]
    rows += [NoteRow(title, text) for title, text in found(state, canal)]
    rows += _cycles(state, canal)
    rows += _backfill(state, canal)
    rows += _others(state, canal)
    rows += [
        NoteRow(
            "Skipped",
            f"{state.protocol.by_id[skipped.step].title}: {skipped_text(state, skipped)}",
        )
        for skipped in _skips(state, canal)
    ]
    return tuple(rows)


def stands_at(state: CaseState, track: Track) -> str:
    """The step that a track that is not finished has come to."""
    step = track.asides[0].step if track.asides else track.step
    return state.protocol.by_id[step].title


def joined(joins: Junction) -> str:
    """Which canal another joins, and where."""
    return f"the {plain(joins.canal)} canal at {text_of(joins.at_mm)} mm; filled to there"


def skipped_text(state: CaseState, skipped: Skipped) -> str:
    """Why and when a step was left out, and that it was done after all, if it was."""
    later = [
        entry
        for entry in state.standing(skipped.track)
        if (entry.step, entry.round) == (skipped.step, skipped.round)
        and entry.at.wall > skipped.at.wall
    ]
    done = f", done after all {clock(state, later[0].at)}" if later else ""
    return f"{value_text('', skipped.reason)} ({clock(state, skipped.at)}{done})"


def answer(state: CaseState, track: str, step: Step) -> str:
    """The newest value of a step with its mark, earlier answers before it; or
    that it was skipped, or is not recorded."""
    newest = state.newest(track, step)
    if newest is None:
        reasons = [s.reason for s in state.skipped if s.track == track and s.step == step.id]
        return f"skipped, {value_text('', reasons[-1])}" if reasons else UNRECORDED
    shown = marked(state, newest)
    if step.role in rounds.CONE_VERDICTS:
        return shown  # the earlier ones are told with the cones they were about
    earlier = [
        entry_text(state, e)
        for e in rounds.made(state, track)
        if e.quantity == newest.quantity
        and e.standing == "replaced"
        and isinstance(e.value, str)
        and e.seq < newest.seq
    ]
    return ", then ".join([*earlier, shown])


def _row(state: CaseState, canal: str, label: str, pieces: tuple[Piece, ...]) -> NoteRow | None:
    """One row; None if the protocol asks nothing of the kind."""
    parts: list[str] = []
    missing: set[str] = set()
    for role, words in pieces:
        step = _step_for(state, role)
        if step is None:
            continue
        text = answer(state, canal, step)
        if role is Role.PAPER_POINT:
            text = readings(state, canal, text)
        if state.newest(canal, role) is None:
            missing.add(text)
        parts.append(words.format(text) + added(state, canal, role))
    if not parts:
        return None
    if len(missing) == 1 and not any(state.newest(canal, role) for role, _ in pieces):
        derived = "".join(added(state, canal, role) for role, _ in pieces)
        return NoteRow(label, missing.pop() + derived)
    return NoteRow(label, ", ".join(parts))


def _step_for(state: CaseState, role: Role) -> Step | None:
    return next((s for s in state.protocol.canal if s.role is role), None)


def _skips(state: CaseState, canal: str) -> list[Skipped]:
    return [skipped for skipped in state.skipped if skipped.track == canal]


def _refits(state: CaseState, canal: str) -> Iterator[NoteRow]:
    for number_, fit in enumerate(rounds.cone_refits(state, canal), 1):
        values = ", ".join(
            f"{'size ' if state.role(e) is Role.CONE_SIZE else ''}{marked(state, e)}"
            for e in fit.values
        )
        title = state.protocol.by_id[fit.verdict.step].title.lower()
        verdict = f"{title}: {marked(state, fit.verdict)}; refitted"
        yield NoteRow(f"Cone tried {number_}", f"{values or 'values ' + UNRECORDED}; {verdict}")


def _cycles(state: CaseState, canal: str) -> Iterator[NoteRow]:
    found = rounds.cycles(state, canal)
    if not found and _step_for(state, Role.HEAT) is not None:
        yield NoteRow("Downpack", UNRECORDED)
    for one in found:
        if one.values or one.acts:
            parts = [
                "heat " + _acts(state, canal, one, Role.HEAT),
                "carrier " + _value_in(state, canal, one, Role.HEAT_DEPTH),
                "plugger " + _value_in(state, canal, one, Role.COMPACTION),
                "press " + _acts(state, canal, one, Role.PRESS) + _after_heat(one),
            ]
            parts[1] += _to_limit(state, canal, one.values.get(Role.HEAT_DEPTH))
            parts[2] += _to_limit(state, canal, one.values.get(Role.COMPACTION), always=True)
            yield NoteRow(f"Cycle {one.number}", ", ".join(parts))
        if one.ended is not None:
            yield NoteRow("Downpack ended", f"{marked(state, one.ended)}, cycle {one.number}")


def _after_heat(one: rounds.Round) -> str:
    """How long after heat off the press began, where that was timed."""
    delays = [e.delay_s for e in one.acts.get(Role.PRESS, ()) if e.delay_s is not None]
    return f", {text_of(delays[0])} s after heat off" if delays else ""


def _to_limit(
    state: CaseState, canal: str, entry: Entry | None, *, always: bool = False
) -> str:
    """How far a depth is from its limit; of a carrier only when it is beyond."""
    depth, limit = number(entry), depth_limit_mm(state, canal)
    if depth is None:
        return ""
    if limit is None:
        return " (limit unknown)" if always else ""
    left = lengths.round_mm(limit - depth)
    if left < -EPSILON_MM:
        return f" ({text_of(-left)} mm BEYOND limit)"
    if not always:
        return ""
    return " (at limit)" if left < EPSILON_MM else f" ({text_of(left)} mm above limit)"


def _backfill(state: CaseState, canal: str) -> Iterator[NoteRow]:
    post = state.newest(canal, Role.POST_PLANNED)
    if (post is not None and post.value != "no") or state.newest(canal, Role.POST_LEVEL):
        row = _row(state, canal, "Post", _POST)
        if row is not None:
            yield row
    found = rounds.increments(state, canal)
    stopped = state.newest(canal, Role.POST_LEVEL) is not None
    if not found and _step_for(state, Role.INCREMENT) is not None:
        yield NoteRow("Backfill", "none: stopped at the post level" if stopped else UNRECORDED)
    for one in found:
        if one.values or one.acts:
            level = text_of(one.level_mm)
            yield NoteRow(
                f"Increment {one.number}",
                f"{_value_in(state, canal, one, Role.INCREMENT)}, "
                f"fill then at {level}{' mm (computed)' if level != 'unknown' else ''}, "
                f"press {_acts(state, canal, one, Role.INCREMENT_PRESS)}",
            )
        if one.ended is not None:
            yield NoteRow(
                "Backfill ended", f"{marked(state, one.ended)}, increment {one.number}"
            )
    if stopped:
        return
    row = _row(state, canal, "Level", _LEVEL)
    if row is not None:
        level_mm = fill_top_mm(state, canal) if found else None
        shown = "" if level_mm is None else f"fill at {text_of(level_mm)} mm (computed), "
        said = state.newest(canal, Role.FILL_LEVEL) is not None
        yield NoteRow("Level", shown + ("" if said else "level reached: ") + row.text)


def _acts(state: CaseState, canal: str, one: rounds.Round, role: Role) -> str:
    """The timed acts of a round: "3.1 s [t] cut short, repeated 5 s [t]"."""
    acts = one.acts.get(role, ())
    if not acts:
        return _missing_in(state, canal, one, role)
    return _repeated(state, acts)


def _repeated(state: CaseState, entries: Iterable[Entry]) -> str:
    shown = [marked(state, e) + (" cut short" if e.cut_short else "") for e in entries]
    return ", repeated ".join(shown)


def _value_in(state: CaseState, canal: str, one: rounds.Round, role: Role) -> str:
    entry = one.values.get(role)
    return marked(state, entry) if entry else _missing_in(state, canal, one, role)


def _missing_in(state: CaseState, canal: str, one: rounds.Round, role: Role) -> str:
    for skipped in reversed(_skips(state, canal)):
        step = state.protocol.by_id[skipped.step]
        if step.role is role and skipped.round == one.number:
            return f"skipped, {value_text('', skipped.reason)}"
    return UNRECORDED


def _others(state: CaseState, canal: str) -> Iterator[NoteRow]:
    """Steps of a protocol that no row above tells of."""
    told = {role for _, pieces in _BEFORE for role, _ in pieces}
    told |= {role for role, _ in (*_POST, *_LEVEL)}
    told |= set(CYCLE) | set(rounds.INCREMENT)
    loops: set[str] = set()
    for step in state.protocol.canal:
        if step.role in told or not (step.asked or state.last(canal, step)):
            continue
        if step.loop is None:
            yield NoteRow(step.title, answer(state, canal, step))
        elif step.loop not in loops:
            loops.add(step.loop)
            yield from _other_loop(state, canal, step.loop)


def _other_loop(state: CaseState, canal: str, loop: str) -> Iterator[NoteRow]:
    """What was done over and over: a row a round."""
    steps = [step for step in state.protocol.canal if step.loop == loop]
    done = rounds.by_round(state, canal, steps)
    if not done:
        yield NoteRow(loop.capitalize(), UNRECORDED)
    for number_, given in done.items():
        parts = [
            f"{step.title.lower()} {_repeated(state, given[step.id])}"
            for step in steps
            if step.id in given
        ]
        answers = [e for found in given.values() for e in found if isinstance(e.value, str)]
        if len(answers) == len(given):  # nothing was done in it but to leave the loop
            ended = ", ".join(marked(state, entry) for entry in answers)
            yield NoteRow(f"{loop.capitalize()} ended", f"{ended}, {number_}")
        else:
            yield NoteRow(f"{loop.capitalize()} {number_}", ", ".join(parts))
