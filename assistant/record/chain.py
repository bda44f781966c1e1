"""The lines of a journal and the chain they form; no file is touched here.

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
verify is damage, wherever it stands. The one exception: a power cut may leave
zeros where sectors of the last batch never reached the disk, and whole sectors
after them. JSON has no zero bytes, so such a batch is told from an edited one.

What the chain cannot show: whole batches cut off at the end leave a shorter
journal that is valid, and whoever rewrites every line can make a new valid
chain. A note signed elsewhere that carries ``head_hash`` exposes both: that
hash must be the ``line_hash`` of some entry here. ``tail -n 1 | sha256sum``
gives the same figure.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple, NoReturn

from assistant.errors import InputFileError, RecordDamaged

FORMAT = "fillwarm-journal"
VERSION = 1
NO_HASH = "0" * 64
SECTOR = 512
"""Bytes that a disk writes whole or not at all; larger sectors are multiples of it."""

HEADER = {"format": FORMAT, "version": VERSION}
_FIELDS = {"at": str, "batch_left": int, "event": dict, "hash": str, "prev": str, "seq": int}
# Far above any event of ours and far below where the JSON reader gives up,
# which depends on how deep the caller's own stack is.
_DEEPEST = 64


@dataclass(frozen=True, slots=True)
class JournalLine:
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


class Chain(NamedTuple):
    """Where the next line goes: its seq and prev, and the length in bytes so far."""

    seq: int = 0
    head: str = NO_HASH
    length: int = 0


def _canonical(value: object) -> bytes:
    return json.dumps(
        value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    ).encode()


def make_batch(
    chain: Chain, at: str, events: Sequence[Mapping[str, object]]
) -> tuple[bytes, Chain, list[JournalLine]]:
    """The lines of one batch after ``chain`` (the header before the first), the chain
    with them, and the entries as they will be read.

    Raises:
        ValueError: an event is not JSON, or would not read back.
    """
    data, entries = b"", []
    if chain.seq == 0:
        data, chain = make_line(chain, at, HEADER, 0)
    for left, event in zip(reversed(range(len(events))), events, strict=True):
        line, after = make_line(chain, at, event, left)
        entries.append(_read_back(line, chain, event))
        data, chain = data + line, after
    return data, chain, entries


def make_line(
    chain: Chain, at: str, event: Mapping[str, object], batch_left: int
) -> tuple[bytes, Chain]:
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


def _extend(chain: Chain, line: bytes) -> Chain:
    head = hashlib.sha256(line).hexdigest()
    return Chain(chain.seq + 1, head, chain.length + len(line))


def _read_back(line: bytes, chain: Chain, event: Mapping[str, object]) -> JournalLine:
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


def _parse(line: bytes, chain: Chain) -> JournalLine:
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
    return JournalLine(
        seq=chain.seq,
        at=fields["at"],
        event=fields["event"],
        batch_left=fields["batch_left"],
        line_hash=hashlib.sha256(line).hexdigest(),
    )


def verify(raw: bytes, path: Path) -> tuple[list[JournalLine], Chain]:
    """Entries of the whole batches in ``raw``, and the chain up to their end."""
    whole: list[JournalLine] = []
    batch: list[JournalLine] = []
    whole_chain = chain = Chain()
    while end := raw.find(b"\n", chain.length) + 1:
        line = raw[chain.length : end]
        try:
            entry = _parse(line, chain)
            if batch and entry.batch_left != batch[-1].batch_left - 1:
                raise ValueError("it does not continue the batch of the line before")
            if entry.batch_left < 0:
                raise ValueError("its place in the batch is impossible")
        except ValueError as error:
            if _never_synced(raw, whole_chain.length):
                break
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


def _never_synced(raw: bytes, begin: int) -> bool:
    """Whether ``raw`` from ``begin`` can be one batch of which a power cut lost sectors.

    It has zeros, all in runs from one border of sectors (or ``begin``) to another (or
    the end), and no whole batch ends before the last line: what stands before another
    batch was acknowledged.
    """
    rest = raw[begin:]
    runs = [(begin + run.start(), begin + run.end()) for run in re.finditer(rb"\0+", rest)]
    lost = bool(runs) and all(
        (start == begin or start % SECTOR == 0) and (end == len(raw) or end % SECTOR == 0)
        for start, end in runs
    )
    return lost and rest.count(b'"batch_left":0,', 0, rest.rstrip(b"\n").rfind(b"\n") + 1) == 0


def _check_header(header: JournalLine, path: Path) -> None:
    if header.batch_left or header.event.get("format") != FORMAT:
        _damaged(path, 1, "it is not the header of a journal")
    if header.event != HEADER:
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
    header, _ = make_line(Chain(), opening[1].decode(errors="replace"), HEADER, 0)
    return header.startswith(begun)


def _damaged(path: Path, line: int, what: str) -> NoReturn:
    raise RecordDamaged(
        f"{path} is damaged at line {line}: {what}; keep the file as it is and go on "
        "with a back-up of it or a new case."
    )


def require_offset(at: str) -> None:
    """ValueError unless ``at`` is an ISO 8601 date and time with an offset."""
    try:
        fits = "T" in at and datetime.fromisoformat(at).utcoffset() is not None
    except ValueError:
        fits = False
    if not fits:
        raise ValueError(f"{at!r} is not an ISO 8601 date and time with an offset")
