"""Reports written over older ones, by a process that is killed or loses its power.

Each report must be the old or the new one, at most one unfinished file may be left, and
writing again must leave the new ones alone.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from assistant.case.casefile import read_case
from assistant.files.atomic import FileLayer, write_atomically
from assistant.report.write import FILES, reports, write_reports
from faults import stories
from faults.layers import Doomed, Remembering, install
from faults.powercut import cut_power
from faults.table import Row, counted

PROGRAM = (sys.executable, "-m", "assistant")


def overwritten(seed: int, times: int) -> tuple[list[Row], list[str]]:
    """Reports written over older ones by a process that dies at every call to the disk,
    by kill and by power cut, and ``times`` more at random times."""
    rng = random.Random(seed)
    states = [stories.foresee(None, "case", stories.lines()[:n]).states[-1] for n in (60, None)]
    old, new = [
        {FILES[name]: _bytes(content) for name, content in made.items()}
        for made in (reports(state, "0" * 64) for state in states if state)
    ]
    calls = 3 * len(new)
    plans: list[tuple[str, Doomed | None, bool]] = [
        (f"reports, {'power cut' if power else 'kill'} {when}", Doomed(at, when, 0.4), power)
        for power in (False, True)
        for at in range(1, calls + 1)
        for when in ("before", "half", "after")
    ]
    plans += [("reports, kill at a random time", None, False)] * times
    counts: dict[str, list[int]] = {}
    wrong: list[str] = []
    for name, doom, power in plans:
        with TemporaryDirectory() as base:
            found = written_over(Path(base), old, new, doom, power, rng)
        count = counts.setdefault(name, [0, 0])
        count[0] += 1
        count[1] += bool(found)
        wrong += [f"{name}: {sentence}" for sentence in found]
    return [counted(name, n, bad) for name, (n, bad) in counts.items()], wrong


def _bytes(content: bytes | str) -> bytes:
    return content if isinstance(content, bytes) else content.encode()


def written_over(
    base: Path,
    old: dict[str, bytes],
    new: dict[str, bytes],
    doom: Doomed | None,
    power: bool,
    rng: random.Random,
) -> list[str]:
    """What is not as it must be after one process died over it."""
    folder, shadow = base / "case", base / "shadow"
    folder.mkdir()
    shadow.mkdir()
    for name, content in old.items():
        (folder / name).write_bytes(content)
    for one in (base, folder):
        names = {entry.name: entry.inode() for entry in os.scandir(one)}
        (shadow / str(one.stat().st_ino)).write_text(json.dumps(names))
    for path in folder.iterdir():
        (shadow / str(path.stat().st_ino)).write_bytes(path.read_bytes())
    child = os.fork()
    if child == 0:
        if doom is not None:
            files: FileLayer = Remembering(shadow, doom) if power else doom
            install(files)
        _write(folder, new, forever=doom is None)
        os._exit(0)
    if doom is None:
        time.sleep(rng.uniform(0, 0.03))
        os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    if power:
        cut_power(folder, shadow, rng)
    there = {path.name: path.read_bytes() for path in folder.glob("[!.]*")}
    wrong = [
        f"{name} is neither the old nor the new one"
        for name in old.keys() | there.keys()
        if there.get(name) not in (old.get(name), new.get(name))
    ]
    if len(list(folder.glob(".*"))) > 1:
        wrong.append("more than one file left over")
    _write(folder, new)
    if {path.name: path.read_bytes() for path in folder.iterdir()} != new:
        wrong.append("written again, they are not the new ones alone")
    return wrong


def _write(folder: Path, contents: dict[str, bytes], *, forever: bool = False) -> None:
    """As :func:`write_reports` writes what it has made."""
    while True:
        for name, content in contents.items():
            write_atomically(folder / name, content)
        if not forever:
            return


def note_killed(seed: int, times: int) -> tuple[Row, list[str]]:
    """``fillwarm note`` itself, killed at random times: then it is made again, whole."""
    rng = random.Random(seed)
    wrong: list[str] = []
    with TemporaryDirectory() as base:
        folder = Path(base) / "case"
        now = stories.clock()
        case = stories.begin(folder, "case", now.now())
        stories.tell(stories.sitting(case, now, lambda _: None), now, stories.lines())
        case.close()
        state, head = read_case(folder)
        for _ in range(times):
            process = subprocess.Popen(
                [*PROGRAM, "note", str(folder)], stdout=subprocess.DEVNULL
            )
            time.sleep(rng.uniform(0.5, 3.5))
            process.kill()
            process.wait()
            for path in folder.glob("*.pdf"):
                if not path.read_bytes().rstrip().endswith(b"%%EOF"):
                    wrong.append(f"note killed: {path.name} is not whole")
            for path in folder.glob("*.json"):
                json.loads(path.read_text(encoding="utf-8"))
        write_reports(folder, state, head)
        if hidden := [path.name for path in folder.glob(".*")]:
            wrong.append(f"note killed: left over {hidden}")
    return counted("fillwarm note, kill at a random time", times, len(wrong)), wrong
