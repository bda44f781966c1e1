"""The disk's side of a record: bytes that are there, whole, before a function
returns, and one writer at a time.

Three calls to the operating system can fail half way (write, fsync,
truncate); they go through :class:`FileLayer` so that tests can make them.
Files made here are readable by their owner only: they hold patient data.
"""

from __future__ import annotations

import errno
import os
import shutil
import stat
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Protocol

from assistant.errors import CaseBusy, InputFileError, RecordUnwritable

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

BINARY = getattr(os, "O_BINARY", 0)
"""Flag for ``os.open``; keeps Windows from rewriting newlines."""

OWNER_ONLY = 0o600

TEMPORARY = ".fillwarm-"
"""How the names of files begin that are not whole yet."""

_NO_SPACE = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
_NOT_ALLOWED = frozenset({errno.EACCES, errno.EPERM, errno.EROFS})
_CANNOT_SYNC_FOLDERS = frozenset({errno.EINVAL, errno.ENOTSUP})


class FileLayer(Protocol):
    """The calls on an open file descriptor that a disk can refuse."""

    def write(self, fd: int, data: bytes) -> int:
        """Write some of ``data``; the number of bytes taken, possibly too few."""

    def fsync(self, fd: int) -> None:
        """Return once what was written is on the medium."""

    def truncate(self, fd: int, length: int) -> None:
        """Cut the file to ``length`` bytes."""


class _OsFiles:
    def write(self, fd: int, data: bytes) -> int:
        return os.write(fd, data)

    def fsync(self, fd: int) -> None:
        if sys.platform == "darwin":
            # fsync there leaves the bytes in the drive's own cache; not every
            # file system has the stronger call.
            with suppress(OSError):
                fcntl.fcntl(fd, fcntl.F_FULLFSYNC)
                return
        os.fsync(fd)

    def truncate(self, fd: int, length: int) -> None:
        os.ftruncate(fd, length)


OS_FILES: FileLayer = _OsFiles()
"""The real file layer."""


def unwritable(path: Path, error: OSError) -> RecordUnwritable:
    """The sentence for the user when the disk refused ``path``."""
    if error.errno in _NO_SPACE:
        advice = "free some space on that disk and try again"
    elif error.errno in _NOT_ALLOWED:
        advice = "allow writing to that folder or choose another one"
    else:
        advice = "check the disk and the folder and try again"
    return RecordUnwritable(f"{path} could not be written ({reason(error)}); {advice}.")


def reason(error: OSError) -> str:
    """What the operating system says was wrong, without number and path."""
    return error.strerror or type(error).__name__


def write_all(files: FileLayer, fd: int, data: bytes) -> None:
    """Write all of ``data``: one call, and more only where the disk takes less.

    Raises:
        OSError: as the file layer raised it; part of ``data`` may be written.
    """
    while data:
        taken = files.write(fd, data)
        if taken <= 0:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        data = data[taken:]


def sync_folder(folder: Path, files: FileLayer = OS_FILES) -> None:
    """Make the names in ``folder`` durable; nothing to do on Windows.

    Raises:
        OSError: the folder could not be opened or synced.
    """
    if sys.platform == "win32":
        return
    fd = os.open(folder, os.O_RDONLY)
    try:
        files.fsync(fd)
    except OSError as error:
        # Some network file systems have no such call and need none.
        if error.errno not in _CANNOT_SYNC_FOLDERS:
            raise
    finally:
        os.close(fd)


@contextmanager
def _or_nothing(path: Path, made: Path) -> Iterator[None]:
    """Take ``made`` away again if anything fails while ``path`` is written."""
    try:
        yield
    except BaseException as error:
        with suppress(OSError):
            made.unlink()
        if isinstance(error, OSError):
            raise unwritable(path, error) from error
        raise


def write_new(path: Path, data: bytes, files: FileLayer = OS_FILES) -> None:
    """Make ``path`` with ``data`` in it, both durable; never overwrite.

    A crash leaves the whole file or none. For one writer at a time: the caller holds
    the :func:`lock` of what the file belongs to.

    Raises:
        FileExistsError: something of that name is there; it is untouched.
        RecordUnwritable: the disk refused; the file is taken away again.
    """
    if os.path.lexists(path):
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
    _put(path, data, files)
    with _or_nothing(path, made=path):
        sync_folder(path.parent, files)


def write_atomically(path: Path, data: bytes | str, files: FileLayer = OS_FILES) -> None:
    """Put ``data`` (text as UTF-8) at ``path``: the old file or the new, never a mixture.

    A new file in the same folder is written and fsynced, takes the name, and
    the folder is fsynced. A file that is replaced passes on its permissions.

    Raises:
        RecordUnwritable: the disk refused. No temporary file stays; the old
            content stays, except where only the last step (fsync of the
            folder) failed: then the new content is in place but may not
            survive a power cut.
    """
    _put(path, data.encode() if isinstance(data, str) else data, files)
    try:
        sync_folder(path.parent, files)
    except OSError as error:
        raise unwritable(path, error) from error


def _put(path: Path, data: bytes, files: FileLayer) -> None:
    """Give ``path`` a new file with ``data``, which is on the disk; its name may not be."""
    clear_leftovers(path.parent)
    try:
        fd, temporary = _temporary(path.parent)
    except OSError as error:
        raise unwritable(path, error) from error
    with _or_nothing(path, made=temporary):
        try:
            write_all(files, fd, data)
            files.fsync(fd)
            with suppress(FileNotFoundError):
                shutil.copymode(path, temporary)
            if sys.platform != "win32":  # while it is locked
                temporary.replace(path)
        finally:
            os.close(fd)
        if sys.platform == "win32":  # an open file keeps its name there
            temporary.replace(path)


def _temporary(folder: Path) -> tuple[int, Path]:
    """A new locked file: one that nobody has locked was left by a process that died."""
    while True:
        fd, name = tempfile.mkstemp(prefix=TEMPORARY, suffix=".tmp", dir=folder)
        held = True
        with suppress(OSError):  # without locks on that disk nobody clears up either
            held = _try_lock(fd)
        if held and os.path.lexists(name):
            return fd, Path(name)
        os.close(fd)  # taken for a leftover in the moment before it was locked


def clear_leftovers(folder: Path) -> None:
    """Take away the unfinished files of processes that were killed, as far as possible."""
    for left in folder.glob(f"{TEMPORARY}*.tmp"):
        with suppress(OSError):
            if sys.platform == "win32":
                left.unlink()  # refused while its writer lives
                continue
            fd = os.open(left, os.O_RDWR)
            try:
                if _try_lock(fd):
                    left.unlink()
            finally:
                os.close(fd)


def make_folder(folder: Path, files: FileLayer = OS_FILES) -> None:
    """Make ``folder``, and what is missing above it, so that a power cut leaves them.

    Raises:
        OSError: it cannot be made, or something else has its name.
    """
    missing = [one for one in (folder, *folder.parents) if not one.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for one in reversed(missing):
        # A folder above may be one in which this user can make files and see none.
        with suppress(PermissionError):
            sync_folder(one.parent, files)


def beside(path: Path, suffix: str) -> Path:
    """``path`` with ``suffix`` after its whole name."""
    return path.with_name(path.name + suffix)


def cut(path: Path, fd: int, length: int, files: FileLayer) -> None:
    """Cut the open file ``path`` to ``length`` bytes, durably; or RecordUnwritable."""
    try:
        files.truncate(fd, length)
        files.fsync(fd)
    except OSError as error:
        raise unwritable(path, error) from error


def open_existing(path: Path, flags: int) -> int:
    """Descriptor of the regular file ``path``.

    Raises:
        InputFileError: no such file, not a file, or not readable.
        RecordUnwritable: ``flags`` ask for writing and that is refused.
    """
    try:
        # Before opening: a pipe would wait for its other end.
        if not stat.S_ISREG(path.stat().st_mode):
            raise InputFileError(f"{path} is not a file; give the journal of a case.")
        return os.open(path, flags | BINARY)
    except FileNotFoundError:
        raise InputFileError(f"{path} does not exist; check the name of the case.") from None
    except OSError as error:
        if flags & os.O_RDWR:
            raise unwritable(path, error) from error
        raise _unreadable(path, error) from error


def _unreadable(path: Path, error: OSError) -> InputFileError:
    return InputFileError(
        f"{path} could not be read ({reason(error)}); check its permissions and the disk."
    )


def read_all(fd: int, path: Path) -> bytes:
    """The whole content of an open file; InputFileError if the disk fails."""
    try:
        os.lseek(fd, 0, os.SEEK_SET)
        with os.fdopen(fd, "rb", closefd=False) as stream:
            return stream.read()
    except OSError as error:
        raise _unreadable(path, error) from error


def lock(path: Path) -> int:
    """Descriptor of the locked file beside ``path``; closing it, or dying, unlocks.

    The lock file stays: taking it away could take it from under the next holder.
    Its content is the pid of whoever holds, or last held, the lock.

    Raises:
        CaseBusy: another holder has it; the message names its pid if known.
        RecordUnwritable: the lock file cannot be made.
    """
    lock_path = beside(path, ".lock")
    try:
        fd = os.open(lock_path, os.O_RDWR | os.O_CREAT | BINARY, OWNER_ONLY)
    except OSError as error:
        raise unwritable(lock_path, error) from error
    try:
        if not _try_lock(fd):
            pid = os.read(fd, 20).decode(errors="replace").strip()
            holder = f"process {pid}" if pid.isdecimal() else "another process"
            raise CaseBusy(f"{path} is open in {holder}; close the case there first.")
        with suppress(OSError):  # a full disk need not keep a case from being opened
            os.ftruncate(fd, 0)
            os.write(fd, str(os.getpid()).encode())
    except BaseException as error:
        os.close(fd)
        if isinstance(error, OSError):
            raise unwritable(lock_path, error) from error
        raise
    return fd


if sys.platform == "win32":

    def _try_lock(fd: int) -> bool:
        # Locked bytes cannot be read there: lock one far beyond the pid.
        os.lseek(fd, 1 << 30, os.SEEK_SET)
        try:
            msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(fd, 0, os.SEEK_SET)
        return True

else:

    def _try_lock(fd: int) -> bool:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
