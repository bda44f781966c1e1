"""Cases on the disk for the tests of the store: those of ``typical_case`` as journals."""

from __future__ import annotations

from datetime import timedelta
from functools import cache
from pathlib import Path

from typical_case import Driver, barely_started, many_warnings, molar, two_canals

from assistant.case.casefile import JOURNAL
from assistant.progress import events as ev
from assistant.protocol.moment import Moment
from assistant.record.journal import Journal

KINDS = {
    "premolar": two_canals,
    "molar": molar,
    "begun": barely_started,
    "warned": many_warnings,
}
"""The first two are signed; all are invented."""


@cache
def lines(kind: str) -> list[dict[str, object]]:
    return [ev.EVENTS.dump_python(event, mode="json") for event in KINDS[kind]().events]


def store_case(
    cases: Path, name: str, kind: str = "premolar", *, code: str | None = None
) -> Path:
    """A case folder with a journal of that kind and one report."""
    folder = cases / name
    folder.mkdir(parents=True)
    first, *rest = lines(kind)
    at = KINDS[kind]().now().wall.isoformat()
    with Journal.create(folder / JOURNAL, at) as journal:
        journal.append([first | {"case_code": code or name}], at)
        journal.append(rest, at)
    (folder / "note.txt").write_text(f"Note of {name}, invented.\n")
    return folder


def append(folder: Path, driver: Driver, since: int) -> None:
    """What ``driver`` went on to do after its event number ``since``."""
    now = driver.now().wall.isoformat()
    with Journal.open(folder / JOURNAL).journal as journal:
        journal.append(
            [ev.EVENTS.dump_python(e, mode="json") for e in driver.events[since:]], now
        )


def later(moment: Moment, days: int) -> Moment:
    return moment.model_copy(update={"wall": moment.wall + timedelta(days=days)})


def contents(folder: Path) -> dict[str, bytes]:
    """Every file below a folder but locks and the index."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.suffix != ".lock" and "index.sqlite" not in path.name
    }
