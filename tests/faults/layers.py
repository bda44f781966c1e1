"""Disks that fail or die on demand, for a real process.

A layer stands where :data:`assistant.files.atomic.OS_FILES` does. As a program this runs
``fillwarm`` with one, described as JSON, and everything else as in real life::

    tests/faults/layers.py '{"layer": "doomed", "at": 7, "when": "half"}' run --typed ...
"""

from __future__ import annotations

import errno
import json
import os
import signal
import stat
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from assistant.files.atomic import OS_FILES, FileLayer

When = Literal["before", "half", "after"]


class Plain:
    """What the operating system does."""

    def write(self, fd: int, data: bytes) -> int:
        return os.write(fd, data)

    def fsync(self, fd: int) -> None:
        os.fsync(fd)

    def truncate(self, fd: int, length: int) -> None:
        os.ftruncate(fd, length)


class Doomed(Plain):
    """Kills its own process at the call number ``at``: before it, after it, or with a
    part of the bytes written (``half``; of other calls it is the same as before)."""

    def __init__(self, at: int, when: When, share: float = 0.5) -> None:
        self.left = at
        self.when = when
        self.share = share

    def write(self, fd: int, data: bytes) -> int:
        self.left -= 1
        if self.left == 0 and self.when == "half":
            os.write(fd, data[: round(self.share * len(data))])
        self._die("before", "half")
        taken = os.write(fd, data)
        self._die("after")
        return taken

    def fsync(self, fd: int) -> None:
        self.left -= 1
        self._die("before", "half")
        os.fsync(fd)
        self._die("after")

    def truncate(self, fd: int, length: int) -> None:
        self.left -= 1
        self._die("before", "half")
        os.ftruncate(fd, length)
        self._die("after")

    def _die(self, *moments: When) -> None:
        if self.left == 0 and self.when in moments:
            os.kill(os.getpid(), signal.SIGKILL)


@dataclass
class Refusing(Plain):
    """Answers ``number`` to the calls ``on`` while the file ``flag`` is there.

    A write on a full disk takes ``room`` bytes first, as real ones do.
    """

    number: int
    flag: str
    on: tuple[str, ...] = ("write",)
    room: int = 100

    def _refuse(self, call: str) -> None:
        if call in self.on and Path(self.flag).exists():
            raise OSError(self.number, os.strerror(self.number))

    def write(self, fd: int, data: bytes) -> int:
        if len(data) > self.room and self.number == errno.ENOSPC and Path(self.flag).exists():
            return os.write(fd, data[: self.room])
        self._refuse("write")
        return os.write(fd, data)

    def fsync(self, fd: int) -> None:
        self._refuse("fsync")
        os.fsync(fd)

    def truncate(self, fd: int, length: int) -> None:
        self._refuse("truncate")
        os.ftruncate(fd, length)


@dataclass
class Slow(Plain):
    """An fsync takes ``seconds`` while the file ``flag`` is there."""

    seconds: float
    flag: str

    def fsync(self, fd: int) -> None:
        if Path(self.flag).exists():
            time.sleep(self.seconds)
        os.fsync(fd)


class Remembering:
    """Keeps what a power cut would leave: after each fsync a copy of the file in
    ``shadow``, by inode, and of a folder its names. See :mod:`powercut`."""

    def __init__(self, shadow: Path, under: FileLayer) -> None:
        self.shadow = shadow
        self.under = under

    def write(self, fd: int, data: bytes) -> int:
        return self.under.write(fd, data)

    def truncate(self, fd: int, length: int) -> None:
        self.under.truncate(fd, length)

    def fsync(self, fd: int) -> None:
        # The copy counts once it has its name: after the call, or, where the call kills
        # after doing its work, just before.
        about = os.fstat(fd)
        kept = self.shadow / f"{about.st_ino}"
        new = kept.with_suffix(".new")
        if stat.S_ISDIR(about.st_mode):
            new.write_text(json.dumps({e.name: e.inode() for e in os.scandir(fd)}))
        else:
            new.write_bytes(os.pread(fd, about.st_size, 0))
        if isinstance(self.under, Doomed) and self.under.left == 1:
            if self.under.when == "after":
                new.replace(kept)
            self.under.fsync(fd)
        self.under.fsync(fd)
        new.replace(kept)


def install(layer: FileLayer) -> None:
    """Let everything that writes in this process do it through ``layer``."""
    for call in ("write", "fsync", "truncate"):
        setattr(OS_FILES, call, getattr(layer, call))


LAYERS = {"doomed": Doomed, "refusing": Refusing, "slow": Slow, "plain": Plain}


def main() -> None:
    """Run ``fillwarm`` on the disk that the first argument describes."""
    plan = json.loads(sys.argv.pop(1))
    install(LAYERS[plan.pop("layer")](**plan))
    from assistant.commandline.main import main as fillwarm

    fillwarm(prog_name="fillwarm")


if __name__ == "__main__":
    main()
