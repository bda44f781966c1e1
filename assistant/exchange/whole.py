"""A whole case to give away or take in: journal bytes, the state they give, their hash."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from assistant.case.casefile import JOURNAL
from assistant.case.read_events import read_event
from assistant.errors import RecordDamaged, UserError
from assistant.files.atomic import open_existing, read_all
from assistant.progress import events as ev
from assistant.progress.apply import replay
from assistant.progress.state import CaseState
from assistant.record.chain import JournalLine, verify
from assistant.report.record import as_record, json_text


@dataclass(frozen=True, slots=True)
class WholeCase:
    """One case.

    Attributes:
        journal: its lines, verified, without an unfinished end.
        unfinished: bytes after them that no one acknowledged.
    """

    state: CaseState
    head_hash: str
    journal: bytes
    unfinished: int = 0


def load(folder: Path) -> WholeCase:
    """The case in ``folder``; nothing is changed and no lock taken.

    Raises:
        InputFileError: no case in that folder.
        RecordDamaged: the journal does not verify or cannot be replayed.
    """
    path = folder / JOURNAL
    fd = open_existing(path, os.O_RDONLY)
    try:
        raw = read_all(fd, path)
    finally:
        os.close(fd)
    return from_journal(raw, path)


def from_journal(raw: bytes, name: Path) -> WholeCase:
    """The case in the bytes of a journal; ``name`` is for messages.

    A journal that verifies may still have been made by hand: replaying asks of every event
    whether it belongs there, and the record is made as a proof.

    Raises:
        InputFileError: a journal of a later version.
        RecordDamaged: it does not verify, or does not replay into a case.
    """
    lines, chain = verify(raw, name)
    with replayable(name):
        state = replay(_events(lines))
        as_record(state, chain.head)
    return WholeCase(state, chain.head, raw[: chain.length], len(raw) - chain.length)


@contextmanager
def replayable(name: Path | str) -> Iterator[None]:
    """Turns whatever a forged event makes our functions stumble over into one sentence.

    Raises:
        RecordDamaged: in place of any exception that is not meant for the user.
    """
    try:
        yield
    except (UserError, OSError):
        raise
    except Exception as bad:
        said = str(bad).splitlines() or [type(bad).__name__]
        raise RecordDamaged(
            f"The journal in {name} verifies but cannot be replayed ({said[0][:120]}); keep "
            "the file and use the version of the program that wrote it."
        ) from None


def record_text(case: WholeCase) -> str:
    """``record.json`` of the case, byte for byte as ``fillwarm note`` writes it."""
    return json_text(as_record(case.state, case.head_hash))


def _events(lines: list[JournalLine]) -> list[ev.AnyEvent]:
    found: list[ev.AnyEvent] = []
    for line in lines:
        try:
            found.append(read_event(line.event))
        except ValidationError as bad:
            where = ".".join(str(part) for part in bad.errors()[0]["loc"])
            raise ValueError(f"event {line.seq}, {where}: {bad.errors()[0]['msg']}") from None
    return found
