"""Everything that may go wrong, one part after the other: one command, one seed, one table.

    tests/faults/campaign.py --seed 1 --out out/campaign            # all of it, some hours
    tests/faults/campaign.py --seed 1 --out out/campaign --sample   # in small, as CI does
    tests/faults/campaign.py --seed 1 --only crash --only disk

Each part is a command of its own (see its ``--help``) and leaves its own tables in a folder
under ``--out``; here it is told how each ended and how long it took. ``campaign.txt`` and
``campaign.json`` hold the summary. The seed gives the same points of attack, not the same
seconds. The browser needs Chromium, the fuzzing by coverage Linux.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from faults.table import Row, write_table

TESTS = Path(__file__).parents[1]


@dataclass(frozen=True)
class Part:
    """A command: its file, what it takes in full and in small; how it is told the seed."""

    file: str
    full: str
    sample: str
    seeded: bool = True
    out: bool = True


PARTS = {
    "crash": Part(
        "faults/crash.py",
        "--kills 1000 --power-cuts 300 --command-line 50",
        "--kills 60 --power-cuts 30 --command-line 3",
    ),
    "disk": Part("faults/disk.py", "--times 200", "--times 20"),
    "audio": Part("faults/audio.py", "", ""),
    "cases": Part("fuzz/cases.py", "--cases 10000", "--cases 150"),
    "fuzz": Part("fuzz/fuzz.py", "--runs 1000000 --seconds 300", "--runs 2000 --seconds 10"),
    "store": Part("store/measure.py", "--cases 10000", "--cases 2000", seeded=False, out=False),
    "attacks": Part("store/attacks.py", "--times 20", "--times 2", out=False),
    "screen": Part("screen/browser.py", "--viewers 100", "--viewers 100", seeded=False),
    "day": Part("faults/long_day.py", "--hours 8", "--hours 0.4 --case-min 11"),
}


def run(name: str, part: Part, seed: int, out: Path, *, sample: bool, results: bool) -> Row:
    """Run a part, its output to a file and on; the row of the summary."""
    folder = out / name
    folder.mkdir(parents=True, exist_ok=True)
    command = [
        sys.executable,
        str(TESTS / part.file),
        *(part.sample if sample else part.full).split(),
    ]
    command += ["--seed", str(seed)] if part.seeded else []
    command += ["--out", str(folder)] if part.out else []
    command += ["--results"] if results else []
    print(f"== {name}: {' '.join(command[1:])}", flush=True)
    began = time.monotonic()
    with (
        (folder / "output.txt").open("w", encoding="utf-8") as kept,
        subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
        ) as running,
    ):
        assert running.stdout is not None
        for line in running.stdout:
            kept.write(line)
            print(line, end="", flush=True)
    seconds = round(time.monotonic() - began)
    return {
        "part": name,
        "bad": int(running.returncode != 0),
        "code": running.returncode,
        "s": seconds,
    }


def main() -> None:
    """Run the parts; exit code 1 if any of them failed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sample", action="store_true", help="In small.")
    parser.add_argument("--only", action="append", choices=list(PARTS), help="These parts.")
    parser.add_argument(
        "--again",
        type=int,
        default=0,
        help="Times a failed part is run again; told in the table.",
    )
    parser.add_argument("--out", type=Path, default=Path("out/campaign"))
    parser.add_argument("--results", action="store_true", help="As of each part.")
    given = parser.parse_args()
    rows = []
    for name, part in PARTS.items():
        if given.only and name not in given.only:
            continue
        for tried in range(1, given.again + 2):
            out = given.out if tried == 1 else given.out / f"again-{tried - 1}"
            row = run(name, part, given.seed, out, sample=given.sample, results=given.results)
            if not row["bad"]:
                break
        rows.append({**row, "tries": tried})
    raise SystemExit(write_table(given.out / "campaign", rows, seed=given.seed))


if __name__ == "__main__":
    main()
