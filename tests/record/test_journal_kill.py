"""The journal under kill -9: nothing acknowledged is lost, nothing doubled.

A child process appends as fast as it can and prints each acknowledged seq; it
is killed at a random moment and the journal is opened again, over and over.
``FILLWARM_KILLS`` sets how often (a long campaign: 1000).

What this cannot show is a power cut: the system's file cache outlives the
process. For that the journal relies on fsync, whose place is checked in
``test_journal.py``.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from assistant.files.atomic import OS_FILES
from assistant.record.chain import JournalLine
from assistant.record.journal import Journal, read_journal

KILLS = int(os.environ.get("FILLWARM_KILLS", "40"))
KILLS_PER_JOURNAL = 20
LONGEST_RUN_S = 0.04
SEED = 1983
AT = "2031-05-06T09:08:07+02:00"


class Bits:
    """Writes a few bytes at a time, and kills its own process after ``fatal`` of them.

    A kernel finishes a short write even for a dying process; in bits, a kill
    has somewhere to fall.
    """

    def __init__(self, bit: int, fatal: int | None = None) -> None:
        self.bit = bit
        self.fatal = fatal

    def write(self, fd: int, data: bytes) -> int:
        if self.fatal == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        taken = data[: self.bit if self.fatal is None else min(self.bit, self.fatal)]
        if self.fatal is not None:
            self.fatal -= len(taken)
        return OS_FILES.write(fd, taken)

    def fsync(self, fd: int) -> None:
        if self.fatal == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        OS_FILES.fsync(fd)

    def truncate(self, fd: int, length: int) -> None:
        OS_FILES.truncate(fd, length)


def batch(first: int, size: int, pad: int) -> list[dict[str, object]]:
    """Events that carry their own number and where their batch begins and ends."""
    return [
        {"n": first + k, "batch": [first, first + size - 1], "pad": "x" * pad}
        for k in range(size)
    ]


def append_forever(path: Path, seed: int) -> None:
    """The child: odd seeds write in bits, even seeds write as the real program does."""
    rng = random.Random(seed)
    opened = Journal.open(path, Bits(rng.choice([1, 2, 13])) if seed % 2 else OS_FILES)
    n = len(opened.entries) + 1
    while True:
        entries = opened.journal.append(batch(n, rng.randint(1, 4), rng.randint(0, 900)), AT)
        n += len(entries)
        os.write(1, f"{entries[-1].seq}\n".encode())


def child(*arguments: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, __file__, *arguments], stdout=subprocess.PIPE, bufsize=0
    )


def check(entries: list[JournalLine]) -> None:
    """Each number once and in order, and every batch whole."""
    assert [e.event["n"] for e in entries] == list(range(1, len(entries) + 1))
    assert [e.seq for e in entries] == list(range(1, len(entries) + 1))
    begins, ends = (
        zip(*(e.event["batch"] for e in entries), strict=True) if entries else ((), ())
    )
    assert set(ends) <= {e.seq for e in entries}
    assert all(b <= e.seq <= end for e, b, end in zip(entries, begins, ends, strict=True))


def reopen(path: Path) -> tuple[list[JournalLine], bool]:
    """Open after a crash; what was on the disk is in the journal or beside it."""
    before = path.read_bytes()
    asides = set(path.parent.glob("*.torn-*"))
    opened = Journal.open(path)
    opened.journal.close()
    new = set(path.parent.glob("*.torn-*")) - asides
    assert path.read_bytes() + b"".join(a.read_bytes() for a in new) == before
    assert len(new) == (opened.recovery is not None)
    assert read_journal(path).entries == opened.entries
    return opened.entries, bool(new)


def test_killed_at_random_moments(tmp_path: Path) -> None:
    rng = random.Random(SEED)
    torn = acknowledged = unacknowledged = 0
    path, known = tmp_path / "none", list[JournalLine]()
    for kill in range(KILLS):
        if kill % KILLS_PER_JOURNAL == 0:
            path, known = tmp_path / f"{kill}.journal", []
            Journal.create(path, AT).close()
        with child("forever", str(path), str(rng.randrange(2**32) * 2 + kill % 2)) as process:
            assert process.stdout is not None
            out = process.stdout.readline()  # it runs
            time.sleep(rng.uniform(0, LONGEST_RUN_S))
            process.kill()
            out += process.stdout.read() or b""
        assert process.returncode == -signal.SIGKILL
        last = int(out.split(b"\n")[-2])

        entries, was_torn = reopen(path)
        check(entries)
        assert entries[: len(known)] == known
        # Nothing acknowledged is lost; at most the batch in flight is there too.
        in_flight = entries[last:]
        assert len(entries) >= last
        assert len({tuple(e.event["batch"]) for e in in_flight}) <= 1
        acknowledged += last - len(known)
        unacknowledged += len(in_flight)
        torn += was_torn
        known = entries
    print(
        f"{KILLS} kills, {acknowledged} entries acknowledged, {torn} torn ends put aside, "
        f"{unacknowledged} entries kept that were not acknowledged yet"
    )


def test_killed_at_chosen_bytes(tmp_path: Path) -> None:
    """SIGKILL in the middle of a batch of three: in a line, between lines, before fsync."""
    path = tmp_path / "a.journal"
    with Journal.create(path, AT) as journal:
        journal.append(batch(1, 2, 10), AT)
        start = path.stat().st_size
        journal.append(batch(3, 3, 10), AT)
    whole = path.read_bytes()
    length = len(whole) - start
    first_line = whole.index(b"\n", start) + 1 - start
    for fatal in (1, first_line - 1, first_line, first_line + 9, length - 1, length):
        path.write_bytes(whole[:start])
        with child("fatal", str(path), str(fatal)) as process:
            assert process.stdout is not None
            assert process.stdout.read() == b""  # never acknowledged
        assert process.returncode == -signal.SIGKILL
        assert path.read_bytes() == whole[: start + fatal]
        entries, torn = reopen(path)
        check(entries)
        assert (len(entries), torn) == ((5, False) if fatal == length else (2, True))


if __name__ == "__main__":
    mode, where, number = sys.argv[1:]
    if mode == "forever":
        append_forever(Path(where), int(number))
    else:
        Journal.open(Path(where), Bits(50, int(number))).journal.append(batch(3, 3, 10), AT)
        print("acknowledged")
