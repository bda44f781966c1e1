"""Kill the program a thousand times: nothing acknowledged is lost or doubled.

A whole case (the rehearsed premolar, typed) is told to a real process, which dies of SIGKILL
at a random point: at the n-th call to the disk (before it, in the middle of a write, after
it: so also between write and fsync and between fsync and the answer), when a line has come
out, or at a random time. Then the case is gone on with. Each time:

* the case is what an oracle without disk (:func:`stories.foresee`) has after the same lines:
  all that was acknowledged (what came out of the process said so), and of what was under way
  a batch wholly or not at all;
* the program, opened again, asks the same;
* at its end the case has the entries of a sitting that was never interrupted.

``--power-cuts`` adds kills after which what was not synced is lost by chance
(:mod:`powercut`). ``--command-line`` of the kills hit ``fillwarm run`` itself, started anew
with interpreter and all; the others a fork of a process that has everything loaded.
The same seed gives the same points, except for those at random times.

    nice tests/faults/crash.py --seed 1 --kills 1000 --out out/crash
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import select
import shutil
import signal
import subprocess
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parents[1]))

import results

from assistant.case.casefile import JOURNAL, CaseFile, read_case
from assistant.errors import UserError
from assistant.files.atomic import FileLayer, clear_leftovers
from assistant.progress.state import CaseState
from assistant.prompt.wording import question
from assistant.sitting.rehearsal import Line
from faults import stories
from faults.layers import Doomed, Plain, Remembering, When
from faults.powercut import cut_power
from faults.table import Row, counted, write_table

HERE = Path(__file__).parent
CASE_CODE = "case"
LATEST_CALL = 80
LONGEST_S = 0.15


@dataclass(frozen=True)
class Plan:
    """Where a process dies: ``at`` a call of the disk, a line shown, or in seconds."""

    kind: str
    at: float
    when: When = "before"
    share: float = 0.5
    power: bool = False

    @property
    def name(self) -> str:
        """The row it is counted in."""
        where = f"{self.when} call" if self.kind == "call" else self.kind
        where = where.replace("half call", "within write")
        return f"power cut, {where}" if self.power else f"kill, {where}"


def drawn(rng: random.Random, *, fresh: bool, power: bool) -> Plan:
    """The next plan; a case not begun yet is often killed while it is made."""
    latest = 12 if fresh and rng.random() < 0.5 else LATEST_CALL
    kind = "call" if power else rng.choice(["call", "call", "call", "line", "time"])
    if kind == "time":
        return Plan("time", rng.uniform(0, LONGEST_S))
    when: When = rng.choice(["before", "half", "after"])
    return Plan(kind, rng.randrange(1, latest), when, rng.random(), power)


@dataclass
class Outcome:
    """What was found, summed over kills; ``wrong`` has a sentence for each defect."""

    kills: Counter[str] = field(default_factory=Counter)
    bad: Counter[str] = field(default_factory=Counter)
    noted: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    acknowledged: int = 0
    cases: int = 0
    cases_bad: int = 0

    def blame(self, row: str, sentence: str) -> None:
        self.bad[row] += 1
        self.wrong.append(f"{row}: {sentence}")


# -- a process that is killed ---------------------------------------------------


def forked(
    folder: Path, state: CaseState | None, told: Sequence[Line], plan: Plan, shadow: Path
) -> tuple[list[str], bool]:
    """Lines that came out of a fork telling ``told`` at ``state``; whether it was killed."""
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.close(out)
            doomed: FileLayer = Plain()
            if plan.kind == "call":
                doomed = Doomed(int(plan.at), plan.when, plan.share)
            files = Remembering(shadow, doomed) if plan.power else doomed

            def write(line: str) -> None:
                os.write(into, f"{stories.without_clock(line)}\n".encode())

            now = stories.clock(state)
            case = stories.begin(folder, CASE_CODE, now.now(), files)
            stories.tell(stories.sitting(case, now, write), now, told)
        except BaseException:
            os.write(into, f"\n!! {traceback.format_exc()}".encode())
        finally:
            os._exit(0)
    os.close(into)
    shown = _watched(out, plan, lambda: os.kill(child, signal.SIGKILL))
    os.close(out)
    _, status = os.waitpid(child, 0)
    return shown, os.WIFSIGNALED(status)


def _watched(out: int, plan: Plan, kill: Callable[[], None]) -> list[str]:
    """Read ``out`` to its end, and ``kill`` when the plan says so; the whole lines."""
    raw = b""
    due = time.monotonic() + plan.at if plan.kind == "time" else None
    armed = plan.kind in {"time", "line"}
    while True:
        left = max(0.0, due - time.monotonic()) if armed and due is not None else None
        if select.select([out], [], [], left)[0]:
            piece = os.read(out, 65536)
            if not piece:
                break
            raw += piece
        over = raw.count(b"\n") >= plan.at if due is None else time.monotonic() >= due
        if armed and over:
            kill()
            armed = False
    return raw.decode(errors="replace").split("\n")[:-1]


def by_command_line(folder: Path, told: Sequence[Line], plan: Plan) -> tuple[list[str], bool]:
    """The same for ``fillwarm run`` as its users start it."""
    program = [sys.executable, "-m", "assistant"]
    if plan.kind == "call":
        layer = {"layer": "doomed", "at": plan.at, "when": plan.when, "share": plan.share}
        program = [sys.executable, str(HERE / "layers.py"), json.dumps(layer)]
    arguments = ["run", "--typed", "--silent", "--code", CASE_CODE, "--case", str(folder)]
    with subprocess.Popen(
        [*program, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdin is not None and process.stdout is not None
        process.stdin.write("".join(f"{line.say}\n" for line in told).encode())
        process.stdin.close()  # a sitting that outlives its plan ends and writes its reports
        raw = _watched(process.stdout.fileno(), plan, process.kill)
    return on_screen(raw), process.returncode == -signal.SIGKILL


def on_screen(raw: Sequence[str]) -> list[str]:
    """Of what ``fillwarm run`` prints: what the session shows, without the clock."""
    shown = [line for line in raw if re.match(r"-- | *\d+\.\d ", line)]
    return [stories.without_clock(line) for line in shown if not of_clocks(line)]


def of_clocks(line: str) -> bool:
    """Whether a line tells of a pause or a clock between sittings: a process has the clock
    of this machine, what is in this one that of :func:`stories.clock`."""
    return re.search(r" ! .*(since the last entry|The clock is at UTC)", line) is not None


# -- what must be true afterwards -------------------------------------------------


def check(
    row: str,
    before: CaseState | None,
    told: Sequence[Line],
    shown: Sequence[str],
    after: CaseState | None,
    found: Outcome,
    *,
    moments: bool,
) -> None:
    """After a kill: all that was acknowledged is there, and at most what was under way."""
    seen = stories.foresee(before, CASE_CODE, told, upto=len(shown))
    if list(shown) != seen.shown[: len(shown)]:
        return found.blame(row, f"shown {shown[-3:]}, foreseen {seen.shown[: len(shown)][-3:]}")
    least = seen.batches[len(shown) - 1] if shown else 0
    most = seen.batches[len(shown)] if len(seen.shown) > len(shown) else len(seen.states) - 1
    is_now = stories.bare(after, moments=moments)
    at = [
        number
        for number, state in enumerate(seen.states)
        if stories.bare(state, moments=moments) == is_now
    ]
    found.acknowledged += least
    # Batches that only note an interruption or an answered question leave the state as it is.
    if not any(least <= number <= most for number in at):
        found.blame(row, f"batches {at} stand, {least} to {most} were due, after {shown[-1:]}")
    else:
        found.noted["kept, not yet acknowledged"] += min(at) > least
    return None


def state_on_disk(folder: Path) -> CaseState | None:
    """What the journal says, None without one."""
    return read_case(folder)[0] if (folder / JOURNAL).exists() else None


def resumed(row: str, folder: Path, before: CaseState, found: Outcome) -> CaseState:
    """Open the case as the program does; it must be as it was and ask what is next."""
    foreseen = stories.foresee(before, CASE_CODE, ())
    now = stories.clock(before)
    shown: list[str] = []
    case = CaseFile.reopen(folder, now.now())
    try:
        session = stories.sitting(
            case, now, lambda line: shown.append(stories.without_clock(line))
        )
        session.greet()
        due = foreseen.states[-1]
        assert due is not None
        asked = [question(one, session.wording, False) for one in (case.state, due)]
        if stories.bare(case.state) != stories.bare(due):
            found.blame(row, "another state after going on")
        shown = [line for line in shown if not of_clocks(line)]
        if asked[0] != asked[1] or shown != foreseen.shown:
            found.blame(row, f"asks {shown}, not {foreseen.shown}")
        found.noted["torn end put aside"] += case.recovery is not None
        return case.state
    finally:
        case.close()


def resumed_by_command_line(row: str, folder: Path, before: CaseState, found: Outcome) -> None:
    """``fillwarm run`` on the case: exit code 0, and the next question."""
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "assistant",
            "run",
            "--typed",
            "--silent",
            "--case",
            str(folder),
        ],
        input="",
        capture_output=True,
        text=True,
        check=False,
    )
    shown, due = on_screen(done.stdout.splitlines()), stories.foresee(before, CASE_CODE, ())
    if done.returncode != 0 or done.stderr or shown != due.shown:
        found.blame(row, f"code {done.returncode}, {shown} for {due.shown}: {done.stderr}")


# -- the campaign -----------------------------------------------------------------


def one_case(
    rng: random.Random, found: Outcome, kills: int, *, power: bool, base: Path, typed: bool
) -> None:
    """One case from its beginning to its end, or until ``kills`` more have been made."""
    folder, shadow = base / CASE_CODE, base / "shadow"
    story = stories.lines()[: stories.before_timers()] if typed else stories.lines()
    state, told, made = None, 0, 0
    while made < kills:
        plan = drawn(rng, fresh=state is None, power=power)
        if typed and plan.kind == "time":
            plan = Plan("time", 0.7 + 4 * plan.at)  # the interpreter starts meanwhile
        row = f"{plan.name}, fillwarm run" if typed else plan.name
        shutil.rmtree(shadow, ignore_errors=True)
        shadow.mkdir(parents=True)
        _everything_synced(base, folder, shadow)
        if typed:
            shown, killed = by_command_line(folder, story[told:], plan)
        else:
            shown, killed = forked(folder, state, story[told:], plan, shadow)
        if killed:
            made += 1
            found.kills[row] += 1
        if power and killed:
            cut_power(folder, shadow, rng)
        try:
            after = state_on_disk(folder)
            check(row, state, story[told:], shown, after, found, moments=not typed)
            if not killed:
                break
            if after is None:
                state, told = None, 0
                continue
            if typed:
                resumed_by_command_line(row, folder, after, found)
                after = state_on_disk(folder)
                assert after is not None
            state = after if after.signed else resumed(row, folder, after, found)
            told = stories.places()[stories.place(state)]
        except UserError as bad:
            found.blame(row, f"cannot be gone on with: {bad}")
            return
        except KeyError:
            if state is not None and stories.place(state) in stories.places(timed=True):
                found.noted["told beside a press that the restart ended"] += 1
                return
            found.blame(row, "the case stands where it never was")
            return
    if made < kills and not typed:
        _finished(folder, found)


def _everything_synced(base: Path, folder: Path, shadow: Path) -> None:
    """Before a sitting: all that is there is on the disk."""
    for one in (base, folder):
        if one.exists():
            names = {entry.name: entry.inode() for entry in os.scandir(one)}
            (shadow / str(one.stat().st_ino)).write_text(json.dumps(names))
    for path in folder.glob("*") if folder.exists() else ():
        (shadow / str(path.stat().st_ino)).write_bytes(path.read_bytes())


def _finished(folder: Path, found: Outcome) -> None:
    """A case told to its end is the case that was never interrupted."""
    found.cases += 1
    whole, state = stories.uninterrupted(), state_on_disk(folder)
    clear_leftovers(folder)
    left = list(folder.glob(".*.tmp"))
    if state is None or stories.result(state) != stories.result(whole) or left:
        found.cases_bad += 1
        found.wrong.append(f"a finished case is not the uninterrupted one, or left {left}")


def campaign(seed: int, kills: int, *, power_cuts: int = 0, command_line: int = 0) -> Outcome:
    """Make so many kills (``command_line`` of them), and so many power cuts."""
    found = Outcome()
    stories.places()  # loads all that a fork then has
    fast = Path("/dev/shm")  # where an fsync costs nothing
    wanted = ((kills - command_line, False, False), (power_cuts, True, False))
    for number, (count, power, typed) in enumerate((*wanted, (command_line, False, True))):
        rng = random.Random(f"{seed} {number}")
        goal = found.kills.total() + count
        while found.kills.total() < goal:
            where = fast if fast.is_dir() and not typed else None
            with TemporaryDirectory(dir=where) as base:
                left = goal - found.kills.total()
                one_case(rng, found, left, power=power, base=Path(base), typed=typed)
            if sys.stderr.isatty():
                print(f"\r{found.kills.total()} kills", end="", file=sys.stderr)
    return found


def rows(found: Outcome) -> list[Row]:
    """A row for every way to die, and for what all of them came to."""
    each = [counted(row, n, found.bad[row]) for row, n in sorted(found.kills.items())]
    total = found.kills.total()
    return [
        *each,
        counted("all", total, sum(found.bad.values())),
        counted("acknowledged batches lost or doubled", found.acknowledged, found.bad.total()),
        counted("cases told to the end", found.cases, found.cases_bad),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--power-cuts", type=int, default=300)
    parser.add_argument("--command-line", type=int, default=50)
    parser.add_argument("--out", type=Path, default=Path("out/crash"))
    parser.add_argument("--results", action="store_true", help=results.HELP)
    given = parser.parse_args()
    with results.kept(__file__, "Crashes and power cuts", wanted=given.results):
        began = time.monotonic()
        found = campaign(
            given.seed,
            given.kills,
            power_cuts=given.power_cuts,
            command_line=min(given.command_line, given.kills),
        )
        code = write_table(
            given.out / "crash",
            rows(found),
            seed=given.seed,
            seconds=round(time.monotonic() - began),
            **{name.replace(" ", "_"): count for name, count in found.noted.items()},
        )
        for sentence in found.wrong:
            print(sentence)
        raise SystemExit(code)


if __name__ == "__main__":
    main()
