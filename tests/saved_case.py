"""The typical cases as journals, as the program writes them."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

from typical_case import START, Driver

from assistant.exchange.whole import WholeCase, from_journal
from assistant.progress import events as ev
from assistant.record.chain import HEADER, Chain, make_line

NAME = Path("journal.jsonl")


def chained(events: Iterable[dict[str, object]]) -> bytes:
    """A journal of these events, whatever they are, that verifies."""
    at = START.isoformat()
    raw, chain = make_line(Chain(), at, HEADER, 0)
    for event in events:
        line, chain = make_line(chain, at, event, 0)
        raw += line
    return raw


def lines(case: Driver) -> list[dict[str, object]]:
    found = [ev.EVENTS.dump_python(event, mode="json") for event in case.events]
    # Lists, as a reader of the journal has them.
    plain: list[dict[str, object]] = json.loads(json.dumps(found))
    return plain


def whole(case: Driver) -> WholeCase:
    return from_journal(chained(lines(case)), NAME)


def saved(case: Driver, folder: Path) -> Path:
    folder.mkdir(parents=True)
    (folder / NAME).write_bytes(whole(case).journal)
    return folder
