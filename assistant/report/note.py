"""The chart note: what was done, as lines ready to be set.

:func:`note` gathers everything the note says into plain lines; ``note_text.py`` sets them
in columns and ``pdf.py`` on a page. What was done comes first, then what was warned about;
that a warning has no answer is said at the top. What is unknown is said to be unknown.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from assistant.canal import teeth
from assistant.progress.entries import Entry, Warning
from assistant.progress.facts import number, text_of
from assistant.progress.state import CASE, CaseState
from assistant.protocol import floor
from assistant.protocol.coherence import ONCE
from assistant.report import rounds
from assistant.report.again import done_again
from assistant.report.conditions import changed_conditions, condition_rows
from assistant.report.found import found
from assistant.report.marks import (
    change_text,
    clock,
    date_time,
    entry_text,
    heard,
    legend,
    mark,
    marked,
    newest_moment,
    place,
    plain,
    track_title,
    value_text,
    zone,
)
from assistant.report.persons import in_turn, of_another_name, signed_by
from assistant.report.remarks import changed_remarks, remark_lines
from assistant.report.rows import NoteRow, answer, canal_rows, skipped_text
from assistant.report.summary import summary_row
from assistant.report.visits import visit_rows, worked_s

REMARKS = "Remarks (as dictated, not checked)"

HASH_SHOWN = 16
"""Hex digits of the head hash beside the signature; the whole stands at the end."""

_NUMBERS = re.compile(r"\d+(\.\d+)?")
_SEVERITIES = ("urgent", "alert", "caution", "confirm")


@dataclass(frozen=True, slots=True)
class CanalNote:
    """One canal of the note."""

    name: str
    rows: tuple[NoteRow, ...]


@dataclass(frozen=True, slots=True)
class Note:
    """Everything the chart note says, as lines ready to be set.

    Attributes:
        demo: the case is a rehearsal with invented data.
        warned: how many warnings there were.
        warnings: the severest first; those that differ in their value and time alone share
            a line, which counts them. Empty if no rule fired.
        unanswered: how many urgent ones have no answer.
        visits: a row a visit, where there was more than one.
        summary: each canal in a few lines.
        case: readiness, finish and steps skipped outside the canals.
        conditions: materials and conditions, where the protocol wants any.
        remarks: what was dictated beside the steps, checked by nobody.
        changes: what was corrected or taken back.
        addenda: what was added after the signature, with by whom and when.
        trust: read-back, confirmation and origin of the values, interruptions.
        limits: the protocol's limits in force, one phrase each.
        legend: what the marks behind values mean.
        signature: "Signed by ..." or "NOT SIGNED ...".
        made: the note's own time, that of the last thing on record.
    """

    demo: bool
    title: str
    case_code: str
    head: tuple[NoteRow, ...]
    warned: int
    warnings: tuple[str, ...]
    unanswered: int
    visits: tuple[NoteRow, ...]
    summary: tuple[NoteRow, ...]
    canals: tuple[CanalNote, ...]
    case: tuple[NoteRow, ...]
    conditions: tuple[NoteRow, ...]
    remarks: tuple[str, ...]
    changes: tuple[str, ...]
    addenda: tuple[str, ...]
    trust: tuple[NoteRow, ...]
    limits: tuple[str, ...]
    legend: str
    signed: bool
    signature: str
    head_hash: str
    made: datetime


def note(state: CaseState, head_hash: str) -> Note:
    """The note of a case; ``head_hash`` is that of its journal (hex)."""
    return Note(
        demo=state.demo,
        title=f"Root canal filling: {plain(state.protocol.title)}",
        case_code=plain(state.case_code) or "not given",
        head=tuple(_head(state)),
        warned=len(state.warnings),
        warnings=tuple(_warning(state, alike) for alike in _grouped(state)),
        unanswered=sum(w.open for w in state.warnings),
        visits=tuple(visit_rows(state)),
        summary=tuple(summary_row(state, track.name) for track in state.canals),
        canals=tuple(
            CanalNote(track_title(t.name), canal_rows(state, t.name)) for t in state.canals
        ),
        case=tuple(_case(state)),
        conditions=tuple(condition_rows(state)),
        remarks=tuple(remark_lines(state)),
        changes=(*_changes(state), *changed_conditions(state), *changed_remarks(state)),
        addenda=tuple(
            f"{date_time(a.at)} {plain(a.by)}: {plain(a.text)}" for a in state.addenda
        ),
        trust=tuple(_trust(state)),
        limits=tuple(_limits(state)),
        legend=legend(state),
        signed=state.signed is not None,
        signature=_signature(state, head_hash),
        head_hash=head_hash,
        made=newest_moment(state).wall,
    )


def limits_line(note: Note) -> str:
    """The numbers that nobody dictated: the protocol's."""
    return "Default, by the protocol, not dictated: " + "; ".join(note.limits) + "."


def unanswered_line(note: Note) -> str:
    """What stands at the top of the note while a warning has no answer, else nothing."""
    return f"WARNINGS NOT ANSWERED: {note.unanswered}" if note.unanswered else ""


def warnings_headline(note: Note) -> str:
    """How many warnings there are and how many wait for an answer."""
    if not note.warnings:
        return "none"
    waiting = f", {note.unanswered} NOT ANSWERED" if note.unanswered else ""
    return f"{note.warned}{waiting}"


# -- gathering --------------------------------------------------------------


def _head(state: CaseState) -> Iterator[NoteRow]:
    yield NoteRow("Case code", plain(state.case_code) or "not given")
    yield NoteRow("Tooth", _tooth(state))
    canals = state.newest(CASE, state.protocol.asking("canals"))
    yield NoteRow("Canals", marked(state, canals) if canals else "not recorded")
    for change in state.changes:
        if change.step is None or change.what == "post":
            told = f"{clock(state, change.at)} {change_text(change)}; by {plain(change.by)}"
            yield NoteRow("Case changed", told)
    yield NoteRow("Operator", in_turn(state, "operator") or "not given")
    if assisted := in_turn(state, "chairside"):
        yield NoteRow("Assistant", assisted)
    for name, text in state.remarks:
        yield NoteRow(plain(name), plain(text))
    protocol = state.protocol
    yield NoteRow(
        "Protocol", f"{plain(protocol.title)} ({protocol.id}, version {protocol.version})"
    )
    end = state.signed or newest_moment(state)
    yield NoteRow("Started", date_time(state.opened))
    yield NoteRow("Signed" if state.signed else "Last on record", date_time(end))
    yield NoteRow("Times", f"local where it was done, {zone(state.opened)}")
    yield NoteRow("Duration", _duration(worked_s(state, end)))


def _tooth(state: CaseState) -> str:
    entry = state.newest(CASE, state.protocol.asking("tooth"))
    if entry is None or state.tooth is None:
        return "not recorded"
    tooth = teeth.parse_fdi(state.tooth)
    return (
        f"{tooth.fdi} (ISO 3950), {tooth.universal} (Universal), {tooth.name} "
        f"{mark(state, entry)}"
    )


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return (
        f"{hours} h {minutes:02d} min {rest:02d} s" if hours else f"{minutes} min {rest:02d} s"
    )


def _by_severity(warnings: tuple[Warning, ...]) -> list[Warning]:
    def rank(warning: Warning) -> tuple[bool, int, int]:
        known = warning.severity in _SEVERITIES
        severity = _SEVERITIES.index(warning.severity) if known else len(_SEVERITIES)
        return not warning.open, severity, warning.seq

    return sorted(warnings, key=rank)


def _grouped(state: CaseState) -> list[list[Warning]]:
    """Warnings that say the same of the same step, but for the value, together."""
    found: dict[tuple[object, ...], list[Warning]] = {}
    for one in _by_severity(state.warnings):
        entry = _about(state, one)
        said = one.text.replace(entry_text(state, entry), "") if entry else one.text
        if entry is not None and (given := number(entry)) is not None:
            said = said.replace(text_of(given), "")
        answer = _NUMBERS.sub("", one.answer or "")
        key = (one.severity, one.rule, one.track, one.step, one.open, answer, said)
        found.setdefault(key, []).append(one)
    return list(found.values())


def _about(state: CaseState, warning: Warning) -> Entry | None:
    # Without an entry it was a skip, or a heat that was still on: no value to show.
    return next((e for e in state.entries if e.seq == warning.entry), None)


def _warning(state: CaseState, alike: list[Warning]) -> str:
    first, *others = alike
    entry = _about(state, first)
    where = place(state, first.track, first.step, entry.round if entry else None)
    value = f" Value {marked(state, entry)}." if entry else ""
    again = ""
    if others:
        times = ", ".join(
            clock(state, one.at)
            + (f" {marked(state, same)}" if (same := _about(state, one)) else "")
            for one in others
        )
        alike_too = ", answered alike" if first.answer else ""
        again = f" {len(alike)} TIMES{alike_too}: again {times}."
    return (
        f"{first.severity.upper()} {clock(state, first.at)} {where}: "
        f"{plain(first.text)}{value} {warning_answer(first)} Rule {first.rule}.{again}"
    )


def warning_answer(warning: Warning) -> str:
    """How a warning was answered, or that none was needed, or is missing."""
    if warning.answer is not None:
        return f"Answer: {plain(warning.answer)}."
    return "NOT ANSWERED." if warning.open else "No answer asked."


def _case(state: CaseState) -> Iterator[NoteRow]:
    for step in (*state.protocol.opening, *state.protocol.closing):
        if step.expect.kind not in ONCE:
            yield NoteRow(step.title, answer(state, CASE, step))
    yield from (NoteRow(title, text) for title, text in found(state, CASE))
    yield from (NoteRow("Done again", text) for text in done_again(state, CASE))
    for skipped in state.skipped:
        if skipped.track == CASE:
            title = state.protocol.by_id[skipped.step].title
            yield NoteRow("Skipped", f"{title}: {skipped_text(state, skipped)}")


def _changes(state: CaseState) -> Iterator[str]:
    """Entries that no longer stand and that no other line of the note tells of."""
    told = {
        e.seq
        for track in state.canals
        for fit in rounds.cone_refits(state, track.name)
        for e in (*fit.values, fit.verdict)
    }
    for entry in state.entries:
        if entry.standing in {"standing", "superseded"} or entry.seq in told:
            continue
        if entry.standing == "replaced" and not _is_correction(entry):
            continue
        where = place(state, entry.track, entry.step, entry.round)
        how = "taken back" if entry.standing == "undone" else _replaced_by(state, entry)
        yield (
            f"{clock(state, entry.at)} {where}: {marked(state, entry)}, "
            f"{heard(entry.heard.text)}: {how}"
        )


def _is_correction(entry: Entry) -> bool:
    # A repeated press and an earlier answer stand in the row of their step.
    return entry.origin != "timed" and entry.is_measurement


def _replaced_by(state: CaseState, old: Entry) -> str:
    new = rounds.replacement(state, old)
    return f"replaced by {entry_text(state, new)}" if new else "replaced"


def _trust(state: CaseState) -> Iterator[NoteRow]:
    standing = [e for e in state.entries if e.standing == "standing"]
    unread = [e for e in standing if e.unheard]
    measured = [e for e in standing if e.is_measurement and e.read_back] + unread
    if not measured:
        yield NoteRow("Read back", "no measurement on record")
    elif not unread:
        yield NoteRow("Read back", f"all {len(measured)} measurements")
    else:
        listed = "; ".join(
            f"{place(state, e.track, e.step, e.round)} {entry_text(state, e)}" for e in unread
        )
        yield NoteRow(
            "Read back",
            f"{len(measured) - len(unread)} of {len(measured)} measurements; "
            f"NOT read back: {listed}",
        )
    yield NoteRow("Entries by", _people([e for e in standing if e.origin != "timed"]))
    yield NoteRow("Confirmed by", _people([e for e in standing if e.confirmed]))
    origins = Counter(e.origin for e in standing)
    yield NoteRow(
        "Origin",
        f"{origins['said']} dictated or keyed, {origins['computed']} computed and accepted, "
        f"{origins['timed']} timed",
    )
    if state.rejected:
        told = f"{len(state.rejected)} things that were heard; they are kept in the log"
        yield NoteRow("Not taken", told)
    if state.pending is not None:
        pending = state.pending
        values = pending.offers or (pending.value,)
        shown = " or ".join(value_text(pending.kind, value) for value in values)
        yield NoteRow(
            "Waiting", f"{shown}, {heard(pending.heard.text)}: not confirmed, not recorded"
        )
    if state.timer is not None:
        where = place(state, state.timer.track, state.timer.step)
        yield NoteRow(
            "Running", f"{where}, since {clock(state, state.timer.started)}: not ended"
        )
    for seal in state.seals:
        how = f"by {plain(seal.by or '')}, key {seal.key}" if seal.jws else "by name, no key"
        how += of_another_name(state, seal)
        trail = f"; audit trail entry {seal.trail_lines}" if seal.trail_lines else ""
        yield NoteRow("Sealed", f"entry {seal.lines}, {how}{trail}")
    for at, text in state.interruptions:
        yield NoteRow("Interruption", f"{clock(state, at)} {plain(text)}")


def _people(entries: list[Entry]) -> str:
    by = Counter(plain(entry.by) or "not given" for entry in entries)
    return ", ".join(f"{who} ({n})" for who, n in by.items()) or "nobody"


def _limits(state: CaseState) -> Iterator[str]:
    for name, limit in state.protocol.limits.given():
        stem, _, unit = name.rpartition("_")
        words, unit = (stem, f" {unit}") if unit in {"mm", "s"} else (name, "")
        yield f"{words.replace('_', ' ').replace('wl', 'WL')} {text_of(limit.value)}{unit}"
    yield from floor.unguarded(state.protocol, owned=True)


def _signature(state: CaseState, head_hash: str) -> str:
    if state.signed is None:
        return f"NOT SIGNED. Journal head so far {head_hash[:HASH_SHOWN]}."
    return (
        f"Signed by {signed_by(state)} at {date_time(state.signed)}."
        f" Journal head {head_hash[:HASH_SHOWN]}."
    )
