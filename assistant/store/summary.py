"""One row a case: what the index holds of it, as plain data."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import UTC
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # the index is asked far more often than a case is read
    from assistant.progress.state import CaseState
    from assistant.protocol.moment import Moment


@dataclass(frozen=True, slots=True, order=True)
class WarningCount:
    """How often one safety rule warned in a case, and how many of these wait for an answer."""

    rule: str
    severity: str
    count: int
    open: int


@dataclass(frozen=True, slots=True)
class CaseSummary:
    """What is worth searching for in a case.

    Attributes:
        opened_utc, last_utc, signed_utc: ISO 8601 in UTC, to the second; ``last`` is the
            last thing that happened, addenda among it; ``signed`` is None before the
            signature.
        opened_on, last_on, signed_on: the same as the date on the clock of the room.
        tooth: ISO 3950 (FDI) number, None before it is named.
        entries: values in the record, taken back and replaced ones among them.
        open_warnings: urgent warnings without an answer.
        skipped: steps left out.
        head: hash of the last line of the journal.
        warnings: by rule and severity, sorted.
    """

    code: str
    opened_utc: str
    opened_on: str
    last_utc: str
    last_on: str
    signed_utc: str | None
    signed_on: str | None
    operator: str
    tooth: int | None
    canals: tuple[str, ...]
    protocol: str
    demo: bool
    entries: int
    open_warnings: int
    skipped: int
    addenda: int
    head: str
    warnings: tuple[WarningCount, ...]


def summary(state: CaseState, head: str) -> CaseSummary:
    """The row of a case; ``head`` is the hash of its journal's last line."""
    from assistant.report.marks import newest_moment  # noqa: PLC0415 - it loads number words

    last = newest_moment(state)
    warned = Counter((w.rule, w.severity) for w in state.warnings)
    waiting = Counter((w.rule, w.severity) for w in state.warnings if w.open)
    return CaseSummary(
        code=state.case_code,
        opened_utc=_utc(state.opened),
        opened_on=_day(state.opened),
        last_utc=_utc(last),
        last_on=_day(last),
        signed_utc=_utc(state.signed) if state.signed else None,
        signed_on=_day(state.signed) if state.signed else None,
        operator=state.operator,
        tooth=state.tooth,
        canals=tuple(track.name for track in state.canals),
        protocol=state.protocol.id,
        demo=state.demo,
        entries=len(state.entries),
        open_warnings=waiting.total(),
        skipped=len(state.skipped),
        addenda=len(state.addenda),
        head=head,
        warnings=tuple(
            WarningCount(rule, severity, count, waiting[rule, severity])
            for (rule, severity), count in sorted(warned.items())
        ),
    )


def _utc(moment: Moment) -> str:
    return moment.wall.astimezone(UTC).isoformat(timespec="seconds")


def _day(moment: Moment) -> str:
    return moment.wall.date().isoformat()
