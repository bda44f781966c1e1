"""Cases told line by line to a real session, and what they must come to.

:func:`foresee` is the oracle: the same session on a case that lives in memory only, so
that no disk can fail it. Everything told is invented.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from functools import cache
from pathlib import Path
from typing import Any, cast

from assistant import __version__
from assistant.case.casefile import JOURNAL, CaseFile
from assistant.clock import SampleClock
from assistant.files.atomic import OS_FILES, FileLayer
from assistant.files.shipped import demo_script, protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.procedure.decide import decide
from assistant.progress import events as ev
from assistant.progress.apply import opened
from assistant.progress.intents import AnyIntent, Reopen
from assistant.progress.state import CaseState
from assistant.prompt.mouth import Mouth
from assistant.prompt.voice import Pyttsx3Voice
from assistant.protocol.model import Protocol
from assistant.protocol.moment import Moment
from assistant.screen.terminal import TerminalScreen
from assistant.sitting import assembly
from assistant.sitting.rehearsal import Line, Script
from assistant.sitting.session import Session
from assistant.sound.player import SilentPlayer
from assistant.words.grammar import Language
from assistant.words.sayings import Wording, load_wording

START = datetime(2026, 3, 9, 14, 5, 0, tzinfo=timezone(timedelta(hours=2)))


@cache
def protocol() -> Protocol:
    return load_yaml(protocol_path("warm-vertical"), Protocol)


@cache
def words() -> Language:
    return assembly.language()


@cache
def lines() -> tuple[Line, ...]:
    """The rehearsed two-canal premolar."""
    return load_yaml(demo_script(), Script).lines


def before_timers() -> int:
    """So many lines need no particular time: they may be told as fast as one can."""
    return [line.say for line in lines()].index("heat on")


def clock(state: CaseState | None = None) -> SampleClock:
    """The clock of one sitting: the same moments every time, and none of an earlier sitting.

    What was said at one moment was said in one breath.
    """
    sittings = len(state.interruptions) if state is not None else 0
    return SampleClock(START + timedelta(minutes=10 * sittings))


def begin(folder: Path, code: str, now: Moment, files: FileLayer = OS_FILES) -> CaseFile:
    """The case in ``folder``, gone on with or begun, as ``fillwarm run`` does."""
    if (folder / JOURNAL).exists():
        return CaseFile.reopen(folder, now, files)
    return CaseFile.create(
        folder,
        protocol(),
        now,
        case_code=code,
        operator="Operator",
        people=("Operator",),
        files=files,
    )


@cache
def wording() -> Wording:
    return load_wording(words().folder)


"""Of all sittings: made once, since a thousand sittings ask the same."""


def sitting(case: CaseFile, time: SampleClock, write: Callable[[str], None]) -> Session:
    """A session as :func:`assistant.sitting.assembly.session` makes it, typed and silent."""

    def seconds() -> float:
        return time.now().mono_s

    return Session(
        case,
        time,
        mouth=Mouth(Pyttsx3Voice(), SilentPlayer(), seconds),
        screen=TerminalScreen(write, seconds),
        language=words(),
        wording=wording(),
        read_back_on_screen=True,
    )


def tell(session: Session, time: SampleClock, told: Iterable[Line]) -> None:
    """Greet, and say the lines; a line may have to wait for a timer."""
    session.greet()
    for line in told:
        say(session, time, line)


def say(session: Session, time: SampleClock, line: Line) -> None:
    """One line, a second (or its ``after_s``) later."""
    wait(session, time, line)
    session.read(line.say)


def wait(session: Session, time: SampleClock, line: Line) -> None:
    """The time before a line, and the end of a timer if it waits for that."""
    time.advance(line.after_s or 1.0)
    session.pass_time()
    while line.wait_for_timer and session.case.state.timer is not None:
        time.advance(0.5)
        session.pass_time()


class InMemory:
    """Stands for a :class:`CaseFile`; keeps the state after every batch.

    Attributes:
        states: the first is what it began with (None: no case), then one a batch.
    """

    def __init__(self, state: CaseState | None, code: str, now: Moment) -> None:
        self.states: list[CaseState | None] = [state]
        self.reopening: tuple[ev.AnyEvent, ...] = ()
        self.verbosity: str | None = None
        if state is None:
            event = ev.CaseOpened(
                at=now,
                case_code=code,
                operator="Operator",
                people=("Operator",),
                demo=False,
                program=__version__,
                protocol=protocol(),
            )
            self.states.append(opened(event))
        elif state.signed is None:
            self.reopening = self.take(Reopen(note="Nothing was lost."), now)

    @property
    def state(self) -> CaseState:
        last = self.states[-1]
        assert last is not None
        return last

    def take(self, intent: AnyIntent, now: Moment) -> tuple[ev.AnyEvent, ...]:
        events, state = decide(self.state, intent, now)
        if events:
            self.states.append(state)
        return events


@dataclass
class Foreseen:
    """What a sitting comes to.

    Attributes:
        states: see :class:`InMemory`.
        shown: lines on the screen, without the clock before them.
        batches: for each of them, how many batches were on record when it was shown.
    """

    states: list[CaseState | None] = field(default_factory=list)
    shown: list[str] = field(default_factory=list)
    batches: list[int] = field(default_factory=list)


class _Enough(Exception):
    pass


def foresee(
    state: CaseState | None, code: str, told: Iterable[Line], upto: int | None = None
) -> Foreseen:
    """A sitting on a case that nothing can happen to, until line ``upto`` is shown."""
    time = clock(state)
    case = InMemory(state, code, time.now())
    seen = Foreseen(case.states)

    def write(line: str) -> None:
        seen.shown.append(without_clock(line))
        seen.batches.append(len(case.states) - 1)
        if upto is not None and len(seen.shown) > upto:
            raise _Enough

    with suppress(_Enough):
        tell(sitting(cast(CaseFile, case), time, write), time, told)
    return seen


def without_clock(line: str) -> str:
    """A line of the screen without the seconds before it."""
    return line if line.startswith("--") else line[8:]


def bare(state: CaseState | None, *, moments: bool = True) -> Any:
    """All that must be the same: not the interruptions, and without ``moments`` no times."""
    if state is None:
        return None
    plain = state.model_copy(update={"interruptions": ()})
    return plain if moments else _timeless(plain.model_dump())


def _timeless(value: Any) -> Any:
    if isinstance(value, dict):
        if value.keys() == {"wall", "mono_s"}:
            return None
        return {key: _timeless(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_timeless(inner) for inner in value]
    return value


def place(state: CaseState) -> Any:
    """Where a case stands, whenever and in however many sittings it came there.

    Not how its warnings were answered, nor how often the same one was given: one is
    answered by beginning a press again, and given again if a restart interrupts that.
    """
    return (
        tuple(
            (e.seq, e.track, e.step, e.quantity, e.round, e.value, e.standing, e.replaces)
            for e in state.entries
        ),
        tuple(dict.fromkeys((w.rule, w.text, w.entry) for w in state.warnings)),
        tuple((s.track, s.step, s.round) for s in state.skipped),
        tuple((t.name, t.step, t.rounds, t.answered) for t in state.tracks),
        state.active,
        state.signed is not None,
    )


@cache
def places(*, timed: bool = False) -> dict[Any, int]:
    """How many lines were told where the uninterrupted case stands at each place.

    Places where something waits that a restart drops (a question, a timer) are not in it;
    with ``timed`` those where a timer runs, and no others: with what was told beside a press
    the lines cannot be gone on with when a restart has ended it.
    """
    time = clock()
    case = InMemory(None, "", time.now())
    session = sitting(cast(CaseFile, case), time, lambda _: None)
    session.greet()
    found: dict[Any, int] = {} if timed else {place(case.state): 0}
    for told, line in enumerate(lines()):
        wait(session, time, line)
        for after in (told, told + 1):
            if case.state.pending is None and (case.state.timer is not None) == timed:
                found[place(case.state)] = after
            if after == told:
                session.read(line.say)
    return found


def result(state: CaseState) -> Any:
    """What a case came to: where it stands, and the last answers to its warnings."""
    answers = {(w.rule, w.text, w.entry): w.answer for w in state.warnings}
    return place(state), tuple(answers.values())


@cache
def uninterrupted() -> CaseState:
    """The case after all lines."""
    whole = foresee(None, "case", lines()).states[-1]
    assert whole is not None
    return whole
