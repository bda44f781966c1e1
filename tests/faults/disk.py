"""Disks that are full, read-only, taken away, failing or slow, under the real program.

Each fault happens to ``fillwarm run`` in the middle of a typed case or before it. It must
say one sentence and no traceback, keep what it has, take the same line again once the cause
is gone, leave with the documented code, and leave nothing half written. Full and read-only
disks are real where this user may mount (a tmpfs of 800 kB), permissions are taken from a
process of another user, limits are set on the living process; only what no user can do to a
disk (an fsync that fails or takes seconds) is a layer (:mod:`layers`).

Then the reports of a case are written over older ones, and the writer is killed, or the
power cut, at every call to the disk: each report must be the old or the new one.

    tests/faults/disk.py --seed 1 --out out/disk        # as root: everything
"""

from __future__ import annotations

import argparse
import errno
import os
import resource
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1]))

import results

from assistant.case.casefile import JOURNAL, read_case
from faults.living import LINES, REFUSED, RUN, SAID, Case, Living, command, whole
from faults.reports import note_killed, overwritten
from faults.table import Row, counted, write_table

NOBODY = 65534
"""A user whom permissions stop."""


def in_the_middle(
    case: Case,
    words: str,
    cause: Callable[[Living], object],
    cure: Callable[[], object],
    *,
    layer: dict[str, object] | None = None,
    code: int = 6,
    may_stay: bool = False,
) -> None:
    """Three lines, the fault, the fourth refused; the cure, and on to the end.

    Then once more, with the fault there to the end: ``code``, and the note made later.
    ``may_stay``: the disk also refuses to take a line back that it did not confirm.
    """
    living = Living(case, layer=layer)
    living.tell_all(0, 3)
    cause(living)
    living.refused(LINES[3], words)
    living.refused(LINES[3], words)
    cure()
    living.tell_all(3, 5)
    living.leave(0)
    whole(case, 5)
    living = Living(case, layer=layer)
    living.tell("where are we", "= Case:", "= Buccal:")
    cause(living)
    living.refused(LINES[5], words)
    living.leave(code, words if code else "")
    cure()
    whole(case, 5, or_one_more=may_stay)
    command(case, 0, "note")
    command(case, 0, "verify")


@contextmanager
def small_disk(case: Case) -> Iterator[None]:
    """A real disk of 800 kB under the folder of the case."""
    case.folder.parent.mkdir(exist_ok=True)
    place = str(case.folder.parent)
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=800k", "tmpfs", place], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", place], check=True)


def fill(case: Case) -> None:
    """Fill the small disk to its last byte."""
    with (case.folder.parent / "filler").open("wb", buffering=0) as filler:
        try:
            while True:
                filler.write(b"x" * 4096)
        except OSError:
            return


def disk_full(case: Case) -> None:
    with small_disk(case):
        free = (case.folder.parent / "filler").unlink

        def cause(living: Living) -> None:
            fill(case)
            for _ in range(12):  # the last page of the journal has room for some questions
                living.tell("where are we", "= Case:", "= Buccal:")

        in_the_middle(case, "No space left", cause, free)


def disk_full_at_start(case: Case) -> None:
    with small_disk(case):
        fill(case)
        command(case, 6, *RUN, words="No space left")
        case.must(not (case.folder / JOURNAL).exists(), "a journal was left")
        (case.folder.parent / "filler").unlink()
        living = Living(case)
        living.tell_all(0, 2)
        living.leave(0)
        fill(case)
        command(case, 6, *RUN, words="No space left")
        (case.folder.parent / "filler").unlink()
        whole(case, 2)


def read_only_disk(case: Case) -> None:
    with small_disk(case):
        living = Living(case)
        living.tell_all(0, 2)
        living.leave(0)
        place = str(case.folder.parent)
        subprocess.run(["mount", "-o", "remount,ro", place], check=True)
        for words in (RUN, ("note",)):
            command(case, 6, *words, words="Read-only")
        command(case, 0, "verify")
        subprocess.run(["mount", "-o", "remount,rw", place], check=True)
        living = Living(case)
        living.tell_all(2, 4)
        living.leave(0)
        whole(case, 4)


def file_size_limit(case: Case) -> None:
    """A limit on the living process: a write is taken in part, then refused."""
    living = Living(case)
    living.tell_all(0, 3)
    size = (case.folder / JOURNAL).stat().st_size
    limit = resource.RLIMIT_FSIZE
    _, hard = resource.prlimit(living.process.pid, limit)
    resource.prlimit(living.process.pid, limit, (size + 100, hard))
    before = (case.folder / JOURNAL).read_bytes()
    living.tell(LINES[3], REFUSED)
    case.must((case.folder / JOURNAL).read_bytes() == before, "half a line stayed")
    case.seen["sentence"] = next(x for x in living.text.splitlines() if "!!" in x)[12:]
    resource.prlimit(living.process.pid, limit, (hard, hard))
    living.tell_all(3, 5)
    living.leave(0)
    whole(case, 5)


def permission_lost(case: Case) -> None:
    """Of another user: the open journal goes on, the reports cannot be made."""
    case.folder.parent.mkdir(exist_ok=True)
    os.chown(case.folder.parent, NOBODY, NOBODY)
    living = Living(case, uid=NOBODY)
    living.tell_all(0, 3)
    (case.folder / JOURNAL).chmod(0)
    case.folder.chmod(0o500)
    living.tell_all(3, 5)
    living.leave(6, "Permission denied")
    command(case, 3, "verify", words="Permission denied", uid=NOBODY)
    (case.folder / JOURNAL).chmod(0o600)
    command(case, 6, *RUN, words="Permission denied", uid=NOBODY)
    case.folder.chmod(0o700)
    command(case, 0, "note", uid=NOBODY)
    whole(case, 5)


def folder_not_allowed(case: Case) -> None:
    case.folder.mkdir(parents=True)
    case.folder.chmod(0o500)
    os.chown(case.folder, NOBODY, NOBODY)
    command(case, 6, *RUN, words="Permission denied", uid=NOBODY)
    case.must(not list(case.folder.iterdir()), "something was left")
    case.folder.chmod(0o700)
    command(case, 0, *RUN, uid=NOBODY)
    whole(case, 0)


def journal_deleted(case: Case) -> None:
    """It is put back from what is still open, and nothing is lost."""
    living = Living(case)
    living.tell_all(0, 3)
    (case.folder / JOURNAL).unlink()
    living.tell_all(3, 5)
    living.leave(0)
    whole(case, 5)


def folder_deleted(case: Case) -> None:
    living = Living(case)
    living.tell_all(0, 3)
    shutil.rmtree(case.folder)
    living.refused(LINES[3], "No such file")
    case.folder.mkdir()
    living.tell_all(3, 5)
    living.leave(0)
    whole(case, 5)


def journal_replaced(case: Case) -> None:
    journal, away = case.folder / JOURNAL, case.base / "away"

    def cause(_: Living) -> None:
        journal.rename(away)
        journal.write_text("something else")

    def cure() -> None:
        away.replace(journal)

    # The reports can be written, so nothing but the refused line is missing: code 0.
    in_the_middle(case, "moved, replaced", cause, cure, code=0)


def refusing(number: int, words: str, *on: str) -> Callable[[Case], None]:
    """A layer that answers with an error while the flag is there."""

    def fault(case: Case) -> None:
        layer = {"layer": "refusing", "number": number, "flag": str(case.flag), "on": on}
        in_the_middle(
            case,
            words,
            lambda _: case.flag.touch(),
            case.flag.unlink,
            layer=layer,
            may_stay="truncate" in on,
        )

    return fault


def slow(case: Case) -> None:
    """Every fsync takes 3 s for two lines: answered late, but never before it is stored."""
    living = Living(case, layer={"layer": "slow", "seconds": 3.0, "flag": str(case.flag)})
    living.tell_all(0, 2)
    case.flag.touch()
    for number in (2, 3):
        began = time.monotonic()
        living.tell(LINES[number], SAID[number])
        case.seen["answer after s"] = round(time.monotonic() - began, 1)
        state, _ = read_case(case.folder)
        case.must(len(state.entries) == number + 1, "answered before it was stored")
    case.flag.unlink()
    living.tell_all(4, 5)
    living.leave(0)
    whole(case, 5)


FAULTS: dict[str, tuple[Callable[[Case], None], bool]] = {
    "disk full, in the middle": (disk_full, True),
    "disk full, at the start": (disk_full_at_start, True),
    "read-only disk": (read_only_disk, True),
    "permission lost in the middle": (permission_lost, True),
    "folder not allowed": (folder_not_allowed, True),
    "file size limit": (file_size_limit, False),
    "journal deleted": (journal_deleted, False),
    "folder deleted": (folder_deleted, False),
    "journal replaced": (journal_replaced, False),
    "fsync fails": (refusing(errno.EIO, "Input/output error", "fsync"), False),
    "fsync and truncate fail": (
        refusing(errno.EIO, "Input/output error", "fsync", "truncate"),
        False,
    ),
    "write takes a part, then fails": (refusing(errno.ENOSPC, "No space left", "write"), False),
    "read-only in the middle": (refusing(errno.EROFS, "Read-only", "write", "fsync"), False),
    "quota exceeded": (refusing(errno.EDQUOT, "quota exceeded", "write"), False),
    "slow disk": (slow, False),
}
"""Each fault, and whether it needs to be root."""


def suffer(name: str) -> tuple[Row, list[str]]:
    """One fault; its row, and what was wrong."""
    fault, _ = FAULTS[name]
    with TemporaryDirectory() as base:
        Path(base).chmod(0o755)
        case = Case(Path(base), Path(base) / "disk" / "case", Path(base) / "flag")
        try:
            fault(case)
        except Exception as bad:
            case.wrong.append(f"{type(bad).__name__}: {bad}")
        sentence = str(case.seen.pop("sentence", "")).replace(base, "…")
    row = counted(name, max(case.checks, len(case.wrong)), len(case.wrong), **case.seen)
    return {**row, "sentence": sentence}, [f"{name}: {sentence}" for sentence in case.wrong]


def campaign(seed: int, names: Sequence[str], times: int) -> tuple[list[Row], list[str]]:
    """All of it: the rows, and a sentence for everything that was wrong."""
    rows, wrong = overwritten(seed, times)
    for name in names:
        row, found = suffer(name)
        rows.append(row)
        wrong += found
    row, found = note_killed(seed, min(times, 20))
    return [*rows, row], wrong + found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--times", type=int, default=200, help="kills at random times")
    parser.add_argument("--fault", action="append", choices=list(FAULTS), help="only these")
    parser.add_argument("--out", type=Path, default=Path("out/disk"))
    parser.add_argument("--results", action="store_true", help=results.HELP)
    given = parser.parse_args()
    with results.kept(__file__, "Disks", wanted=given.results):
        began = time.monotonic()
        may = os.geteuid() == 0
        names = given.fault or [name for name, (_, root) in FAULTS.items() if may or not root]
        if given.fault:
            found = [suffer(name) for name in names]
            rows, wrong = (
                [row for row, _ in found],
                [text for _, told in found for text in told],
            )
        else:
            rows, wrong = campaign(given.seed, names, given.times)
        left_out = sorted(set(FAULTS) - set(names)) if not given.fault else []
        about = {"seed": given.seed, "seconds": round(time.monotonic() - began)}
        code = write_table(
            given.out / "disk", rows, **about, left_out=", ".join(left_out) or "-"
        )
        for sentence in wrong:
            print(sentence)
        raise SystemExit(code)


if __name__ == "__main__":
    main()
