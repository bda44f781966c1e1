"""Who goes on after an answer is not talked over, and whoever has finished waits little."""

from __future__ import annotations

import pytest
from prompt.test_mouth import NumberedVoice

from assistant.progress import intents as it
from assistant.prompt.mouth import Mouth
from assistant.prompt.prompts import Prompt, Urgency
from assistant.sitting import assembly
from assistant.sitting.turn import LONGEST_S, Turn
from assistant.sound.player import TimelinePlayer
from assistant.speech.listening import Said
from assistant.speech.look import JOIN_S
from assistant.words.grammar import Grammar, Wanted
from assistant.words.recognised import Recognised

pytestmark = pytest.mark.devices

THEN = Wanted("size", names=("cone_size",), follows=True)
JOINED = Grammar(assembly.language(), Wanted("mm", 8, 25, ahead=(THEN,)))
ALONE = Grammar(assembly.language(), Wanted("mm", 8, 25))
"""A step whose next one may be answered in the same sentence, and one without."""

ENDED_S = 10.0
"""When the voice ended; it is taken 0.3 s later."""
TAKEN_S = ENDED_S + 0.3


def begun_at(
    grammar: Grammar, speech: tuple[float, float], urgency: Urgency, *, timing: bool = False
) -> float:
    """When what answers is begun, if somebody speaks from one time to another."""
    now_s = TAKEN_S
    mouth = Mouth(NumberedVoice(), TimelinePlayer(lambda: now_s), lambda: now_s)
    turn = Turn(mouth)
    heard = Recognised("sixteen point five millimetres", 1.0)
    turn.said(Said(it.Given(kind="mm", value=16.5), heard, grammar, ENDED_S), now_s)
    mouth.say([Prompt("1 0.5", urgency)])
    while not mouth.speaking:
        assert mouth.busy
        now_s = round(now_s + 0.01, 2)
        turn.passes(now_s, in_speech=speech[0] <= now_s < speech[1], timing=timing)
        mouth.pump()
    return now_s


NOBODY = (0.0, 0.0)


@pytest.mark.parametrize(
    ("grammar", "speech", "urgency", "timing", "begun_s"),
    [
        (ALONE, NOBODY, Urgency.READ_BACK, False, TAKEN_S),
        (JOINED, NOBODY, Urgency.READ_BACK, False, ENDED_S + JOIN_S),
        (JOINED, NOBODY, Urgency.WARNING, False, TAKEN_S),
        (JOINED, NOBODY, Urgency.TICK, True, TAKEN_S + 0.01),
        (JOINED, (10.45, 11.6), Urgency.READ_BACK, False, 11.6),
        (JOINED, (10.55, 11.6), Urgency.READ_BACK, False, ENDED_S + JOIN_S),
        (JOINED, (10.45, 99.0), Urgency.READ_BACK, False, ENDED_S + JOIN_S + LONGEST_S),
    ],
    ids=["alone", "joined", "warning", "timer", "goes on", "too late", "noise"],
)
def test_when_it_is_answered(
    grammar: Grammar,
    speech: tuple[float, float],
    urgency: Urgency,
    timing: bool,
    begun_s: float,
) -> None:
    assert begun_at(grammar, speech, urgency, timing=timing) == pytest.approx(begun_s)
