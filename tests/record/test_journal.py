"""The journal: what was acknowledged reads back, and nothing changes unseen."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import signal
import stat
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assistant.errors import (
    CaseBusy,
    InputFileError,
    RecordDamaged,
    RecordUnwritable,
    UserError,
)
from assistant.files.atomic import OS_FILES, write_atomically
from assistant.record.chain import JournalLine
from assistant.record.journal import Journal, read_journal

AT = "2031-05-06T09:08:07+02:00"
LATER = "2031-05-06T09:08:09.250+02:00"
NO_HASH = "0" * 64
BATCHES: list[list[dict[str, object]]] = [
    [{"kind": "depth", "mm": 16.5, "canal": "mésio"}],
    [{"kind": "warning", "rule": "depth-limit"}, {"kind": "depth", "mm": 17}, {"kind": "x"}],
    [{"kind": "press", "s": 5}, {}],
]
SMALL: list[list[dict[str, object]]] = [[{"n": 1}], [{"n": 2}, {"n": 3}]]

scalars = st.none() | st.booleans() | st.integers() | st.text()
finite = st.floats(allow_nan=False, allow_infinity=False)
values = st.recursive(
    scalars | finite,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=6,
)
payloads = st.dictionaries(st.text(), values, max_size=3)


@dataclass
class Faults:
    """A disk with ``room`` bytes left, taking ``chunk`` at a time, failing on demand.

    A good fsync only notes that it was asked for: these tests never cut the power.
    """

    room: int = 10**9
    chunk: int = 10**9
    bad_fsyncs: int = 0
    bad_truncates: int = 0
    calls: list[str] = field(default_factory=list)

    def write(self, fd: int, data: bytes) -> int:
        data = data[: min(self.chunk, self.room)]
        self.calls.append(f"write {len(data)}")
        if not data:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        self.room -= len(data)
        return OS_FILES.write(fd, data)

    def fsync(self, fd: int) -> None:
        folder = stat.S_ISDIR(os.fstat(fd).st_mode)
        self.calls.append("fsync folder" if folder else "fsync")
        if self.bad_fsyncs:
            self.bad_fsyncs -= 1
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    def truncate(self, fd: int, length: int) -> None:
        self.calls.append("truncate")
        if self.bad_truncates:
            self.bad_truncates -= 1
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        OS_FILES.truncate(fd, length)


def written(path: Path, batches: list[list[dict[str, object]]] = BATCHES) -> bytes:
    with Journal.create(path, AT, Faults()) as journal:
        for batch in batches:
            journal.append(batch, LATER)
    return path.read_bytes()


def events(entries: list[JournalLine]) -> list[dict[str, Any]]:
    return [entry.event for entry in entries]


def flat(batches: list[list[dict[str, object]]]) -> list[dict[str, object]]:
    return [event for batch in batches for event in batch]


def ends_of_batches(raw: bytes) -> list[int]:
    """Lengths at which ``raw`` ends after the header or after a whole batch."""
    ends, length = [], 0
    for line in raw.splitlines(keepends=True):
        length += len(line)
        if json.loads(line)["batch_left"] == 0:
            ends.append(length)
    return ends


def rechained(lines: list[bytes]) -> bytes:
    """What a forger makes of ``lines``: a chain that is right in itself."""
    out, prev = b"", NO_HASH
    for seq, line in enumerate(lines):
        fields = {**json.loads(line), "prev": prev, "seq": seq}
        del fields["hash"]
        body = json.dumps(fields, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        fields["hash"] = hashlib.sha256(body.encode()).hexdigest()
        text = json.dumps(fields, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        prev = hashlib.sha256(text.encode() + b"\n").hexdigest()
        out += text.encode() + b"\n"
    return out


# What is written


@settings(deadline=None)
@given(batches=st.lists(st.lists(payloads, min_size=1, max_size=3), max_size=3))
def test_any_json_payload_reads_back(
    tmp_path_factory: pytest.TempPathFactory, batches: list[list[dict[str, object]]]
) -> None:
    path = tmp_path_factory.mktemp("case") / "a.journal"
    acknowledged: list[JournalLine] = []
    with Journal.create(path, AT, Faults()) as journal:
        for batch in batches:
            acknowledged += journal.append(batch, LATER)
        head = journal.head_hash
    found = read_journal(path)
    assert found.entries == acknowledged
    assert events(found.entries) == flat(batches)
    assert [e.seq for e in found.entries] == list(range(1, len(found.entries) + 1))
    assert [e.batch_left for e in found.entries] == [
        left for batch in batches for left in reversed(range(len(batch)))
    ]
    assert (found.torn, found.head_hash) == (None, head)


def test_floats_keep_every_bit(tmp_path: Path) -> None:
    numbers = [0.1 + 0.2, -0.0, 5e-324, 1.7976931348623157e308, 16.0, 2**63, 2**200]
    path = tmp_path / "a.journal"
    written(path, [[{"v": numbers}]])
    found = read_journal(path).entries[0].event["v"]
    assert [(type(v), repr(v)) for v in found] == [(type(v), repr(v)) for v in numbers]


def test_file_is_as_the_docstring_says(tmp_path: Path) -> None:
    """A second, independent reading of the format with hashlib and json alone."""
    raw = written(tmp_path / "a.journal")
    lines = raw.splitlines(keepends=True)
    assert rechained(lines) == raw
    assert json.loads(lines[0])["event"] == {"format": "fillwarm-journal", "version": 1}
    assert [json.loads(line)["seq"] for line in lines] == list(range(7))
    assert [json.loads(line)["batch_left"] for line in lines] == [0, 0, 2, 1, 0, 1, 0]
    assert [json.loads(line)["at"] for line in lines] == [AT] + 6 * [LATER]
    assert "mésio" in lines[1].decode()
    head = read_journal(tmp_path / "a.journal").head_hash
    assert hashlib.sha256(lines[-1]).hexdigest() == head


def test_a_batch_is_one_write_then_fsync(tmp_path: Path) -> None:
    disk = Faults()
    with Journal.create(tmp_path / "a.journal", AT, disk) as journal:
        header = (tmp_path / "a.journal").stat().st_size
        assert disk.calls == [f"write {header}", "fsync", "fsync folder"]
        disk.calls.clear()
        journal.append(BATCHES[1], AT)
        size = (tmp_path / "a.journal").stat().st_size - header
        assert disk.calls == [f"write {size}", "fsync"]
        disk.calls.clear()
        assert journal.append([], AT) == []
        assert disk.calls == []


@pytest.mark.skipif(sys.platform == "win32", reason="no owner bits there")
def test_patient_data_is_for_the_owner_only(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    raw = written(path)
    path.write_bytes(raw[:-3])
    Journal.open(path).journal.close()
    write_atomically(tmp_path / "note", "x")
    modes = {p.name: stat.S_IMODE(p.stat().st_mode) for p in tmp_path.iterdir()}
    assert modes == dict.fromkeys(
        ["a.journal", "a.journal.lock", "a.journal.torn-1", "note"], 0o600
    )


deep: dict[str, object] = {}
for _ in range(70):
    deep = {"in": deep}


@pytest.mark.parametrize(
    "event",
    [
        {"v": float("nan")},
        {"v": float("-inf")},
        {"v": {1, 2}},
        {"v": "\ud800"},
        {10: "a", 9: "b"},
        {"v": {1: "a", "1": "b"}},
        {"v": {True: 1, 1.5: 2}},
        deep,
        ["no", "object"],
    ],
)
def test_what_is_not_json_is_refused_before_anything_is_written(
    tmp_path: Path, event: Any
) -> None:
    path = tmp_path / "a.journal"
    with Journal.create(path, AT) as journal:
        before = path.read_bytes()
        with pytest.raises(ValueError, match="event"):
            journal.append([{"good": 1}, event], AT)
        assert path.read_bytes() == before
        journal.append([{"good": 1}], AT)
    assert events(read_journal(path).entries) == [{"good": 1}]


@pytest.mark.parametrize(
    "at", ["2031-05-06T09:08:07", "2031-05-06", "now", "", "2031-05-06 09:08Z"]
)
def test_time_without_an_offset_is_refused(tmp_path: Path, at: str) -> None:
    with pytest.raises(ValueError, match="offset"):
        Journal.create(tmp_path / "b.journal", at)
    with Journal.create(tmp_path / "a.journal", AT) as journal:
        with pytest.raises(ValueError, match="offset"):
            journal.append([{}], at)
        assert read_journal(tmp_path / "a.journal").entries == []


def test_closed_journal_takes_nothing(tmp_path: Path) -> None:
    journal = Journal.create(tmp_path / "a.journal", AT)
    journal.close()
    journal.close()
    with pytest.raises(ValueError, match="closed"):
        journal.append([{}], AT)


def test_create_never_overwrites(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    path.write_text("somebody's notes")
    with pytest.raises(RecordUnwritable, match="exists already"):
        Journal.create(path, AT)
    assert [p.name for p in tmp_path.iterdir()] == ["a.journal"]
    assert path.read_text() == "somebody's notes"


# Torn ends


def test_every_truncation_recovers_whole_batches_and_keeps_the_rest(tmp_path: Path) -> None:
    raw = written(tmp_path / "full.journal", SMALL)
    whole = read_journal(tmp_path / "full.journal").entries
    ends = [0, *ends_of_batches(raw)]
    sizes = [0, 0, 1, 3]  # entries in the whole batches up to each end
    path = tmp_path / "a.journal"
    for length in range(len(raw) + 1):
        path.write_bytes(raw[:length])
        end, size = max((e, s) for e, s in zip(ends, sizes, strict=True) if e <= length)
        assert read_journal(path).torn == (raw[end:length] or None)
        opened = Journal.open(path, Faults())
        with opened.journal as journal:
            assert opened.entries == whole[:size]
            assert path.read_bytes() == raw[:end]
            aside = tmp_path / "a.journal.torn-1"
            assert aside.exists() == (opened.recovery is not None) == (end < length)
            if opened.recovery:
                assert aside.read_bytes() == raw[end:length]
                assert f"{length - end} bytes" in opened.recovery
                assert aside.name in opened.recovery
                aside.unlink()
            new = journal.append([{"after": length}, {}], LATER)
        assert read_journal(path).entries == whole[:size] + new
        assert read_journal(path).torn is None


def test_what_was_kept_aside_before_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    raw = written(path)
    for number, tail in enumerate([b"{", b'{"at":"2', b"\0\0\0\0", "é".encode()[:1]], start=1):
        path.write_bytes(raw + tail)
        opened = Journal.open(path)
        opened.journal.close()
        assert opened.recovery is not None
        assert (tmp_path / f"a.journal.torn-{number}").read_bytes() == tail
        assert path.read_bytes() == raw
    assert (tmp_path / "a.journal.torn-1").read_bytes() == b"{"


@pytest.mark.parametrize(
    "disk", [Faults(room=0), Faults(room=2), Faults(bad_fsyncs=1)], ids=["full", "short", "eio"]
)
def test_nothing_is_cut_off_that_could_not_be_kept(tmp_path: Path, disk: Faults) -> None:
    path = tmp_path / "a.journal"
    raw = written(path)[:-5]
    path.write_bytes(raw)
    with pytest.raises(RecordUnwritable, match="torn-1"):
        Journal.open(path, disk)
    assert path.read_bytes() == raw
    assert not (tmp_path / "a.journal.torn-1").exists()
    Journal.open(path).journal.close()  # and the lock is free again


def test_end_that_was_kept_but_not_cut_off_is_kept_again(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    raw = written(path)[:-5]
    path.write_bytes(raw)
    with pytest.raises(RecordUnwritable, match=r"a\.journal could not"):
        Journal.open(path, Faults(bad_truncates=1))
    assert path.read_bytes() == raw
    opened = Journal.open(path)
    opened.journal.close()
    asides = sorted(tmp_path.glob("*.torn-*"))
    assert [a.name for a in asides] == ["a.journal.torn-1", "a.journal.torn-2"]
    assert asides[0].read_bytes() == asides[1].read_bytes() != b""


# Damage


def test_every_byte_matters(tmp_path: Path) -> None:
    """No byte of a finished line can change; the last newline makes a torn batch."""
    raw = written(tmp_path / "full.journal", SMALL)
    ends = ends_of_batches(raw)
    path = tmp_path / "a.journal"
    for at in range(len(raw)):
        path.write_bytes(raw[:at] + bytes([raw[at] ^ 1]) + raw[at + 1 :])
        if at == len(raw) - 1:
            assert read_journal(path).torn == path.read_bytes()[ends[-2] :]
        else:
            with pytest.raises(RecordDamaged) as caught:
                read_journal(path)
            # The line that holds the byte, unless its newline went: two became one.
            line = raw[:at].count(b"\n") + 1
            assert f"{path} is damaged at line {line}:" in str(caught.value)


@settings(deadline=None, max_examples=300)
@given(data=st.data())
def test_a_changed_byte_is_detected_or_only_touches_the_torn_end(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("case")
    raw = written(folder / "full.journal")
    ends = ends_of_batches(raw)
    raw = raw[: data.draw(st.integers(ends[0] + 1, len(raw)), label="length")]
    path = folder / "a.journal"
    path.write_bytes(raw)
    before = read_journal(path)
    good = max(e for e in ends if e <= len(raw))
    at = data.draw(
        st.integers(0, len(raw) - 1) | st.integers(good - 1, len(raw) - 1), label="at"
    )
    byte = data.draw(st.sampled_from(b'\n\0 "{}09') | st.integers(0, 255), label="byte")
    changed = raw[:at] + bytes([byte]) + raw[at + 1 :]
    path.write_bytes(changed)
    try:
        after = read_journal(path)
    except RecordDamaged:
        assert changed != raw
        return
    if changed == raw or at >= good:
        assert after.entries == before.entries
        assert (after.torn or b"") == changed[good:]
    else:  # the newline that finished the last whole batch: that batch is torn now
        assert at == good - 1
        start = max(e for e in ends if e < good)
        assert after.torn == changed[start:]
        assert after.entries == before.entries[: len(after.entries)]


@pytest.mark.parametrize(
    ("change", "line", "what"),
    [
        (lambda x: [*x[:2], x[2].replace(b"depth-limit", b"depth-limut"), *x[3:]], 3, "hash"),
        (lambda x: [*x[:-1], x[-1].replace(b"07+02", b"08+02", 1)], 7, "hash"),
        (lambda x: [*x[:-1], x[-1].replace(b",", b", ", 1)], 7, "as the journal writes"),
        (lambda x: [*x[:-1], x[-1].replace(b'"event"', b'"evant"')], 7, "fields"),
        (lambda x: [*x[:-1], x[-1].replace(b'"seq":6', b'"seq":6.0')], 7, "fields"),
        (lambda x: [*x[:-1], b"\n"], 7, "not JSON"),
        (lambda x: [*x[:-1], b"[" * 100_000 + b"\n"], 7, "not JSON"),
        (lambda x: [*x[:-1], b'{"v":1e999}\n'], 7, "not JSON"),
        (lambda x: [*x[:3], b"\xff\xfe" + x[3], *x[4:]], 4, "UTF-8"),
        (lambda x: [*x[:3], *x[4:]], 4, "entry 4 where entry 3 belongs"),
        (lambda x: [x[0], x[2], x[1], *x[3:]], 2, "entry 2 where entry 1 belongs"),
        (lambda x: [*x[:2], x[1], *x[2:]], 3, "entry 1 where entry 2 belongs"),
        (lambda x: x[1:], 1, "entry 1 where entry 0 belongs"),
        (lambda x: [*x, rechained(x[:2]).splitlines(True)[1]], 8, "entry 1 where entry 7"),
        (lambda x: rechained([*x[:3], *x[4:]]).splitlines(True), 4, "continue the batch"),
        (lambda x: rechained([*x[:4], *x[5:]]).splitlines(True), 5, "continue the batch"),
        (
            lambda x: rechained([x[0], x[1].replace(b'left":0', b'left":-1')]).splitlines(True),
            2,
            "impossible",
        ),
        (lambda x: rechained(x[1:]).splitlines(True), 1, "not the header"),
        (lambda _: [b"Dear diary,\n"], 1, "not JSON"),
        (lambda _: [b"Dear diary,"], 1, "not the header"),
    ],
)
def test_damage_is_named(tmp_path: Path, change: Any, line: int, what: str) -> None:
    path = tmp_path / "a.journal"
    lines = written(path).replace(LATER.encode(), AT.encode())
    before = b"".join(change(rechained(lines.splitlines(True)).splitlines(True)))
    path.write_bytes(before)
    wanted = re.escape(f"{path} is damaged at line {line}:") + f".*{re.escape(what)}"
    with pytest.raises(RecordDamaged, match=wanted):
        read_journal(path)
    with pytest.raises(RecordDamaged, match=wanted):
        Journal.open(path)
    assert path.read_bytes() == before
    assert not list(tmp_path.glob("*.torn-*"))


def test_a_line_of_another_journal_does_not_follow(tmp_path: Path) -> None:
    ours = written(tmp_path / "a.journal").splitlines(True)
    theirs = written(tmp_path / "b.journal", [[{"kind": "depth", "mm": 19}], *BATCHES[1:]])
    path = tmp_path / "c.journal"
    path.write_bytes(b"".join([*ours[:2], *theirs.splitlines(True)[2:]]))
    with pytest.raises(RecordDamaged, match=r"line 3: it does not follow"):
        read_journal(path)


def test_only_a_head_hash_kept_elsewhere_shows_batches_cut_off_or_rewritten(
    tmp_path: Path,
) -> None:
    path = tmp_path / "a.journal"
    raw = written(path)
    signed = read_journal(path).head_hash
    assert signed in {entry.line_hash for entry in read_journal(path).entries}

    path.write_bytes(raw[: ends_of_batches(raw)[-2]])
    assert signed not in {entry.line_hash for entry in read_journal(path).entries}

    path.write_bytes(rechained(raw.replace(b'"mm":16.5', b'"mm":15.5').splitlines(True)))
    assert signed not in {entry.line_hash for entry in read_journal(path).entries}


# A disk that fails


@pytest.mark.parametrize("chunk", [10**9, 5])
def test_full_disk_leaves_no_partial_line_and_a_later_try_succeeds(
    tmp_path: Path, chunk: int
) -> None:
    path = tmp_path / "a.journal"
    before = len(written(tmp_path / "b.journal", BATCHES[:1]))
    need = len(written(tmp_path / "c.journal", BATCHES[:2])) - before
    disk = Faults(chunk=chunk)
    with Journal.create(path, AT, disk) as journal:
        journal.append(BATCHES[0], AT)
        content, head = path.read_bytes(), journal.head_hash
        for room in [*range(0, need, 41), need - 1]:
            disk.room = room
            with pytest.raises(RecordUnwritable, match=r"a\.journal .*No space.*free some"):
                journal.append(BATCHES[1], LATER)
            assert (path.read_bytes(), journal.head_hash) == (content, head)
        disk.room = need
        journal.append(BATCHES[1], LATER)
    assert events(read_journal(path).entries) == flat(BATCHES[:2])


def test_failed_fsync_takes_the_batch_back(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    disk = Faults()
    with Journal.create(path, AT, disk) as journal:
        before = path.read_bytes()
        disk.bad_fsyncs = 3
        for _ in range(2):
            with pytest.raises(RecordUnwritable, match="Input/output"):
                journal.append(BATCHES[1], AT)
            assert path.read_bytes() == before
        journal.append(BATCHES[1], AT)
    assert events(read_journal(path).entries) == BATCHES[1]


def test_write_that_takes_nothing_is_an_error(tmp_path: Path) -> None:
    class Stuck(Faults):
        def write(self, fd: int, data: bytes) -> int:
            return 0 if b"stuck" in data else super().write(fd, data)

    with (
        Journal.create(tmp_path / "a.journal", AT, Stuck()) as journal,
        pytest.raises(RecordUnwritable),
    ):
        journal.append([{"stuck": 1}], AT)


def test_interrupted_append_does_not_count(tmp_path: Path) -> None:
    class CtrlC(BaseException):  # a real KeyboardInterrupt would end pytest on failure
        pass

    class Interrupted(Faults):
        def fsync(self, fd: int) -> None:
            if path.exists() and b"interrupt" in path.read_bytes():
                raise CtrlC
            super().fsync(fd)

    path = tmp_path / "a.journal"
    with Journal.create(path, AT, Interrupted()) as journal:
        with pytest.raises(CtrlC):
            journal.append([{"interrupt": 1}, {}], AT)
        journal.append([{"next": 1}], AT)
    assert events(read_journal(path).entries) == [{"next": 1}]


@pytest.mark.parametrize("lost", ["shorter", "zeros"])
def test_failed_fsync_that_lost_older_lines_is_noticed(tmp_path: Path, lost: str) -> None:
    class Losing(Faults):
        def truncate(self, fd: int, length: int) -> None:
            super().truncate(fd, length)
            content = path.read_bytes()
            path.write_bytes(content[:-40] + (b"\0" * 40 if lost == "zeros" else b""))

    path = tmp_path / "a.journal"
    disk = Losing()
    with Journal.create(path, AT, disk) as journal:
        journal.append(BATCHES[0], AT)
        disk.bad_fsyncs = 1
        with pytest.raises(RecordUnwritable):
            journal.append(BATCHES[1], AT)
        for _ in range(2):
            with pytest.raises(RecordDamaged, match="verifies up to entry 0 of 1"):
                journal.append(BATCHES[1], AT)


troubles = st.fixed_dictionaries(
    {
        "room": st.sampled_from([10**9, 0, 1, 150, 333, 600]),
        "chunk": st.sampled_from([10**9, 64, 501]),
        "bad_fsyncs": st.integers(0, 2),
        "bad_truncates": st.integers(0, 2),
    }
)


@settings(deadline=None)
@given(steps=st.lists(st.tuples(st.integers(1, 3), troubles, st.booleans()), max_size=8))
def test_acknowledged_is_recorded_once_whatever_the_disk_does(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[int, dict[str, int], bool]]
) -> None:
    """Appends on failing disks; after some the process dies and the case is reopened."""
    path = tmp_path_factory.mktemp("case") / "a.journal"
    disk = Faults()
    journal = Journal.create(path, AT, disk)
    recorded: list[JournalLine] = []
    refused: list[list[dict[str, object]]] = []
    for number, (size, trouble, dies) in enumerate(steps):
        vars(disk).update(trouble)
        batch: list[dict[str, object]] = [
            {"n": [number, k], "v": "v" * 40} for k in range(size)
        ]
        try:
            recorded += journal.append(batch, AT)
        except RecordUnwritable:
            refused.append(batch)
            if not disk.bad_truncates < trouble["bad_truncates"]:
                assert read_journal(path).entries == recorded  # it was taken back
        else:
            refused.clear()
        if dies:
            journal.close()  # frees the lock as dying would; it writes nothing
            vars(disk).update(vars(Faults()))
            opened = Journal.open(path, disk)
            journal = opened.journal
            assert opened.entries[: len(recorded)] == recorded
            # A refused batch that the disk would not take back is there whole, or not at all.
            assert events(opened.entries[len(recorded) :]) in [[], *refused]
            recorded = opened.entries
            refused.clear()
    journal.close()
    assert read_journal(path).entries[: len(recorded)] == recorded


@pytest.mark.parametrize(
    "disk", [Faults(room=0), Faults(room=9), Faults(bad_fsyncs=1)], ids=["full", "short", "eio"]
)
def test_create_on_a_failing_disk_leaves_no_journal(tmp_path: Path, disk: Faults) -> None:
    path = tmp_path / "a.journal"
    with pytest.raises(RecordUnwritable):
        Journal.create(path, AT, disk)
    assert not path.exists()
    Journal.create(path, AT).close()


@pytest.mark.skipif(sys.platform == "win32", reason="no such limit there")
def test_real_refusal_by_the_operating_system(tmp_path: Path) -> None:
    """A file size limit (setrlimit) makes a real short write, then EFBIG."""
    path = tmp_path / "a.journal"
    code = f"""
import resource
from pathlib import Path
from assistant.errors import RecordUnwritable
from assistant.record.journal import Journal
journal = Journal.create(Path({str(path)!r}), {AT!r})
journal.append([{{"n": 1}}], {AT!r})
size = journal.path.stat().st_size
hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
resource.setrlimit(resource.RLIMIT_FSIZE, (size + 100, hard))
try:
    journal.append([{{"n": 2}}], {AT!r})
except RecordUnwritable as error:
    print(error)
print(journal.path.stat().st_size - size)
resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
journal.append([{{"n": 3}}], {AT!r})
"""
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    message, growth = run.stdout.splitlines()
    assert "File too large" in message
    assert growth == "0"
    assert events(read_journal(path).entries) == [{"n": 1}, {"n": 3}]


# Other programs, other files


def test_file_that_another_program_changed_or_moved_takes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    with Journal.create(path, AT) as journal:
        path.rename(tmp_path / "b")
        with pytest.raises(RecordUnwritable, match="moved"):
            journal.append([{}], AT)
        path.write_bytes((tmp_path / "b").read_bytes())  # a copy is not the file
        with pytest.raises(RecordUnwritable, match="replaced"):
            journal.append([{}], AT)
        (tmp_path / "b").replace(path)
        journal.append([{"n": 1}], AT)
        with path.open("ab") as other:
            other.write(b"x")
        with pytest.raises(RecordDamaged, match="another program after entry 1"):
            journal.append([{}], AT)
    assert events(Journal.open(path).entries) == [{"n": 1}]


def test_relative_path_outlives_a_change_of_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with Journal.create(Path("a.journal"), AT) as journal:
        monkeypatch.chdir("/")
        journal.append([{"n": 1}], AT)
    assert len(read_journal(tmp_path / "a.journal").entries) == 1


def test_one_writer_even_through_a_link(tmp_path: Path) -> None:
    path, link = tmp_path / "a.journal", tmp_path / "link"
    link.symlink_to(path)
    with Journal.create(path, AT):
        for name in (path, link):
            with pytest.raises(CaseBusy, match=f"process {os.getpid()};"):
                Journal.open(name)
    Journal.open(link).journal.close()


def test_second_process_is_told_who_has_the_case(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    written(path)
    code = (
        "import sys, pathlib; from assistant.record.journal import Journal;"
        "opened = Journal.open(pathlib.Path(sys.argv[1])); print('open', flush=True);"
        "sys.stdin.read()"
    )
    pipe = subprocess.PIPE
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdin=pipe, stdout=pipe
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"open\n"
        with pytest.raises(CaseBusy, match=f"process {other.pid};"):
            Journal.open(path)
        assert len(read_journal(path).entries) == 6  # reading needs no lock
        other.send_signal(signal.SIGTERM)
    Journal.open(path).journal.close()


@pytest.mark.parametrize("content", [b"", b"\0" * 300, b'{"at"', b'{"at":"2031-05', b"{"])
def test_crash_within_create_is_made_good(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.journal"
    path.write_bytes(content)
    opened = Journal.open(path)
    with opened.journal as journal:
        assert (opened.entries, journal.head_hash) == ([], NO_HASH)
        assert (opened.recovery is not None) == bool(content)
        journal.append([{"n": 1}], AT)
        journal.append([{"n": 2}], AT)
    assert events(read_journal(path).entries) == [{"n": 1}, {"n": 2}]
    assert rechained(path.read_bytes().splitlines(True)) == path.read_bytes()


def test_newer_version_is_not_called_damage(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    path.write_bytes(
        rechained(written(path).replace(b'"version":1', b'"version":2').splitlines(True))
    )
    with pytest.raises(InputFileError, match="version 2"):
        read_journal(path)


@pytest.mark.parametrize("use", [read_journal, Journal.open])
def test_what_is_no_file_is_said_to_be_none(tmp_path: Path, use: Any) -> None:
    with pytest.raises(InputFileError, match="does not exist"):
        use(tmp_path / "missing")
    with pytest.raises(InputFileError, match="not a file"):
        use(tmp_path)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputFileError, match="not a file"):
        use(tmp_path / "pipe")
    with pytest.raises(UserError):
        use(tmp_path / ("n" * 300))
    assert [p.name for p in tmp_path.iterdir()] == ["pipe"]  # no lock file left about


def test_missing_folder(tmp_path: Path) -> None:
    with pytest.raises(RecordUnwritable):
        Journal.create(tmp_path / "no" / "a.journal", AT)


def test_permission_and_read_only_errors(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Simulated at os.open, since whoever runs the tests may be allowed everything."""
    path = tmp_path / "a.journal"
    written(path)
    for number, words in [(errno.EACCES, "Permission"), (errno.EROFS, "Read-only")]:

        def refuse(*_: object, number: int = number) -> int:
            raise OSError(number, os.strerror(number))

        with monkeypatch.context() as patch:
            patch.setattr(os, "open", refuse)
            with pytest.raises(InputFileError, match=words):
                read_journal(path)
            for call in (
                lambda: Journal.open(path),
                lambda: Journal.create(tmp_path / "b", AT),
            ):
                with pytest.raises(RecordUnwritable, match=f"{words}.*allow writing"):
                    call()


@pytest.mark.skipif(
    sys.platform == "win32" or os.geteuid() == 0, reason="needs a user whom chmod can stop"
)
def test_permissions_for_real(tmp_path: Path) -> None:
    path = tmp_path / "a.journal"
    raw = written(path)
    path.chmod(0o400)
    assert len(read_journal(path).entries) == 6
    with pytest.raises(RecordUnwritable, match="Permission"):
        Journal.open(path)
    path.chmod(0)
    with pytest.raises(InputFileError, match="Permission"):
        read_journal(path)
    path.chmod(0o600)
    path.write_bytes(raw[:-1])
    tmp_path.chmod(0o500)
    with pytest.raises(RecordUnwritable, match="torn-1"):
        Journal.open(path)
    tmp_path.chmod(0o700)
    assert path.read_bytes() == raw[:-1]


# write_atomically


def test_write_atomically_replaces_and_keeps_the_mode(tmp_path: Path) -> None:
    path = tmp_path / "note.html"
    disk = Faults(chunk=3)
    write_atomically(path, "é" * 10, disk)
    assert path.read_bytes() == "é".encode() * 10
    assert disk.calls[-2:] == ["fsync", "fsync folder"]
    path.chmod(0o640)
    write_atomically(path, b"\r\n\0")
    assert path.read_bytes() == b"\r\n\0"
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize(
    "disk", [Faults(room=0), Faults(room=4), Faults(bad_fsyncs=1)], ids=["full", "short", "eio"]
)
def test_write_atomically_on_a_failing_disk_keeps_the_old_file(
    tmp_path: Path, disk: Faults
) -> None:
    path = tmp_path / "note.html"
    path.write_text("old")
    with pytest.raises(RecordUnwritable, match=r"note\.html"):
        write_atomically(path, "new content", disk)
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_write_atomically_where_it_cannot(tmp_path: Path) -> None:
    (tmp_path / "folder" / "inner").mkdir(parents=True)
    for path in (tmp_path / "folder", tmp_path / "no" / "note", tmp_path / ("n" * 300)):
        with pytest.raises(RecordUnwritable):
            write_atomically(path, "x")
    with pytest.raises(UnicodeEncodeError):
        write_atomically(tmp_path / "note", "\ud800")
    assert [p.name for p in tmp_path.iterdir()] == ["folder"]
