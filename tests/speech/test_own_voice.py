"""The assistant must not take its own voice for "stop".

Every sentence of both protocols and of ``wording.yaml`` is rendered with the
voice that speaks it and streamed through the spotter that listens meanwhile.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pytest

from assistant.files.shipped import data_folder, protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.prompt.voice import Pyttsx3Voice
from assistant.protocol.model import Protocol
from assistant.protocol.templates import FIELDS
from assistant.sitting import assembly
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ
from assistant.speech.listening import STOP_TWICE_S
from assistant.speech.urgent import UrgentEar
from assistant.words.sayings import load_wording, spoken

pytestmark = pytest.mark.sound

EXAMPLES = dict.fromkeys(FIELDS, "16.5") | {
    "canal": "Mesiobuccal",
    "step": "Cone seated",
    "readings": "21, 21.2, 21",
    "tip": "0.33",
    "round": "2",
    "value": "17",
    "limit": "16",
}


def sentences() -> Iterator[str]:
    wording = load_wording(data_folder("grammars") / "en")
    groups = (wording.read_backs, wording.questions, wording.refusals, wording.notices)
    for group in groups:
        yield from group.values()
    for name in ("warm-vertical", "to-post-level"):
        protocol = load_yaml(protocol_path(name), Protocol)
        for step in protocol.steps():
            yield step.ask
        for rule in protocol.rules:
            yield rule.say


def filled(template: str) -> str:
    return re.sub(r"{(\w+)}", lambda m: EXAMPLES.get(m.group(1), "Length 21"), template)


SAID = sorted({filled(sentence) for sentence in sentences()})


def test_no_sentence_contains_an_urgent_word() -> None:
    urgent = assembly.language().phrases.urgent
    for sentence in SAID:
        words = set(re.findall(r"[a-z]+", sentence.lower()))
        assert not words & set(urgent.always), sentence


def spotted_s(ear: UrgentEar, sentence: str, voice: Pyttsx3Voice, level: float) -> list[float]:
    """When the spotter fires while the room hears ``sentence`` at ``level``."""
    rng = np.random.default_rng(1)
    said = voice.render(spoken(sentence, "en")) * level
    sound = np.concatenate([said, np.zeros(RATE_HZ // 4)])
    sound = (sound + rng.normal(0.0, 25.0, len(sound))).astype(np.int16)
    ear.reset()
    whole = len(sound) // FRAME_SAMPLES * FRAME_SAMPLES
    frames = sound[:whole].reshape(-1, FRAME_SAMPLES)
    return [i * FRAME_SAMPLES / RATE_HZ for i, f in enumerate(frames) if ear.push(f)]


@pytest.mark.parametrize("level", [1.0, 0.25])
def test_nothing_said_while_a_timer_runs_is_taken_for_stop(level: float) -> None:
    urgent = assembly.language().phrases.urgent
    ear, voice = UrgentEar(urgent.always | urgent.in_timer), Pyttsx3Voice()
    in_timer = ["5", "4", "3", "2", "1", "Heat 4.1, limit 4.", "The timer runs."]
    assert [s for s in in_timer if spotted_s(ear, s, voice, level)] == []


def test_no_sentence_is_taken_for_stop_twice() -> None:
    """With a loudspeaker it takes two (``--loudspeaker``). Each sentence is looked at as a
    whole: in windows it would take minutes."""
    ear, voice = UrgentEar(assembly.language().phrases.urgent.always), Pyttsx3Voice()
    taken = []
    for sentence in SAID:
        said = (voice.render(spoken(sentence, "en")) * 0.25).astype(np.int16)
        times = [began / RATE_HZ for began, _, _ in ear.within(said)]
        if any(later - earlier < STOP_TWICE_S for earlier, later in pairwise(times)):
            taken.append(sentence)
    assert taken == []
