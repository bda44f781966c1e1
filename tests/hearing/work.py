"""One task of the campaign in a worker process: sound made, heard, written as a row."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Literal

import numpy as np

from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.sitting import assembly
from assistant.sound.samples import RATE_HZ, Samples, to_int16
from assistant.speech.hearing import Hearing
from assistant.speech.others import Others
from hearing import chatter, halves
from hearing.ears import Caught, Outcome, hear, later, step_on
from hearing.halves import Half
from hearing.making.measure import sounds
from hearing.noises import Condition, Mixed, Sound, Speaker, babble, background, mix
from hearing.operator_sim import converse
from hearing.phrases import Phrase
from hearing.scenes import Scene, scenes
from hearing.score import Row, judge
from hearing.templates import grammar, words
from hearing.voices import Voice, speak

HARMLESS_EVENTS = (ev.Queried, ev.Refused, ev.NotUnderstood, ev.ConfirmAsked, ev.ConfirmDropped)


@dataclass(frozen=True)
class Setting:
    """What all workers need to know; ``answers`` is how many an operator gives at most,
    ``people`` a shard of :mod:`.making.human`."""

    listener: str
    model: Path | None
    cache: Path
    answers: int
    people: Path | None = None


@dataclass(frozen=True)
class PhraseTask:
    """A phrase said by a voice in a room; ``number`` is also that of the noise."""

    key: str
    phrase: Phrase
    voice: Voice
    half: Half
    condition: Condition
    number: int
    others: tuple[str, ...]


@dataclass(frozen=True)
class TalkTask:
    """A stretch of talk or of a room without talk, at one step of a case."""

    key: str
    kind: Literal["chatter", "accidental", "people", "silence", "noise"]
    place: str
    half: Half
    condition: Condition
    number: int
    seconds: float
    voices: tuple[str, ...]


Task = PhraseTask | TalkTask


class Worker:
    """The ears of one process, with what it takes to make sounds for them."""

    def __init__(self, setting: Setting) -> None:
        self.setting = setting
        self.speaker: Speaker = partial(speak, folder=setting.cache)
        self.ears: Hearing = assembly.hearing(setting.listener, setting.model, words())
        self.people = people(setting.people) if setting.people else {}

    def do(self, task: Task) -> Row:
        """The row of one task."""
        if isinstance(task, PhraseTask):
            return self._phrase(task)
        return self._talk(task)

    def _phrase(self, task: PhraseTask) -> Row:
        phrase = task.phrase

        def in_room(text: str, time: int) -> Samples:
            return phrase_in_room(task, self.speaker, text, time).sound

        mixed = phrase_in_room(task, self.speaker)
        others = Others()
        outcome = hear(self.ears, mixed.sound, phrase.scene.state, grammar, others=others)
        verdict, question_right = judge(phrase.meaning, outcome.intents)
        row: Row = {
            "key": task.key,
            "task": "phrase",
            "step": phrase.step,
            "group": phrase.group,
            "said": phrase.text,
            "voice": task.voice.label,
            "engine": task.voice.engine,
            **_room(task.condition),
            "verdict": verdict,
            "question_right": question_right,
            "ended_s": mixed.ended_s,
            "utterances": [_caught(one) for one in outcome.caught],
        }
        # Nobody can answer in the voice of a recording.
        if phrase.recording is not None or self.setting.answers == 0:
            return row | {"end": None, "answers": [], "content": False}
        talk = converse(
            self.ears, phrase, outcome, in_room, grammar, self.setting.answers, others
        )
        return row | {
            "end": talk.end,
            "answers": list(talk.answers),
            "content": talk.content,
        }

    def _talk(self, task: TalkTask) -> Row:
        heard, said = talk_in_room(task, self.speaker, self.people)
        scene = scene_of(task)
        outcome = hear(self.ears, heard, scene.state, grammar, keep_state=False)
        return {
            "key": task.key,
            "task": task.kind,
            "step": task.place,
            **_room(task.condition),
            "seconds": len(heard) / RATE_HZ,
            "sentences": len(said),
            "voices": list(task.voices[:2]) if said else [],
            **_triggers(scene, outcome),
        }


def scene_of(task: TalkTask) -> Scene:
    """Where the case stands while others talk."""
    return next(scene for scene in scenes() if scene.place == task.place)


def phrase_in_room(
    task: PhraseTask, speaker: Speaker, text: str | None = None, time: int = 0
) -> Mixed:
    """The phrase of a task in its room; or another text, as the ``time``-th answer.

    Every answer has another stretch of noise, of the same half.
    """
    said = speaker(task.phrase.text if text is None else text, task.voice.name)
    variant = halves.noise_variant(task.half, task.number) + 2 * 100_003 * time
    return mix(said, task.condition, variant, chatter=_babble(task.others, speaker))


def people(shard: Path) -> dict[str, Samples]:
    """What people have recorded, by text; without single numbers, which a step may ask for."""
    found = sounds(shard.parent, shard.stem)
    return {
        about["text"]: sound
        for about, sound in found
        if "digits/" not in next(iter(about["voice"]))
    }


def talk_in_room(
    task: TalkTask, speaker: Speaker, recorded: dict[str, Samples]
) -> tuple[Samples, list[chatter.Said]]:
    """The sound of a task, and the sentences in it."""
    variant = halves.noise_variant(task.half, task.number)
    if task.kind in {"silence", "noise"}:
        n = round(task.seconds * RATE_HZ)
        return to_int16(background(n, task.condition, variant)), []
    rng = np.random.default_rng([zlib.crc32(task.key.encode()), variant])
    if task.kind == "people":
        sound, said = chatter.stretch(
            task.seconds, rng, ("people",), lambda text, _: recorded[text], tuple(recorded)
        )
    else:
        sentences = chatter.TALK if task.kind == "chatter" else chatter.ACCIDENTAL
        sound, said = chatter.stretch(task.seconds, rng, task.voices[:2], speaker, sentences)
    others = _babble(task.voices[2:], speaker)
    quiet = replace(task.condition, rt60_s=None)
    sound = sound + background(len(sound), quiet, variant, chatter=others)
    return to_int16(sound), said


def _babble(
    voices: tuple[str, ...], speaker: Speaker
) -> Callable[[int, np.random.Generator], Sound]:
    return lambda n, rng: babble(n, rng, chatter.TALK, voices, speaker)


def _triggers(scene: Scene, outcome: Outcome) -> Row:
    """What talk has set off. A trigger has changed the case; a query is only answered."""
    found: list[dict[str, Any]] = []
    questions = answered = again = 0
    for one in outcome.caught:
        events, _ = step_on(scene.state, one.intent, later(scene.state))
        if any(not isinstance(event, HARMLESS_EVENTS) for event in events):
            found.append(_caught(one))
        elif any(isinstance(event, ev.ConfirmAsked) for event in events):
            questions += 1
        elif isinstance(one.intent, it.Unclear):
            again += 1
        else:
            answered += 1
    return {
        "triggers": found,
        "questions": questions,
        "answered": answered,
        "asked_again": again,
    }


def _room(condition: Condition) -> Row:
    return {"condition": condition.label, **asdict(condition)}


def _caught(one: Caught) -> dict[str, Any]:
    row = asdict(one) | {"intent": describe_intent(one.intent)}
    return {k: round(v, 4) if isinstance(v, float) else v for k, v in row.items()}


def describe_intent(intent: it.AnyIntent) -> dict[str, Any]:
    """An intent as plain data, with its doubt."""
    data = intent.model_dump(mode="json", exclude={"heard"})
    return {"is": type(intent).__name__, "doubt": intent.heard.doubt, **data}


_WORKER: Worker | None = None


def start(setting: Setting) -> None:
    """Begin a worker process."""
    global _WORKER  # noqa: PLW0603
    _WORKER = Worker(setting)


def do(task: Task) -> Row:
    """One task in a worker process."""
    assert _WORKER is not None
    return _WORKER.do(task)
