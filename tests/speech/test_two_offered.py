"""A number in noise that may have been its neighbour: from sound to the answer, by the own
ears. Voice and noise are those of the report half; the rooms were picked for their doubt."""

from __future__ import annotations

import pytest
from hearing.noises import Condition, mix
from hearing.voices import speak
from room import WORDING, Room, front_tooth

from assistant.progress import intents as it
from assistant.prompt.wording import question
from assistant.sitting import assembly
from assistant.speech.own_listener import OwnListener
from assistant.words.expected import wanted_now
from assistant.words.grammar import grammar_of
from assistant.words.understand import understand

pytestmark = pytest.mark.sound

WORDS = assembly.language()
TRUST = assembly.TRUST["own"]


def said(room: Room, text: str, snr_db: float | None, variant: int) -> it.AnyIntent:
    """What the own ears make of a text, said at the present step in a room."""
    noise = Condition("quiet") if snr_db is None else Condition("pink", snr_db)
    sound = mix(speak(text, "flite:awb"), noise, variant, lead_s=0.4, tail_s=0.4).sound
    ears = OwnListener()
    grammar = grammar_of(WORDS, wanted_now(room.state))
    ears.prepare(grammar)
    return understand(ears.hear(sound), grammar, TRUST)


@pytest.mark.parametrize(
    ("text", "snr_db", "variant"), [("thirteen", 5.0, 2), ("thirteen", 0.0, 0)]
)
def test_the_right_one_of_two_is_stored_after_one_word(
    text: str, snr_db: float, variant: int
) -> None:
    """It was heard as its neighbour; the question offers both."""
    room = front_tooth()
    room.do(said(room, text, snr_db, variant))
    assert question(room.state, WORDING, brief=False).endswith("30 or 13?")
    assert not room.values("working_length_mm")
    room.do(said(room, text, None, 1))
    # A length unusual for the tooth is a question of its own.
    if room.state.pending is not None:
        assert not room.state.pending.offers
        room.command("confirm")
    (entry,) = room.on_record("working_length_mm")
    assert (entry.value, entry.confirmed) == (13.0, True)


def test_neither_is_heard_and_drops_both() -> None:
    room = front_tooth()
    room.do(said(room, "thirteen", 5.0, 2))
    room.do(said(room, "neither", None, 1))
    assert room.kinds == ["confirm_dropped"]
    assert not room.values("working_length_mm")
