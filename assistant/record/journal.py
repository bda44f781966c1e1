"""The append-only journal: the truth of a case, one JSON line per event.

A line is canonical JSON (sorted keys, no spaces, UTF-8) with six fields::

    at          wall time the caller gave, ISO 8601 with an offset
    batch_left  how many lines of the same batch are still to come
    event       the payload, any JSON object
    hash        SHA-256 over the canonical JSON of the other five fields
    prev        SHA-256 of the line before, newline included; zeros at first
    seq         0 for the header, then 1, 2, 3 ...

Line one is the header, which names the format and its version (a later version
may change any line but this one). A batch is one decision: the lines of one
:meth:`Journal.append`. A batch that ends the file unfinished was never
acknowledged and is put aside whole, so that a replay never sees half a
decision. A last piece without a newline is torn; a finished line that does not
verify is damage, wherever it stands.

What the chain cannot show: whole batches cut off at the end leave a shorter
journal that is valid, and whoever rewrites every line can make a new valid
chain. A note signed elsewhere that carries ``head_hash`` exposes both: that
hash must be the ``line_hash`` of some entry here. ``tail -n 1 | sha256sum``
gives the same figure.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import sys
from collections.abc import Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple, NoReturn, Self

from assistant.errors import InputFileError, RecordDamaged, RecordUnwritable
from assistant.record.atomic import (
    OS_FILES,
    FileLayer,
    beside,
    cut,
    lock,
    open_existing,
    read_all,
    unwritable,
    write_all,
    write_new,
)

FORMAT = "fillwarm-journal"
VERSION = 1
NO_HASH = "0" * 64

_HEADER = {"format": FORMAT, "version": VERSION}
_FIELDS = {"at": str, "batch_left": int, "event": dict, "hash": str, "prev": str, "seq": int}
# Far above any event of ours and far below where the JSON reader gives up,
# which depends on how deep the caller's own stack is.
_DEEPEST = 64


@dataclass(frozen=True, slots=True)
class Entry:
    """One verified line (the header is not an entry).

    Attributes:
        seq: place in the journal, from 1.
        at: wall time, ISO 8601 with offset, as the caller gave it.
        event: the payload as JSON reads it back (tuples are lists).
        batch_left: lines of the same batch that follow; 0 ends the batch.
        line_hash: SHA-256 hex of the line; the ``head_hash`` at that moment.
    """

    seq: int
    at: str
    event: dict[str, Any]
    batch_left: int
    line_hash: str


@dataclass(frozen=True, slots=True)
class Read:
    """What :func:`read_journal` found.

    Attributes:
        entries: the whole batches.
        torn: bytes after them that no append acknowledged, or None; while
            another process appends, these may be its batch in the making.
        head_hash: SHA-256 hex of the last line of the last whole batch.
    """

    entries: list[Entry]
    torn: bytes | None
    head_hash: str


class _Chain(NamedTuple):
    """Where the next line goes: its seq and prev, and the length in bytes so far."""

    seq: int = 0
    head: str = NO_HASH
    length: int = 0


def read_journal(path: Path) -> Read:
    """Verify and read ``path`` without a lock and without changing anything.

    Raises:
        InputFileError: no such file, not a file, unreadable, newer version.
        RecordDamaged: a line does not verify; the message names it.
    """
    fd = open_existing(path, os.O_RDONLY)
    try:
        raw = read_all(fd, path)
    finally:
        os.close(fd)
    entries, chain = _verify(raw, path)
    return Read(entries, raw[chain.length :] or None, chain.head)


class Journal:
    """A journal open for appending; holds the lock until :meth:`close`.

    For one thread. Use :meth:`create` or :meth:`open`, then as a context
    manager.
    """

    def __init__(
        self, path: Path, fd: int, lock_fd: int, chain: _Chain, files: FileLayer
    ) -> None:
        self.path = path
        self._fd = fd
        self._lock_fd = lock_fd
        self._chain = chain
        self._files = files
        self._doubtful = False
        self._closed = False

    @classmethod
    def create(cls, path: Path, at: str, files: FileLayer = OS_FILES) -> Journal:
        """A new journal with its header on the disk; ``at`` as in :meth:`append`.

        Raises:
            RecordUnwritable: the name is taken (nothing is overwritten), the
                folder is missing or the disk refuses; no file stays.
            CaseBusy: another process is making the same case.
            ValueError: ``at`` is no wall time with an offset.
        """
        _require_offset(at)
        header, chain = _line(_Chain(), at, _HEADER, 0)
        taken = RecordUnwritable(
            f"{path} exists already and was left as it is; open that case or choose "
            "another name."
        )
        if os.path.lexists(path):  # before the lock file is made beside it
            raise taken
        path = _one_name(path)
        with ExitStack() as undo:
            lock_fd = lock(path)
            undo.callback(os.close, lock_fd)
            try:
                write_new(path, header, files)
            except FileExistsError:
                raise taken from None
            fd = open_existing(path, os.O_RDWR | os.O_APPEND)
            undo.pop_all()
        return cls(path, fd, lock_fd, chain, files)

    @classmethod
    def open(cls, path: Path, files: FileLayer = OS_FILES) -> Opened:
        """Lock, verify and open ``path``; put an unfinished end aside.

        What follows the last whole batch is kept byte for byte in
        ``<path>.torn-1`` (or the next free number) before it is cut off. A
        file that is empty or ends within its header (a crash during
        :meth:`create`) opens without entries; the next append writes the
        header.

        Raises:
            InputFileError: no such file, not a file, newer version.
            RecordDamaged: a line does not verify; nothing was changed.
            CaseBusy: another process has the case open.
            RecordUnwritable: the file may not be written, or the unfinished
                end could not be kept (then nothing was cut off).
        """
        path = _one_name(path)
        with ExitStack() as undo:
            fd = open_existing(path, os.O_RDWR | os.O_APPEND)
            undo.callback(os.close, fd)
            lock_fd = lock(path)
            undo.callback(os.close, lock_fd)
            raw = read_all(fd, path)
            entries, chain = _verify(raw, path)
            recovery = None
            if torn := raw[chain.length :]:
                aside = _keep_aside(path, torn, files)
                cut(path, fd, chain.length, files)
                recovery = (
                    f"The last {len(torn)} bytes of {path.name} were an entry never finished; "
                    f"they are kept in {aside.name} and the case goes on "
                    + (f"after entry {entries[-1].seq}." if entries else "from its beginning.")
                )
            undo.pop_all()
        return Opened(cls(path, fd, lock_fd, chain, files), entries, recovery)

    @property
    def head_hash(self) -> str:
        """SHA-256 hex of the last acknowledged line, for a signed note to carry."""
        return self._chain.head

    def append(self, events: Sequence[Mapping[str, object]], at: str) -> list[Entry]:
        """Record one decision; on return every line of it is on the disk.

        After an error nothing of the batch counts and the same call may be
        made again. Only if the disk also refused to take the batch back, and
        the process dies before another append, may it be found on opening.

        Args:
            events: JSON objects (string keys, finite numbers); none, no write.
            at: wall time of the batch, ISO 8601 extended format with offset.

        Raises:
            RecordUnwritable: the disk refused, or the file was moved away.
            RecordDamaged: another program changed the file meanwhile.
            ValueError: an event is not JSON, or ``at`` is no wall time with
                an offset, or the journal is closed; nothing was written.
        """
        if self._closed:
            raise ValueError("the journal is closed")
        _require_offset(at)
        if not events:
            return []
        chain, data, entries = self._chain, b"", []
        if chain.seq == 0:  # opened empty, after a crash in create
            data, chain = _line(chain, at, _HEADER, 0)
        for left, event in zip(reversed(range(len(events))), events, strict=True):
            line, after = _line(chain, at, event, left)
            entries.append(_read_back(line, chain, event))
            data, chain = data + line, after

        self._check_file()
        # Stays set if anything, even Ctrl-C, comes between here and the end.
        self._doubtful = True
        try:
            write_all(self._files, self._fd, data)
            self._files.fsync(self._fd)
        except OSError as error:
            # Best effort: the next append, or the next open, does it again.
            with suppress(RecordUnwritable):
                cut(self.path, self._fd, self._chain.length, self._files)
            raise unwritable(self.path, error) from error
        self._chain = chain
        self._doubtful = False
        return entries

    def _check_file(self) -> None:
        """Append only to the file of that name, as this journal left it."""
        try:
            in_place = os.path.samestat(self.path.stat(), os.fstat(self._fd))
        except OSError:
            in_place = False
        if not in_place:
            raise RecordUnwritable(
                f"{self.path} was moved, replaced or deleted while the case was open; "
                "put the file back and try again."
            )
        if self._doubtful:
            self._restore_end()
        elif os.fstat(self._fd).st_size != self._chain.length:
            raise RecordDamaged(
                f"{self.path} was changed by another program after entry "
                f"{self._chain.seq - 1}; close the case and open it again."
            )

    def _restore_end(self) -> None:
        """After a failed write or fsync: trust what reads back, not what was sent."""
        if sys.platform == "linux":
            # From the disk, where it can be: a failed fsync leaves pages in
            # the cache that look written and are not.
            with suppress(OSError):
                os.posix_fadvise(self._fd, 0, 0, os.POSIX_FADV_DONTNEED)
        raw = read_all(self._fd, self.path)
        _, found = _verify(raw[: self._chain.length], self.path)
        if found != self._chain:
            raise RecordDamaged(
                f"{self.path} no longer holds all it held: it verifies up to entry "
                f"{found.seq - 1} of {self._chain.seq - 1}; keep the file and check the disk."
            )
        if len(raw) > self._chain.length:
            cut(self.path, self._fd, self._chain.length, self._files)

    def close(self) -> None:
        """Give up the file and the lock; a second call does nothing."""
        if not self._closed:
            self._closed = True
            os.close(self._fd)
            os.close(self._lock_fd)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


@dataclass(frozen=True, slots=True)
class Opened:
    """What :meth:`Journal.open` gives.

    Attributes:
        journal: ready to append.
        entries: all entries so far.
        recovery: one sentence on what was put aside and where, or None.
    """

    journal: Journal
    entries: list[Entry]
    recovery: str | None


def _canonical(value: object) -> bytes:
    return json.dumps(
        value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    ).encode()


def _line(
    chain: _Chain, at: str, event: Mapping[str, object], batch_left: int
) -> tuple[bytes, _Chain]:
    """The next line after ``chain``, and the chain with it."""
    fields: dict[str, object] = {
        "at": at,
        "batch_left": batch_left,
        "event": event,
        "prev": chain.head,
        "seq": chain.seq,
    }
    try:
        fields["event"] = dict(event)
        fields["hash"] = hashlib.sha256(_canonical(fields)).hexdigest()
        line = _canonical(fields) + b"\n"
    except (TypeError, ValueError, RecursionError) as error:
        raise ValueError(f"the event cannot be recorded as JSON: {error}") from error
    return line, _extend(chain, line)


def _extend(chain: _Chain, line: bytes) -> _Chain:
    head = hashlib.sha256(line).hexdigest()
    return _Chain(chain.seq + 1, head, chain.length + len(line))


def _read_back(line: bytes, chain: _Chain, event: Mapping[str, object]) -> Entry:
    """The entry as a later reader will see it; refuses what would not read back."""
    try:
        entry = _parse(line, chain)
    except ValueError as error:
        raise ValueError(f"the event would not read back ({error}): {event!r}") from error
    if _deeper_than(_DEEPEST, entry.event):
        raise ValueError(f"the event is nested more than {_DEEPEST} deep")
    return entry


def _deeper_than(levels: int, value: object) -> bool:
    if not isinstance(value, dict | list):
        return False
    inner = value.values() if isinstance(value, dict) else value
    return levels == 0 or any(_deeper_than(levels - 1, item) for item in inner)


def _parse(line: bytes, chain: _Chain) -> Entry:
    """The entry in ``line`` as the one after ``chain``; ValueError says what is wrong."""
    try:
        fields = json.loads(line.decode())
        canonical = _canonical(fields) + b"\n"
    except UnicodeDecodeError:
        raise ValueError("it is not UTF-8") from None
    except (ValueError, RecursionError):
        raise ValueError("it is not JSON") from None
    if not isinstance(fields, dict) or {k: type(v) for k, v in fields.items()} != _FIELDS:
        raise ValueError("its fields are not those of a journal line")
    if canonical != line:
        raise ValueError("it is not written as the journal writes")
    sealed = fields.pop("hash")
    if hashlib.sha256(_canonical(fields)).hexdigest() != sealed:
        raise ValueError("its content does not match its hash")
    if fields["seq"] != chain.seq:
        raise ValueError(f"it is entry {fields['seq']} where entry {chain.seq} belongs")
    if fields["prev"] != chain.head:
        raise ValueError("it does not follow from the line before")
    return Entry(
        seq=chain.seq,
        at=fields["at"],
        event=fields["event"],
        batch_left=fields["batch_left"],
        line_hash=hashlib.sha256(line).hexdigest(),
    )


def _verify(raw: bytes, path: Path) -> tuple[list[Entry], _Chain]:
    """Entries of the whole batches in ``raw``, and the chain up to their end."""
    whole: list[Entry] = []
    batch: list[Entry] = []
    whole_chain = chain = _Chain()
    while end := raw.find(b"\n", chain.length) + 1:
        line = raw[chain.length : end]
        try:
            entry = _parse(line, chain)
            if batch and entry.batch_left != batch[-1].batch_left - 1:
                raise ValueError("it does not continue the batch of the line before")
            if entry.batch_left < 0:
                raise ValueError("its place in the batch is impossible")
        except ValueError as error:
            _damaged(path, chain.seq + 1, str(error))
        if chain.seq == 0:
            _check_header(entry, path)
        else:
            batch.append(entry)
        chain = _extend(chain, line)
        if entry.batch_left == 0:
            whole += batch
            batch, whole_chain = [], chain
    if chain.seq == 0 and not _begins_header(raw):
        _damaged(path, 1, "it is not the header of a journal")
    return whole, whole_chain


def _check_header(header: Entry, path: Path) -> None:
    if header.batch_left or header.event.get("format") != FORMAT:
        _damaged(path, 1, "it is not the header of a journal")
    if header.event != _HEADER:
        raise InputFileError(
            f"{path} is a journal of version {header.event.get('version')} and this program "
            f"reads version {VERSION}; open it with a newer version of the program."
        )


def _begins_header(raw: bytes) -> bool:
    """Whether ``raw`` can be what a crash during ``create`` leaves.

    Otherwise a text file given by mistake would pass for a torn journal.
    """
    begun = raw.rstrip(b"\0")  # some file systems leave zeros after a power cut
    opening = re.match(rb'\{"at":"([^"\\]*)("?)', begun)
    if opening is None:
        return b'{"at":"'.startswith(begun)
    if not opening[2]:
        return opening.end() == len(begun)
    header, _ = _line(_Chain(), opening[1].decode(errors="replace"), _HEADER, 0)
    return header.startswith(begun)


def _damaged(path: Path, line: int, what: str) -> NoReturn:
    raise RecordDamaged(
        f"{path} is damaged at line {line}: {what}; keep the file as it is and go on "
        "with a back-up of it or a new case."
    )


def _require_offset(at: str) -> None:
    try:
        fits = "T" in at and datetime.fromisoformat(at).utcoffset() is not None
    except ValueError:
        fits = False
    if not fits:
        raise ValueError(f"{at!r} is not an ISO 8601 date and time with an offset")


def _one_name(path: Path) -> Path:
    """The same name, hence the same lock, however a link or a folder led here."""
    return Path(os.path.realpath(path))


def _keep_aside(path: Path, torn: bytes, files: FileLayer) -> Path:
    number = 1
    while True:
        aside = beside(path, f".torn-{number}")
        try:
            write_new(aside, torn, files)
        except FileExistsError:
            number += 1
        else:
            return aside
