"""A case on disk: its folder, its journal, and the state the journal gives.

``take`` is the only way a running program changes a case: decide, write the
events and wait until they are on the disk, and only then let them count.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from pydantic import ValidationError

from assistant import __version__
from assistant.case.between import (
    chosen_verbosity,
    clock_went_back,
    since_then,
    this_machine,
)
from assistant.case.read_events import read_event
from assistant.errors import RecordDamaged, RecordUnwritable
from assistant.files.atomic import OS_FILES, FileLayer, make_folder, reason
from assistant.procedure.decide import decide
from assistant.progress import events as ev
from assistant.progress.apply import apply, opened, replay
from assistant.progress.entries import Seal
from assistant.progress.intents import AnyIntent, Reopen
from assistant.progress.state import CaseState
from assistant.protocol.model import Protocol
from assistant.protocol.moment import Moment
from assistant.protocol.own_instruments import PluggerFile
from assistant.record.chain import JournalLine
from assistant.record.journal import Journal, read_journal

JOURNAL = "journal.jsonl"
"""Name of the journal in the folder of a case."""


class CaseFile:
    """An open case; one process holds it at a time.

    Attributes:
        folder: where everything of the case lives.
        state: what the journal says.
        recovery: what was put aside when it was opened, and that the clock went back since,
            in sentences; or None.
        reopening: what its reopening led to; empty for a fresh case.
        verbosity: which prompts were asked for before it was opened again ("say_less").
    """

    def __init__(
        self, folder: Path, journal: Journal, state: CaseState, recovery: str | None = None
    ) -> None:
        self.folder = folder
        self.state = state
        self.recovery = recovery
        self.reopening: tuple[ev.AnyEvent, ...] = ()
        self.verbosity: str | None = None
        self._journal = journal

    @classmethod
    def create(
        cls,
        folder: Path,
        protocol: Protocol,
        now: Moment,
        *,
        case_code: str,
        operator: str,
        assistant: str = "",
        people: tuple[str, ...] = (),
        demo: bool = False,
        instruments: PluggerFile | None = None,
        files: FileLayer = OS_FILES,
    ) -> CaseFile:
        """Begin a case in ``folder``, made if it is not there.

        Raises:
            RecordUnwritable: the folder cannot be written, or holds a case.
            CaseBusy: another process is beginning it.
        """
        try:
            make_folder(folder, files)
        except OSError as bad:
            raise RecordUnwritable(
                f"The folder {folder} cannot be made ({reason(bad)}); "
                "choose another with --case."
            ) from None
        first = ev.CaseOpened(
            at=now,
            case_code=case_code,
            operator=operator,
            assistant=assistant,
            people=people,
            demo=demo,
            program=__version__,
            protocol=protocol,
            instruments=instruments,
            machine=this_machine(),
        )
        at = now.wall.isoformat()
        journal = Journal.create(folder / JOURNAL, at, files, _lines((first,)))
        return cls(folder, journal, opened(first))

    @classmethod
    def reopen(cls, folder: Path, now: Moment, files: FileLayer = OS_FILES) -> CaseFile:
        """Go on with a case where its journal ends.

        Raises:
            InputFileError: no case in that folder.
            RecordDamaged: the journal does not verify or cannot be replayed.
            RecordUnwritable, CaseBusy: see :meth:`Journal.open`.
        """
        found = Journal.open(folder / JOURNAL, files)
        try:
            state, _ = _replayed([entry.event for entry in found.entries], folder)
            told = " ".join(filter(None, (found.recovery, clock_went_back(found.entries, now))))
            case = cls(folder, found.journal, state, told or None)
            if state.signed is None:
                machine = this_machine()
                since = since_then(found.entries, now, machine)
                note = " ".join(filter(None, (told or "Nothing was lost.", since)))
                again = Reopen(note=note, since=since, machine=machine)
                case.verbosity = chosen_verbosity(found.entries)
                case.reopening = case.take(again, now)
        except BaseException:
            found.journal.close()
            raise
        return case

    @property
    def head_hash(self) -> str:
        """Hash of the last line, which stands for the whole journal."""
        return self._journal.head_hash

    def take(self, intent: AnyIntent, now: Moment) -> tuple[ev.AnyEvent, ...]:
        """Decide, record, and only then let it count.

        Raises:
            RecordUnwritable: the disk refused; the state is as before and the
                same intent may be taken again. Not for a mere question: that is
                answered, and only its note in the journal is missing.
        """
        decided = decide(self.state, intent, now)
        if decided.events:
            try:
                self._write(decided.events, now)
            except RecordUnwritable:
                # A question changes nothing in the case, and is answered all the same.
                if not all(isinstance(event, ev.Queried) for event in decided.events):
                    raise
        self.state = decided.state
        return decided.events

    def seal(self, seal: Seal) -> None:
        """Record that the head of the signed case was kept elsewhere: nothing is decided.

        Raises:
            RecordUnwritable: as :meth:`take`.
        """
        event = ev.HeadSealed(seal=seal)
        self._write((event,), seal.at)
        self.state = apply(self.state, event)

    def _write(self, events: tuple[ev.AnyEvent, ...], now: Moment) -> None:
        self._journal.append(_lines(events), now.wall.isoformat())

    def close(self) -> None:
        """Let go of the case."""
        self._journal.close()


class WholeRead(NamedTuple):
    """A case as its journal tells it, its lines with it; ``unfinished`` counts bytes after
    the whole batches."""

    state: CaseState
    events: list[ev.AnyEvent]
    head_hash: str
    unfinished: int
    lines: list[JournalLine]


def read_whole(folder: Path) -> WholeRead:
    """Everything of a case from one reading, without opening it for writing.

    Raises:
        InputFileError: no case in that folder.
        RecordDamaged: the journal does not verify or cannot be replayed.
    """
    found = read_journal(folder / JOURNAL)
    state, events = _replayed([entry.event for entry in found.entries], folder)
    unfinished = len(found.torn or b"")
    return WholeRead(state, events, found.head_hash, unfinished, found.entries)


def read_case(folder: Path) -> tuple[CaseState, str]:
    """State and head hash of a case; see :func:`read_whole`."""
    whole = read_whole(folder)
    return whole.state, whole.head_hash


def _lines(events: Iterable[ev.AnyEvent]) -> list[dict[str, object]]:
    return [ev.EVENTS.dump_python(event, mode="json") for event in events]


@contextmanager
def replayable(folder: Path) -> Iterator[None]:
    """While events are read and replayed: what does not fit is the record's damage.

    Raises:
        RecordDamaged: in the place of what pydantic and :func:`apply` raise.
    """
    try:
        yield
    except (ValidationError, ValueError, KeyError, IndexError) as bad:
        why = str(bad).splitlines()[0]
        raise RecordDamaged(
            f"The journal in {folder} verifies but cannot be replayed ({why}); "
            "keep the folder and open it with the version that wrote it."
        ) from None


def need_lines(lines: Sequence[object], folder: Path) -> None:
    """Nothing can be replayed of a journal that ends before its first entry.

    Raises:
        RecordDamaged: there are no ``lines``.
    """
    if not lines:
        raise RecordDamaged(
            f"The journal in {folder} ends before its first entry, so nothing was recorded in "
            "it; move that folder away and begin the case again."
        )


def _replayed(
    lines: list[dict[str, object]], folder: Path
) -> tuple[CaseState, list[ev.AnyEvent]]:
    need_lines(lines, folder)
    with replayable(folder):
        events = [read_event(line) for line in lines]
        return replay(events), events
