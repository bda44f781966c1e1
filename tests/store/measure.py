"""How long the index takes with many cases; a measurement, no test.

    python tests/store/measure.py --cases 10000 --times 20

The cases are synthetic: rows made from the summaries of the invented cases of
``tests/typical_case.py``, each with another code, day, tooth and operator, and a folder
with a short file in the journal's place. Reading a real journal is timed apart, with
``--read`` real ones. Prints the median of so many times, with the least and the
most; on a busy machine the computing time tells more.
"""

from __future__ import annotations

import argparse
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import results
from stored import KINDS, store_case
from typical_case import HEAD

from assistant.store import current, index
from assistant.store.index import IndexRow, Query
from assistant.store.places import JOURNAL
from assistant.store.summary import CaseSummary, summary

TEETH = (11, 14, 16, 21, 24, 26, 36, 37, 46, 47)
SIGNED_SHARE = 0.95


def synthetic(number: int, kinds: list[CaseSummary], rng: random.Random) -> CaseSummary:
    """One invented case, on a day of the last ten years."""
    signed = rng.random() < SIGNED_SHARE
    day = (date(2016, 3, 1) + timedelta(days=rng.randrange(3650))).isoformat()
    kind = rng.choice([one for one in kinds if bool(one.signed_on) == signed])

    def moved(utc: str | None) -> str | None:
        return f"{day}{utc[10:]}" if utc else None

    return replace(
        kind,
        code=f"case-{number:05d}",
        opened_utc=str(moved(kind.opened_utc)),
        opened_on=day,
        last_utc=str(moved(kind.last_utc)),
        last_on=day,
        signed_utc=moved(kind.signed_utc),
        signed_on=day if kind.signed_on else None,
        operator=f"Operator {rng.choice('ABCDEF')}",
        tooth=rng.choice(TEETH),
    )


def fill(cases: Path, count: int) -> None:
    """A store of synthetic cases and its index."""
    rng = random.Random(1)
    kinds = [summary(kind().state, HEAD) for kind in KINDS.values()]
    rows = []
    for number in range(count):
        name = f"{number:05d}"
        (cases / name).mkdir()
        (cases / name / JOURNAL).write_text("stands for a journal\n")
        stamp = current.stamp(cases / name)
        assert stamp is not None
        rows.append(IndexRow(name, stamp, synthetic(number, kinds, rng)))
    with closing(index.connect(cases / index.INDEX)) as db:
        index.put(db, rows)


def timed(what: str, times: int, work: Callable[[], object]) -> None:
    """Print how long ``work`` takes, and how much of that this process computed."""
    took, computed = [], []
    for _ in range(times):
        began, cpu = time.perf_counter(), time.process_time()
        work()
        took.append((time.perf_counter() - began) * 1000)
        computed.append((time.process_time() - cpu) * 1000)
    print(f"{what:46} {_spread(took)}   computed {_spread(computed)}   n = {times}", flush=True)


def _spread(ms: list[float]) -> str:
    return f"{statistics.median(ms):7.1f} ms ({min(ms):.1f} to {max(ms):.1f})"


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--cases", type=int, default=10_000)
    asked.add_argument("--times", type=int, default=20)
    asked.add_argument("--read", type=int, default=20, help="Real journals to read.")
    asked.add_argument("--results", action="store_true", help=results.HELP)
    given = asked.parse_args()
    with results.kept(__file__, "Ten thousand cases", wanted=given.results):
        cases = Path(tempfile.mkdtemp())
        try:
            fill(cases, given.cases)
            measure(cases, given.times)
            read_real(given.read)
        finally:
            shutil.rmtree(cases)


def measure(cases: Path, times: int) -> None:
    """Open, search, list, refresh; and the whole command, with the start of Python."""
    path = cases / index.INDEX
    print(f"{len(index.folders(index.connect(path)))} cases, index {path.stat().st_size} bytes")

    def asking(query: Query) -> Callable[[], object]:
        def ask() -> object:
            return current.with_index(cases, lambda db: current.ask(db, cases, query), print)

        return ask

    timed("open", times, lambda: index.connect(path).close())
    timed("list, newest 50", times, asking(Query(limit=50)))
    timed("list, all", times, asking(Query()))
    for what, query in {
        "search by tooth, 50": Query(tooth=24, limit=50),
        "search by part of the code, 50": Query(code="-0999", limit=50),
        "search by rule, 50": Query(warning="depth-limit", limit=50),
        "search by severity, most warnings first, 50": Query(
            warning="urgent", sort="warnings", limit=50
        ),
        "search by month, operator, unsigned": Query(
            since="2020-03-01", until="2020-03-31", operator="Operator A", signed=False
        ),
    }.items():
        timed(what, times, asking(query))
    timed(
        "refresh, nothing changed",
        times,
        lambda: current.with_index(cases, lambda db: current.refresh(db, cases), print),
    )
    command = [sys.executable, "-m", "assistant", "cases", "--tooth", "24"]
    env = {"FILLWARM_CASES": str(cases), "PATH": ""}
    timed(
        "fillwarm cases --tooth 24, the whole command",
        times,
        lambda: subprocess.run(command, check=True, capture_output=True, env=env),
    )


def read_real(count: int) -> None:
    """What a changed case costs."""
    with tempfile.TemporaryDirectory() as made:
        folder = store_case(Path(made), "real", "molar")
        size = (folder / JOURNAL).stat().st_size
        timed(
            f"read one molar again ({size} bytes)",
            count,
            lambda: current.read_row(Path(made), "real"),
        )


if __name__ == "__main__":
    main()
