"""A simulated clinic's day in one process, faster than real time: does anything grow?

Cases follow each other for ``--hours`` of sound. In each the rehearsed operator works the
scripted premolar by voice, with the real recogniser, and pauses as people do: between two
lines the room is just heard, at times with suction in it. After every case the resident
memory, the open files and the threads are counted, and for every phrase the time it took.
Reported are the slope of the memory over the day with its 95 % interval, the largest change
in open files, and the computing that a spoken phrase takes at the start and at the end of the
day (medians of the first and last third, and the interval of their difference by bootstrap).

    tests/faults/long_day.py --hours 8 --seed 1 --out out/long-day

Everything said is invented. Time is counted in samples (:class:`SampleClock`).
"""

from __future__ import annotations

import argparse
import gc
import os
import sys
import threading
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from scipy.stats import bootstrap, linregress, t

sys.path.insert(0, str(Path(__file__).parents[1]))

import results

from assistant.case.casefile import CaseFile
from assistant.clock import SampleClock
from assistant.commandline.options import this_second
from assistant.files.shipped import demo_script, protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.protocol.model import Protocol
from assistant.report.write import write_reports
from assistant.sitting import assembly
from assistant.sitting.dictation import default_voice
from assistant.sitting.rehearsal import Operator, Script
from assistant.sitting.session import Session
from assistant.sound.player import TimelinePlayer
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples
from faults.table import Row, write_table

FRAME_S = FRAME_SAMPLES / RATE_HZ
PAGE = os.sysconf("SC_PAGE_SIZE")
LAST_S = 0.75
"""The silence that ends an utterance lies within it, and what is recognised in it."""

SUCTION_RMS = 250.0
"""20 dB under a clear voice."""


@dataclass
class Day:
    """What was measured, one place a case, but for the memory: one a minute."""

    hours: list[float] = field(default_factory=list)
    minutes_h: list[float] = field(default_factory=list)
    """When the memory was read, every minute of sound; h."""
    memory_mb: list[float] = field(default_factory=list)
    files: list[int] = field(default_factory=list)
    threads: list[int] = field(default_factory=list)
    delays_s: list[list[float]] = field(default_factory=list)
    phrases: int = 0
    failed: list[str] = field(default_factory=list)


class Unhurried:
    """The rehearsed operator, with ``pauses_s`` of the room heard between the lines."""

    name = "unhurried operator"

    def __init__(
        self,
        operator: Operator,
        session: Session,
        pauses_s: float,
        rng: np.random.Generator,
        day: Day,
    ) -> None:
        self._operator = operator
        self._session = session
        self._left_s = pauses_s
        self._pause_s = max(15.0, pauses_s / 40)  # as many as a case has room for
        self._rng = rng
        self._day = day

    def frames(self) -> Iterator[Samples]:
        """The operator's frames; in between, while nothing is timed or said, the room's."""
        for frame in self._operator.frames():
            # What the operator says is kept for the demo's sound file; a day is too long.
            self._operator.recording.clear()
            self._read_memory()
            yield frame
            idle = not self._session.mouth.speaking and self._session.case.state.timer is None
            if (
                idle
                and self._operator.silent
                and self._left_s > 0
                and self._rng.random() < 0.02
            ):
                yield from self._room()

    def _room(self) -> Iterator[Samples]:
        seconds = min(self._left_s, float(self._rng.uniform(0.5, 2.0) * self._pause_s))
        self._left_s -= seconds
        rms = SUCTION_RMS if self._rng.random() < 0.2 else 25.0
        for _ in range(round(seconds / FRAME_S)):
            self._read_memory()
            yield self._rng.normal(0.0, rms, FRAME_SAMPLES).astype(np.int16)

    def _read_memory(self) -> None:
        now_h = self._session.clock.now().mono_s / 3600
        if not self._day.minutes_h or now_h - self._day.minutes_h[-1] >= 1 / 60:
            self._day.minutes_h.append(now_h)
            self._day.memory_mb.append(resident_mb())

    def close(self) -> None:
        """Nothing to give back."""


def resident_mb() -> float:
    """Memory that this process holds now."""
    pages = Path("/proc/self/statm").read_text(encoding="ascii").split()[1]
    return int(pages) * PAGE / 1e6


def live_a_day(hours: float, case_min: float, seed: int) -> Day:
    """Case after case until ``hours`` of sound have been heard."""
    day, rng = Day(), np.random.default_rng(seed)
    clock = SampleClock(this_second())
    words, voice = assembly.language(), default_voice()
    ears = assembly.hearing("own", None, words)
    protocol = load_yaml(protocol_path("warm-vertical"), Protocol)
    script = load_yaml(demo_script(), Script)
    with TemporaryDirectory() as folder:
        while clock.now().mono_s < hours * 3600:
            case = CaseFile.create(
                Path(folder) / f"{len(day.hours):03d}",
                protocol,
                clock.now(),
                case_code=f"DAY-{len(day.hours):03d}",
                operator="Operator A",
                demo=True,
            )
            player = TimelinePlayer(clock.seconds)
            sitting = assembly.session(case, clock, player, lambda _: None, words, ears)
            operator = Operator(script, sitting, voice, seed=int(rng.integers(1 << 30)))
            delays = _timed(sitting)
            started_s = clock.now().mono_s
            sitting.run(Unhurried(operator, sitting, case_min * 60 - 660, rng, day))
            write_reports(case.folder, case.state, case.head_hash)
            case.close()
            day.phrases += operator.tally.said
            if case.state.signed is None:
                day.failed.append(f"case {len(day.hours)}: {operator.failed}")
            _count(day, clock.now().mono_s / 3600, delays)
            took_min = (clock.now().mono_s - started_s) / 60
            print(
                f"case {len(day.hours):3d}  {day.hours[-1]:5.2f} h  {took_min:5.1f} min  "
                f"{day.memory_mb[-1]:7.1f} MB  {day.files[-1]} files  "
                f"{day.threads[-1]} threads  {1000 * float(np.median(delays)):.0f} ms",
                flush=True,
            )
    return day


def _timed(sitting: Session) -> list[float]:
    """The list to which every spoken phrase adds what the frames of its last
    :data:`LAST_S` of sound took to be heard, s."""
    delays: list[float] = []
    spent: deque[float] = deque(maxlen=round(LAST_S / FRAME_S))
    hear, after = sitting.hear, sitting.on_taken
    spoken = [False]

    def taken(intent: it.AnyIntent, events: tuple[ev.AnyEvent, ...]) -> None:
        spoken[0] = spoken[0] or intent.heard.channel == "voice"
        if after is not None:
            after(intent, events)

    def timed(frame: Samples) -> None:
        began, spoken[0] = time.perf_counter(), False
        hear(frame)
        spent.append(time.perf_counter() - began)
        if spoken[0]:
            delays.append(sum(spent))

    sitting.on_taken = taken
    sitting.hear = timed  # type: ignore[method-assign]
    return delays


def _count(day: Day, hours: float, delays: list[float]) -> None:
    gc.collect()
    day.hours.append(hours)
    day.files.append(len(list(Path("/proc/self/fd").iterdir())))
    day.threads.append(threading.active_count())
    day.delays_s.append(delays)


def rows(day: Day, seed: int) -> list[Row]:
    """The table of results."""
    # What is loaded on first use, the reports' libraries after the first case among it, is
    # there once the second has ended; growth is looked for after that.
    loaded_h = day.hours[min(1, max(0, len(day.hours) - 2))]
    settled = [i for i, h in enumerate(day.minutes_h) if h > loaded_h]
    since_h, memory_mb = ([all_[i] for i in settled] for all_ in (day.minutes_h, day.memory_mb))
    slope = linregress(since_h, memory_mb)
    half = float(t.ppf(0.975, max(1, len(settled) - 2)))
    third = max(1, len(day.delays_s) // 3)
    first = np.concatenate(day.delays_s[:third])
    last = np.concatenate(day.delays_s[-third:])
    between = bootstrap(
        (last, first),
        lambda a, b: np.median(a) - np.median(b),
        vectorized=False,
        method="percentile",
        n_resamples=2000,
        rng=np.random.default_rng(seed),
    ).confidence_interval
    return [
        {"what": "sound heard, h", "value": round(day.hours[-1], 2), "n": len(day.hours)},
        {"what": "phrases said", "value": day.phrases, "n": day.phrases},
        {"what": "cases not signed", "value": len(day.failed), "n": len(day.hours)},
        {
            "what": "memory slope, MB/h (95 %)",
            "value": round(slope.slope, 2),
            "low": round(slope.slope - half * slope.stderr, 2),
            "high": round(slope.slope + half * slope.stderr, 2),
            "n": len(settled),
        },
        {"what": "memory at the end, MB", "value": round(day.memory_mb[-1]), "n": 1},
        {
            "what": "open files, last less first case",
            "value": day.files[-1] - day.files[0],
            "n": len(day.files),
        },
        {
            "what": "threads, last less first case",
            "value": day.threads[-1] - day.threads[0],
            "n": len(day.threads),
        },
        {
            "what": "phrase, first third, median ms",
            "value": round(1000 * float(np.median(first)), 1),
            "n": len(first),
        },
        {
            "what": "phrase, last third, median ms",
            "value": round(1000 * float(np.median(last)), 1),
            "n": len(last),
        },
        {
            "what": "difference, ms (95 %)",
            "value": round(1000 * float(np.median(last) - np.median(first)), 1),
            "low": round(1000 * float(between.low), 1),
            "high": round(1000 * float(between.high), 1),
            "n": len(first) + len(last),
        },
    ]


def main() -> None:
    """Run the day; exit code 1 if a case was not signed or files leaked."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--case-min", type=float, default=40.0, help="minutes of a case")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("out/long-day"))
    parser.add_argument("--results", action="store_true", help=results.HELP)
    given = parser.parse_args()
    with results.kept(__file__, "A long day", wanted=given.results):
        day = live_a_day(given.hours, given.case_min, given.seed)
        grown = day.files[-1] > day.files[0] or day.threads[-1] > day.threads[0]
        write_table(given.out / "long-day", rows(day, given.seed))
        for line in day.failed:
            print(line)
        raise SystemExit(1 if day.failed or grown else 0)


if __name__ == "__main__":
    main()
