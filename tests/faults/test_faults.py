"""A sample of the campaigns in ``tests/faults``, and the defects that they found."""

from __future__ import annotations

import errno
import os
import random
import signal
from collections.abc import Callable
from pathlib import Path

import pytest
from typical_case import PROTOCOL, START

from assistant.case.casefile import JOURNAL, CaseFile, read_case
from assistant.errors import RecordDamaged, RecordUnwritable
from assistant.files.atomic import OS_FILES, FileLayer, write_atomically
from assistant.progress import intents as it
from assistant.protocol.moment import Moment
from assistant.record.journal import Journal, read_journal
from faults import crash, stories
from faults.layers import Doomed, Refusing, When
from faults.powercut import cut_power
from faults.reports import written_over
from faults.table import as_text, counted, upper_bound

AT = "2031-05-06T09:08:07+02:00"
NOW = Moment(wall=START, mono_s=0.0)
SECTOR = 512


def begun(folder: Path, files: FileLayer = OS_FILES) -> CaseFile:
    return CaseFile.create(
        folder, PROTOCOL, NOW, case_code="case", operator="Operator", files=files
    )


def killed(act: Callable[[], object]) -> bool:
    """Whether a fork that does ``act`` is killed in it."""
    child = os.fork()
    if child == 0:
        try:
            act()
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL


def test_nothing_acknowledged_is_lost_or_doubled_by_kills_and_power_cuts() -> None:
    found = crash.campaign(7, 6, power_cuts=5)
    assert not found.wrong
    assert found.kills.total() == 11
    assert found.acknowledged > 50


def test_the_campaign_sees_a_batch_that_is_told_before_it_is_stored(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    write = CaseFile._write

    def one_late(case: CaseFile, *batch: object) -> None:
        held = vars(case).setdefault("held", [])
        held.append(batch)
        if len(held) > 1:
            write(case, *held.pop(0))

    monkeypatch.setattr(CaseFile, "_write", one_late)
    assert crash.campaign(2, 4).wrong


@pytest.mark.parametrize("when", ["before", "half", "after"])
def test_a_case_is_begun_wholly_or_not_at_all(tmp_path: Path, when: When) -> None:
    at = 0
    folder = tmp_path / "none"
    while True:
        at += 1
        folder = tmp_path / f"{at}"
        if not killed(lambda: begun(folder, Doomed(at, when))):  # noqa: B023
            break
        if (folder / JOURNAL).exists():
            CaseFile.reopen(folder, NOW).close()
        else:
            begun(folder).close()
        read_case(folder)
        assert sorted(one.name for one in folder.iterdir()) == [JOURNAL, f"{JOURNAL}.lock"]
    assert at > 4  # the folder, the file, its name


def test_a_disk_too_small_for_the_first_entry_leaves_no_case(tmp_path: Path) -> None:
    flag = tmp_path / "full"
    flag.touch()
    folder = tmp_path / "case"
    with pytest.raises(RecordUnwritable, match="free some space"):
        begun(folder, Refusing(errno.ENOSPC, str(flag), room=1000))
    assert [one.name for one in folder.iterdir()] == [f"{JOURNAL}.lock"]
    flag.unlink()
    begun(folder).close()


def test_an_old_journal_without_an_entry_says_what_to_do(tmp_path: Path) -> None:
    Journal.create(tmp_path / JOURNAL, AT).close()
    with pytest.raises(RecordDamaged, match="begin the case again"):
        read_case(tmp_path)


def test_going_on_that_the_disk_refuses_lets_the_case_go(tmp_path: Path) -> None:
    begun(tmp_path).close()
    flag = tmp_path / "full"
    flag.touch()
    with pytest.raises(RecordUnwritable):
        CaseFile.reopen(tmp_path, NOW, Refusing(errno.ENOSPC, str(flag)))
    CaseFile.reopen(tmp_path, NOW).close()


def with_a_hole(path: Path, sizes: tuple[int, ...]) -> tuple[bytes, int]:
    """A journal of batches with so many bytes each; and where the last one begins."""
    start = 0
    with Journal.create(path, AT) as journal:
        for size in sizes:
            start = path.stat().st_size
            journal.append([{"n": 1}, {"pad": "x" * size}, {"n": 3}], AT)
    return path.read_bytes(), start


def test_sectors_of_the_last_batch_that_a_power_cut_lost_are_put_aside(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    raw, start = with_a_hole(path, (300, 3000))
    rng = random.Random(3)
    for _ in range(40):
        torn = bytearray(raw)
        first = start // SECTOR
        for sector in range(first, -(-len(raw) // SECTOR)):
            begin, end = max(start, sector * SECTOR), min(len(raw), (sector + 1) * SECTOR)
            if rng.random() < 0.5:
                torn[begin:end] = bytes(end - begin)
        path.write_bytes(torn)
        whole = torn == raw
        opened = Journal.open(path)
        opened.journal.close()
        assert (len(opened.entries), opened.recovery is None) == (
            (6, True) if whole else (3, False)
        )
        kept = b"".join(one.read_bytes() for one in tmp_path.glob("*.torn-*"))
        assert whole or kept == bytes(torn[start:])
        for one in tmp_path.glob("*.torn-*"):
            one.unlink()


def test_a_hole_before_another_batch_or_off_the_sectors_is_damage(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    raw, start = with_a_hole(path, (3000, 300))
    holes = [(SECTOR * 2, SECTOR * 3), (start + 9, start + 12), (SECTOR * 2 + 1, SECTOR * 3)]
    for begin, end in holes:
        path.write_bytes(raw[:begin] + bytes(end - begin) + raw[end:])
        for read in (read_journal, Journal.open):
            with pytest.raises(RecordDamaged, match="line"):
                read(path)


def test_a_deleted_journal_is_put_back(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    with Journal.create(path, AT) as journal:
        journal.append([{"n": 1}], AT)
        path.unlink()
        journal.append([{"n": 2}], AT)
        journal.append([{"n": 3}], AT)
        assert [entry.event["n"] for entry in read_journal(path).entries] == [1, 2, 3]
        path.unlink()
        path.write_text("another one")
        with pytest.raises(RecordUnwritable, match="replaced"):
            journal.append([{"n": 4}], AT)
    assert path.read_text() == "another one"


def test_a_question_is_answered_on_a_full_disk(tmp_path: Path) -> None:
    flag = tmp_path / "full"
    case = begun(tmp_path / "case", Refusing(errno.ENOSPC, str(flag)))
    flag.touch()
    where = it.Command(verb="where", heard=it.Heard())
    tooth = it.Given(kind="tooth", value=24, heard=it.Heard(text="tooth 24"))
    assert case.take(where, NOW)
    with pytest.raises(RecordUnwritable):
        case.take(tooth, NOW)
    assert case.state.tooth is None
    flag.unlink()
    case.take(tooth, NOW)
    case.close()
    assert read_case(tmp_path / "case")[0].tooth == 24


@pytest.mark.parametrize("when", ["before", "half", "after"])
def test_what_a_killed_writer_left_is_cleared_by_the_next(tmp_path: Path, when: When) -> None:
    path = tmp_path / "note.txt"
    path.write_text("old")
    for at in (1, 2, 3):
        assert killed(lambda: write_atomically(path, "new", Doomed(at, when)))  # noqa: B023
        assert path.read_text() in {"old", "new"}
    write_atomically(path, "newer")
    assert [one.name for one in tmp_path.iterdir()] == ["note.txt"]
    assert path.read_text() == "newer"


def test_a_writer_at_work_is_not_cleared_away(tmp_path: Path) -> None:
    class Meanwhile:
        """Another process writes while this one is about to fsync."""

        def write(self, fd: int, data: bytes) -> int:
            return OS_FILES.write(fd, data)

        def fsync(self, fd: int) -> None:
            assert not killed(lambda: write_atomically(tmp_path / "b", "other"))
            OS_FILES.fsync(fd)

        def truncate(self, fd: int, length: int) -> None:
            raise AssertionError

    write_atomically(tmp_path / "a", "mine", Meanwhile())
    assert {one.name: one.read_text() for one in tmp_path.iterdir()} == {
        "a": "mine",
        "b": "other",
    }


def test_reports_are_old_or_new_whatever_kills_their_writer(tmp_path: Path) -> None:
    old = {"note.txt": b"old" * 500, "note.pdf": b"o" * 3000}
    new = {"note.txt": b"new" * 700, "note.pdf": b"n" * 2000, "record.json": b"{}"}
    rng = random.Random(5)
    for number, at in enumerate(range(1, 10)):
        for power in (False, True):
            base = tmp_path / f"{number} {power}"
            base.mkdir()
            doom = Doomed(at, "half", 0.3)
            assert not written_over(base, old, new, doom, power, rng)


def test_a_power_cut_keeps_what_was_synced_and_may_lose_the_rest(tmp_path: Path) -> None:
    from faults.layers import Plain, Remembering

    folder, shadow = tmp_path / "case", tmp_path / "shadow"
    shadow.mkdir()
    lost = 0
    for seed in range(10):
        folder.mkdir(exist_ok=True)
        files = Remembering(shadow, Plain())
        with Journal.create(folder / f"{seed}", AT, files) as journal:
            journal.append([{"n": "s" * 700}], AT)
            synced = (folder / f"{seed}").read_bytes()
            with (folder / f"{seed}").open("ab") as unsynced:
                unsynced.write(b"u" * 3000)
        above = os.open(tmp_path, os.O_RDONLY)
        files.fsync(above)
        os.close(above)
        cut_power(folder, shadow, random.Random(seed))
        after = (folder / f"{seed}").read_bytes()
        assert after.startswith(synced)
        lost += len(after) < len(synced) + 3000 or b"\0" in after
        for one in (*folder.iterdir(), *shadow.iterdir()):
            one.unlink()
    assert lost > 5


def test_the_story_is_told_to_its_end() -> None:
    state = stories.uninterrupted()
    assert state.signed is not None
    assert stories.places()[stories.place(state)] == len(stories.lines())


def test_the_bound_for_no_failures_is_the_rule_of_three() -> None:
    # Hanley & Lippman-Hand, JAMA 1983: about 3/n.
    assert upper_bound(0, 1000) == pytest.approx(3 / 1000, rel=0.01)
    assert upper_bound(0, 0) == upper_bound(5, 5) == 1.0
    text = as_text([counted("a", 1000, 0), {"fault": "long name", "n": 2}]).splitlines()
    assert text[1].split() == ["a", "1000", "0", "0.3"]
    assert text[2].split() == ["long", "name", "2"]
