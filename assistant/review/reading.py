"""Reads the events of cases from their journals, without opening any for writing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from assistant.case.casefile import JOURNAL, need_lines, replayable
from assistant.case.read_events import read_event
from assistant.errors import InputFileError, UserError
from assistant.progress import events as ev
from assistant.progress.people import operators
from assistant.progress.state import CaseState
from assistant.record.journal import read_journal
from assistant.review.case_facts import CaseFacts, facts_of
from assistant.review.timeline import Timeline, timeline


@dataclass(frozen=True, slots=True)
class Selection:
    """Which cases count; None: any. Dates are the day the case was opened, both included.

    ``operator`` is who opened the case or took it over, without regard to letters' case;
    ``tooth`` is in ISO 3950 notation.
    """

    since: date | None = None
    until: date | None = None
    tooth: int | None = None
    operator: str | None = None
    with_demo: bool = False

    def opened(self, event: ev.CaseOpened) -> bool:
        """Whether a case may count, by its first event."""
        day = event.at.wall.date()
        return (
            (self.with_demo or not event.demo)
            and (self.since is None or day >= self.since)
            and (self.until is None or day <= self.until)
        )

    def took_place(self, state: CaseState) -> bool:
        """Whether a case that :meth:`opened` lets in counts, by what became of it."""
        operated = {one.strip().casefold() for one in operators(state)}
        return self.tooth in {None, state.tooth} and (
            self.operator is None or self.operator.strip().casefold() in operated
        )


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A case that was skipped, and why, in one sentence."""

    folder: Path
    why: str


def case_folders(root: Path) -> list[Path]:
    """The folders with a journal in a folder of cases, by name.

    Raises:
        InputFileError: no such folder.
    """
    if not root.is_dir():
        raise InputFileError(
            f"There is no folder of cases {root}; FILLWARM_CASES can name another."
        )
    return sorted(path.parent for path in root.glob(f"*/{JOURNAL}"))


def read_timeline(folder: Path) -> Timeline:
    """The timeline of the case in a folder.

    Raises:
        InputFileError: no case in that folder.
        RecordDamaged: the journal does not verify or cannot be replayed.
    """
    course = _timeline(folder, lambda _: True)
    assert course is not None
    return course


def read_cases(
    folders: Sequence[Path] | Iterator[Path], wanted: Selection
) -> Iterator[CaseFacts | Unreadable]:
    """What the statistics need of every case that counts, one journal at a time.

    A damaged journal is not an error here: it comes as :class:`Unreadable`.
    """
    for folder in folders:
        try:
            course = _timeline(folder, wanted.opened)
        except UserError as bad:
            yield Unreadable(folder, str(bad))
            continue
        if course is not None and wanted.took_place(course.state):
            yield facts_of(course)


def _timeline(folder: Path, counts: Callable[[ev.CaseOpened], bool]) -> Timeline | None:
    """The timeline, or None if by its first event the case does not count."""
    lines = [entry.event for entry in read_journal(folder / JOURNAL).entries]
    need_lines(lines, folder)
    with replayable(folder):
        first = read_event(lines[0])
        if isinstance(first, ev.CaseOpened) and not counts(first):
            return None
        return timeline([first, *map(read_event, lines[1:])])
