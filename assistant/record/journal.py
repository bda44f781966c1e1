"""The append-only journal: the truth of a case, one JSON line per event.

:mod:`.chain` has the format and what verifies; this is the file: one writer,
a batch on the disk before it is acknowledged, an unfinished end put aside.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from assistant.errors import RecordDamaged, RecordUnwritable, UserError
from assistant.files.atomic import (
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
from assistant.record.chain import (
    Chain,
    JournalLine,
    make_batch,
    require_offset,
    verify,
)


@dataclass(frozen=True, slots=True)
class Read:
    """What :func:`read_journal` found.

    Attributes:
        entries: the whole batches.
        torn: bytes after them that no append acknowledged, or None; while
            another process appends, these may be its batch in the making.
        head_hash: SHA-256 hex of the last line of the last whole batch.
    """

    entries: list[JournalLine]
    torn: bytes | None
    head_hash: str


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
    entries, chain = verify(raw, path)
    return Read(entries, raw[chain.length :] or None, chain.head)


class Journal:
    """A journal open for appending; holds the lock until :meth:`close`.

    For one thread. Use :meth:`create` or :meth:`open`, then as a context
    manager.
    """

    def __init__(
        self, path: Path, fd: int, lock_fd: int, chain: Chain, files: FileLayer
    ) -> None:
        self.path = path
        self._fd = fd
        self._lock_fd = lock_fd
        self._chain = chain
        self._files = files
        self._doubtful = False
        self._closed = False

    @classmethod
    def create(
        cls,
        path: Path,
        at: str,
        files: FileLayer = OS_FILES,
        first: Sequence[Mapping[str, object]] = (),
    ) -> Journal:
        """A new journal with its header and the batch ``first`` on the disk.

        A crash leaves both or no journal. ``at`` and ``first`` are as in :meth:`append`.

        Raises:
            RecordUnwritable: the name is taken (nothing is overwritten), the
                folder is missing or the disk refuses; no file stays.
            CaseBusy: another process is making the same case.
            ValueError: as for :meth:`append`.
        """
        require_offset(at)
        data, chain, _ = make_batch(Chain(), at, first)
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
                write_new(path, data, files)
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
        file that is empty or ends within its header opens without entries;
        the next append writes the header.

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
            entries, chain = verify(raw, path)
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

    def append(self, events: Sequence[Mapping[str, object]], at: str) -> list[JournalLine]:
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
        require_offset(at)
        if not events:
            return []
        data, chain, entries = make_batch(self._chain, at, events)

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
        if os.fstat(self._fd).st_nlink == 0 and not os.path.lexists(self.path):
            self._put_back()
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

    def _put_back(self) -> None:
        """The file was deleted, but as long as it is open it is there: write it again."""
        raw = read_all(self._fd, self.path)[: self._chain.length]
        _, found = verify(raw, self.path)
        if found != self._chain:
            return
        with suppress(FileExistsError):
            write_new(self.path, raw, self._files)
            fd = open_existing(self.path, os.O_RDWR | os.O_APPEND)
            os.close(self._fd)
            self._fd = fd

    def _restore_end(self) -> None:
        """After a failed write or fsync: trust what reads back, not what was sent."""
        if sys.platform == "linux":
            # From the disk, where it can be: a failed fsync leaves pages in
            # the cache that look written and are not.
            with suppress(OSError):
                os.posix_fadvise(self._fd, 0, 0, os.POSIX_FADV_DONTNEED)
        raw = read_all(self._fd, self.path)
        _, found = verify(raw[: self._chain.length], self.path)
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
            if self._doubtful:  # the disk may by now take back what it did not confirm
                with suppress(UserError, OSError):
                    self._check_file()
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
    entries: list[JournalLine]
    recovery: str | None


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
