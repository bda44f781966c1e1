"""Hostile input, guided by coverage: does anything but a refusal in a sentence come out?

One command, long, no timed test. Each target (:mod:`fuzz.targets`) runs in a process of
its own, with ``atheris`` counting the edges of ``assistant`` where it is installed, else
by changes at random. A finding is an exception that is no ``UserError``, an input that
takes over a second of processor time, or a process that ends (memory, hang); each is
kept with its first input under ``--out``.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import re
import subprocess
import sys
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from random import Random
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

import results

SLOW_S = 1.0
HANG_S = 30
MEMORY_MB = 2500


class Findings:
    """What came out, by kind and place; the first input of each is written down."""

    def __init__(self, out: Path) -> None:
        self.out, self.kinds = out, dict[str, int]()
        self.runs, self.slowest_s = 0, 0.0

    def watch(self, run: Callable[[bytes], None], raw: bytes) -> None:
        """Run once; nothing is let out."""
        self.runs += 1
        began = time.process_time()
        try:
            run(raw)
        except Exception as error:
            self.add(_place(error), raw, traceback.format_exc())
        took = time.process_time() - began
        self.slowest_s = max(self.slowest_s, took)
        if took > SLOW_S:
            self.add("slow", raw, f"{took:.1f} s of processor time")

    def add(self, kind: str, raw: bytes, what: str) -> None:
        self.kinds[kind] = self.kinds.get(kind, 0) + 1
        if self.kinds[kind] == 1:
            name = hashlib.sha256(kind.encode()).hexdigest()[:8]
            (self.out / f"{name}.bin").write_bytes(raw)
            (self.out / f"{name}.txt").write_text(f"{kind}\n{what}", errors="replace")
            self.save()

    def save(self) -> None:
        told = {"runs": self.runs, "slowest_s": self.slowest_s, "findings": self.kinds}
        (self.out / "findings.json").write_text(json.dumps(told))


def _place(error: Exception) -> str:
    """The type of an error, and the innermost place of ours that it came from."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [f for f in frames if "/assistant/" in f.filename] or frames
    return f"{type(error).__name__} at {Path(ours[-1].filename).name}:{ours[-1].name}"


def one_target(name: str, seed: int, runs: int, seconds: int, out: Path) -> None:
    """In the process of one target; with atheris it ends the process itself."""
    os.nice(10)
    out.mkdir(parents=True, exist_ok=True)
    found = Findings(out)
    try:
        import atheris
    except ImportError:
        return _unguided(name, seed, runs, seconds, found)
    with atheris.instrument_imports(include=["assistant"]):
        from fuzz.targets import TARGETS
    from fuzz.mutate import changed

    target = TARGETS[name]
    corpus = out / "corpus"
    corpus.mkdir(exist_ok=True)
    for i, raw in enumerate(target.seeds()):
        (corpus / f"seed-{i}").write_bytes(raw[: target.longest])
        with suppress(Exception):  # it is met again and told then; what all inputs share
            target.run(raw[: target.longest])  # (a walked case, a compiled grammar) is not slow

    def one(raw: bytes) -> None:
        found.watch(target.run, raw)
        if found.runs % 200 == 0:
            found.save()

    def mutator(raw: bytes, longest: int, seed_: int) -> bytes:
        if seed_ % 3 == 0:
            return bytes(atheris.Mutate(raw, longest))
        return changed(Random(seed_), raw, longest)

    arguments = [
        sys.argv[0],
        f"-runs={runs}",
        f"-seed={seed}",
        f"-max_total_time={seconds}",
        f"-max_len={target.longest}",
        f"-timeout={HANG_S}",
        f"-rss_limit_mb={MEMORY_MB}",
        f"-artifact_prefix={out}/",
        str(corpus),
    ]
    atheris.Setup(arguments, one, custom_mutator=mutator)
    atheris.Fuzz()
    return None


def _unguided(name: str, seed: int, runs: int, seconds: int, found: Findings) -> None:
    from fuzz.mutate import changed
    from fuzz.targets import TARGETS

    target, rng = TARGETS[name], Random(seed)
    inputs, ends = list(target.seeds()), time.monotonic() + seconds
    for number in range(runs):
        raw = inputs[number] if number < len(inputs) else rng.choice(inputs)
        if number >= len(inputs):
            raw = changed(rng, raw, target.longest)
        found.watch(target.run, raw)
        if time.monotonic() > ends:
            break
    found.save()


def campaign(name: str, seed: int, runs: int, seconds: int, out: Path) -> dict[str, Any]:
    """One row of the table: a target in a process of its own."""
    out = out / name
    out.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, __file__, "--one", name, "--seed", str(seed)]
    command += ["--runs", str(runs), "--seconds", str(seconds), "--out", str(out)]
    began = time.monotonic()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    (out / "log.txt").write_text(done.stderr[-20_000:])
    path = out / "findings.json"
    told = json.loads(path.read_text()) if path.exists() else {"findings": {}}
    edges = re.findall(r"cov: (\d+)", done.stderr)
    ran = re.findall(r"Done (\d+) runs", done.stderr)
    found = dict(told["findings"])
    if done.returncode != 0:
        found[f"the process ended with {done.returncode}"] = 1
    return {
        "target": name,
        "runs": int(ran[-1]) if ran else told.get("runs", 0),
        "seconds": round(time.monotonic() - began, 1),
        "edges": int(edges[-1]) if edges else None,
        "edges_of_seeds": int(edges[0]) if edges else None,
        "slowest_s": round(told.get("slowest_s", 0.0), 2),
        "findings": found,
    }


def as_text(rows: list[dict[str, Any]]) -> str:
    head = (
        f"{'target':14}{'runs':>8}{'seconds':>9}{'edges':>7}{'slowest s':>11}{'findings':>10}"
    )
    lines = [head]
    for row in rows:
        edges = row["edges"] if row["edges"] is not None else "-"
        lines.append(
            f"{row['target']:14}{row['runs']:>8}{row['seconds']:>9}{edges:>7}"
            f"{row['slowest_s']:>11}{len(row['findings']):>10}"
        )
        lines += [f"    {count} x {kind}" for kind, count in row["findings"].items()]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--runs", type=int, default=20_000)
    parser.add_argument("--seconds", type=int, default=60, help="at most, for each target")
    parser.add_argument("--target", default="all")
    parser.add_argument("--out", type=Path, default=Path("fuzz-out"))
    parser.add_argument("--one", help=argparse.SUPPRESS)
    parser.add_argument("--results", action="store_true", help=results.HELP)
    given = parser.parse_args()
    with results.kept(__file__, "Files, lines and messages", wanted=given.results):
        if given.one:
            return one_target(given.one, given.seed, given.runs, given.seconds, given.out)
        from fuzz.targets import TARGETS

        names = list(TARGETS) if given.target == "all" else [given.target]
        if unknown := [name for name in names if name not in TARGETS]:
            sys.exit(f"There is no target {unknown[0]!r}; there are {', '.join(TARGETS)}.")
        given.out.mkdir(parents=True, exist_ok=True)
        rows = []
        for name in names:
            rows.append(campaign(name, given.seed, given.runs, given.seconds, given.out))
            table = as_text(rows[-1:])
            print(table if len(rows) == 1 else table.split("\n", 1)[1], flush=True)
        (given.out / "fuzz.json").write_text(json.dumps(rows, indent=1) + "\n")
        (given.out / "fuzz.txt").write_text(as_text(rows) + "\n")
        sys.exit(1 if any(row["findings"] for row in rows) else 0)


if __name__ == "__main__":
    main()
