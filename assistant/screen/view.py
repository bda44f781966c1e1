"""view(shown, words, now) -> View: everything the page shows, as plain data.

Pure. Nothing clinical is decided here: limits and values come from the state and its
protocol, sentences from the protocol and ``grammars/``. The page (``static/``) only lays
out what it is given, and runs the countdown on its own clock from ``Countdown.elapsed_s``.

The rule for the size of letters, in ``static/screen.css``: the height of a capital is
20 minutes of arc at the distance from which it must be read (ISO 9241-303, edition
not opened, recommends 20 to 22, from memory), that is 17.5 mm at 3 m. *Far* letters (the
question, warnings, the countdown) hold it at 3 m, *near* letters (depths, what was heard,
what can be said) at 2 m, *hand* letters (keys, buttons) at 1 m, on a 24-inch display of
16:9 (299 mm high), and in proportion on any other.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from pydantic import Field

from assistant.canal import teeth
from assistant.procedure.modes import Mode, mode_of
from assistant.progress import intents as it
from assistant.progress.fields import fill, fill_if_known
from assistant.progress.state import CASE, CaseState, Timer
from assistant.prompt import answers
from assistant.prompt.prompts import Prompt, Urgency
from assistant.prompt.wording import question
from assistant.protocol.model import AT_CANALS
from assistant.protocol.moment import Moment
from assistant.report.marks import plain, track_title
from assistant.screen.course import Course, course
from assistant.screen.keys import CANAL_KEY, Key, ShownPhrase, key_list, phrase_list
from assistant.screen.pad import Pad, pads
from assistant.screen.port import Microphone
from assistant.screen.set_up import Form, form
from assistant.screen.strips import Shown, Strip, strips
from assistant.words.recognised import Recognised
from assistant.words.sayable import Sayable, sayable
from assistant.words.sayings import Wording

Level = Literal[
    "warning", "caution", "trouble", "question", "paused", "closed", "signed", "in order"
]

APART = frozenset({Urgency.WARNING, Urgency.CAUTION})
"""Prompts that are shown apart, until the next ones come."""

MEANINGS = {
    "given": "a value",
    "chosen": "an answer",
    "correction": "a correction",
    "command": "a command",
    "switchcanal": "another canal",
    "skip": "a skip",
    "whospeaks": "who speaks",
    "takeover": "who takes over",
    "note": "materials and conditions",
    "closevisit": "the end of the visit",
    "remark": "a remark",
    "correctremark": "a remark",
    "dropremark": "a remark",
    "signas": "who signs",
    "unclear": "NOT UNDERSTOOD",
}
"""Words for the kinds of intent that a phrase is taken for."""

_CLEAN_S = 3
"""Decimals of seconds that the page gets."""

MICROPHONE_DEAD = "type or pedal"
"""What still works when the microphone does not."""


@dataclass(frozen=True, slots=True)
class ShownTrouble:
    """Something that failed, and how many entries the record had then."""

    text: str
    entries: int


@dataclass(frozen=True, slots=True)
class Seen:
    """All that a screen has been told, the newest of each.

    Attributes:
        state: None before the first step.
        prompts: those said last, without the numbers of a countdown.
        spoken: the one that the voice is saying: it may be of those before.
        heard: the last phrase, and what it was taken for.
        trouble: shown large until an entry made after it stands in the record.
    """

    state: CaseState | None = None
    prompts: tuple[Prompt, ...] = ()
    spoken: Prompt | None = None
    heard: Recognised | None = None
    meaning: str = ""
    microphone: Microphone | None = None
    trouble: ShownTrouble | None = None


class Notice(Shown):
    """One thing that must be seen first."""

    level: Level
    text: str


class CanalChip(Shown):
    """A canal by name; ``line`` goes to it, "" where that is not taken now. ``warnings``
    wait there for an answer; one that is ``absent`` is not there after all."""

    name: str
    line: str
    active: bool
    finished: bool
    warnings: int
    absent: bool = False


class Countdown(Shown):
    """A running timer: ``hold`` counts down to zero, ``until_off`` up to the limit, as
    does ``to_press``, the time since heat went off, until the press begins."""

    mode: Literal["hold", "until_off", "to_press"]
    title: str
    target_s: float
    elapsed_s: float


class HeardPhrase(Shown):
    """The last phrase, the confidence in per cent, and the kind of thing it was taken for."""

    text: str
    confidence: int
    meaning: str


class MicrophoneState(Shown):
    """``name`` chooses the sign, ``words`` are beside it."""

    name: str
    words: str


class View(Shown):
    """The page. See the module docstring."""

    case: str = ""
    tooth: str = ""
    demo: bool = False
    canal: str = ""
    phase: str = ""
    step: str = ""
    ask: str = ""
    hints: tuple[str, ...] = ()
    notices: tuple[Notice, ...] = ()
    canals: tuple[CanalChip, ...] = ()
    course: Course = Course()
    pads: dict[str, Pad] = Field(default_factory=dict)
    form: Form | None = None
    light: Literal["", "understood", "asked"] = ""
    said: tuple[str, ...] = ()
    speaking: str = ""
    strips: tuple[Strip, ...] = ()
    countdown: Countdown | None = None
    heard: HeardPhrase | None = None
    say: tuple[ShownPhrase, ...] = ()
    keys: tuple[Key, ...] = ()
    microphone: MicrophoneState | None = None
    paused: bool = False
    signed: bool = False


def view(seen: Seen, wording: Wording, now: Moment) -> View:
    """What the page shows at ``now`` (on the clock that the case's timers run on)."""
    state = seen.state
    if state is None:
        return View(notices=tuple(_notices(seen)), microphone=_microphone(seen.microphone))
    said = sayable(state, wording) if state.signed is None else ()
    canals = tuple(_canals(state, said))
    ask, hints = _asked(state, wording)
    notices = tuple(_notices(seen, wording.notices["release"]))
    notices += tuple(_standing(state, wording))
    shown = {ask, *hints, *(notice.text for notice in notices)}
    return View(
        case=plain(state.case_code),
        tooth=_tooth(state),
        demo=state.demo,
        canal=track_title(state.active),
        phase=state.step.phase if state.step else "",
        step=_step_title(state),
        ask=ask,
        hints=hints,
        notices=notices,
        canals=canals,
        course=course(state, wording, now),
        pads=pads(state, wording),
        form=form(state),
        light=_light(seen),
        said=tuple(_said(seen, shown, question(state, wording, brief=False))),
        speaking=plain(seen.spoken.text) if seen.spoken else "",
        strips=strips(state, wording),
        countdown=_countdown(state, now),
        heard=_heard(seen),
        say=phrase_list(said),
        keys=(*key_list(said), *_canal_key(canals)),
        microphone=_microphone(seen.microphone),
        paused=state.paused,
        signed=state.signed is not None,
    )


def _notices(seen: Seen, release: str = "") -> Iterator[Notice]:
    """Open warnings of this canal before anything else, then what failed, then what was
    just said; ``release`` is what is said after a press that was long enough. Warnings of
    other canals are marks on their names (:class:`CanalChip`)."""
    state = seen.state
    told = set()
    for warning in state.open_warnings(state.active) if state else ():
        told.add(warning.text)
        yield Notice(level="warning", text=plain(warning.text))
    trouble, dead = seen.trouble, seen.microphone is Microphone.DEAD
    fresh = trouble and (state is None or len(state.entries) <= trouble.entries)
    if dead and not (fresh and trouble and "microphone" in trouble.text.lower()):
        # What tells more of a dead microphone tells this too: one panel for one trouble.
        yield Notice(level="trouble", text=f"{Microphone.DEAD.value} - {MICROPHONE_DEAD}")
    if fresh and trouble:
        told.add(trouble.text)
        yield Notice(level="trouble", text=plain(trouble.text))
    elsewhere = {w.text for w in state.warnings if w.open} if state else set()
    for prompt in seen.prompts:
        if prompt.urgency in APART and prompt.text not in told | elsewhere:
            told.add(prompt.text)
            level: Level = "warning" if prompt.urgency is Urgency.WARNING else "caution"
            if prompt.text == release:
                level = "in order"
            yield Notice(level=level, text=plain(prompt.text))


def _canals(state: CaseState, said: Sequence[Sayable]) -> Iterator[CanalChip]:
    lines = {
        one.intent.canal: one.line for one in said if isinstance(one.intent, it.SwitchCanal)
    }
    for track in state.tracks:
        if track.name == CASE and not state.open_warnings(CASE):
            continue
        yield CanalChip(
            name=track_title(track.name),
            line=lines.get(track.name) or "",
            active=track.name == state.active,
            finished=track.finished,
            warnings=len(state.open_warnings(track.name)),
            absent=track.closed is not None,
        )


def _canal_key(canals: Sequence[CanalChip]) -> Iterator[Key]:
    """A key to the canal that waits for an answer; to the next one if none does."""
    at = next((i for i, canal in enumerate(canals) if canal.active), -1)
    reached = [canal for canal in (*canals[at + 1 :], *canals[: max(at, 0)]) if canal.line]
    waiting = [canal for canal in reached if canal.warnings]
    for canal in (waiting or reached)[:1]:
        yield Key(key=CANAL_KEY, text=canal.line, line=canal.line)


def _light(seen: Seen) -> Literal["", "understood", "asked"]:
    """What became of the last phrase: taken, or asked about."""
    if seen.heard is None:
        return ""
    state = seen.state
    pending = state is not None and (state.pending or state.proposed) is not None
    return "asked" if seen.meaning == "unclear" or pending else "understood"


def _standing(state: CaseState, wording: Wording) -> Iterator[Notice]:
    """What the whole case waits for, or that it is over."""
    match mode_of(state):
        case Mode.SIGNED if state.signed is not None:
            text = f"{wording.notices['signed']} {state.signed.wall:%H:%M}"
            yield Notice(level="signed", text=text)
        case Mode.RESTING:
            yield Notice(level="closed", text=wording.refusals["visit_over"])
        case Mode.PAUSED:
            yield Notice(level="paused", text=wording.refusals["paused"])
        case Mode.QUESTIONED | Mode.PROPOSED:
            yield Notice(level="question", text=question(state, wording, brief=False))
        case Mode.PRESSING if state.pending is not None:
            yield Notice(level="question", text=question(state, wording, brief=False))
        case Mode.WARNED:
            # The warnings stand above; what remains is how to answer them.
            whole = question(state, wording, brief=False)
            texts = " ".join(w.text for w in state.open_warnings(state.active))
            yield Notice(level="question", text=whole.removeprefix(texts).strip())


def _asked(state: CaseState, wording: Wording) -> tuple[str, tuple[str, ...]]:
    """The sentence of the present step, and its hints."""
    step = state.step
    if state.signed is not None or state.resting:
        return "", ()
    if step is None:
        return _nothing_asked(state, wording), ()
    hints = [fill_if_known(hint, state, state.here) for hint in (*step.hints, *step.shown)]
    if not state.entries:
        hints.insert(0, wording.notices["begin"])
    return fill(step.ask, state, state.here), tuple(filter(None, hints))


def _nothing_asked(state: CaseState, wording: Wording) -> str:
    if state.here.step == AT_CANALS:
        return answers.left(state, wording.answers)
    return answers.where(state, wording.answers)


def _said(seen: Seen, shown: set[str], asked: str) -> Iterator[str]:
    """What was said last and does not stand elsewhere on the page: the read-backs; and what
    the voice is saying, whenever it was told."""
    told = [
        prompt.text
        for prompt in seen.prompts
        if prompt.text not in shown and prompt.text != asked and prompt.urgency not in APART
    ]
    spoken = seen.spoken.text if seen.spoken else ""
    if spoken and not {spoken, plain(spoken)} & {*shown, *told}:
        told.insert(0, spoken)
    yield from map(plain, told)


def _step_title(state: CaseState) -> str:
    step = state.step
    if step is None:
        return "finished" if state.here.finished else ""
    round_ = state.here.round(step.loop)
    return f"{step.title}, {step.loop} {round_}" if step.loop else step.title


def _tooth(state: CaseState) -> str:
    if state.tooth is None:
        return ""
    tooth = teeth.parse_fdi(state.tooth)
    return f"{tooth.fdi} {tooth.name}"


def _countdown(state: CaseState, now: Moment) -> Countdown | None:
    timer, off, limit = state.timer, state.here.heat_off, state.protocol.limits.press_delay_s
    if timer is None and off is not None and limit is not None and state.step is not None:
        # Counts up until the press begins: the mass is cooling.
        return Countdown(
            mode="to_press",
            title=state.step.title,
            target_s=limit.value,
            elapsed_s=round(max(0.0, now.mono_s - off.at.mono_s), _CLEAN_S),
        )
    if timer is None:
        return None
    return Countdown(
        mode=timer.mode,
        title=state.protocol.by_id[timer.step].title,
        target_s=timer.target_s,
        elapsed_s=elapsed_s(timer, now),
    )


def elapsed_s(timer: Timer, now: Moment) -> float:
    """Seconds since the timer started, never negative."""
    return round(max(0.0, now.mono_s - timer.started.mono_s), _CLEAN_S)


def _heard(seen: Seen) -> HeardPhrase | None:
    if seen.heard is None:
        return None
    confidence = round(100 * min(max(seen.heard.confidence, 0.0), 1.0))
    return HeardPhrase(
        text=plain(seen.heard.text),
        confidence=confidence,
        meaning=MEANINGS.get(seen.meaning, plain(seen.meaning)),
    )


def _microphone(microphone: Microphone | None) -> MicrophoneState | None:
    if microphone is None:
        return None
    return MicrophoneState(name=microphone.name.lower(), words=microphone.value)
