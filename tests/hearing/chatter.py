"""Speech that is not meant for the program. All of it is invented.

Nothing of it should change a case. :data:`TALK` is talk with the patient, the
nurse and others, with numbers and words of the grammars in it; in
:data:`ACCIDENTAL` every line is, or holds after a pause, a whole phrase of some
step, which no recogniser can tell from a request; it is counted by itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from assistant.sitting.dictation import LEVEL_RMS
from assistant.sound.samples import RATE_HZ
from hearing.noises import Sound, Speaker, active_rms

TALK = (
    # to the patient
    "open a little wider for me please",
    "turn your head towards me a little",
    "you are doing really well",
    "raise your left hand if you need me to stop",
    "this will taste a bit bitter",
    "you may feel some warmth but no pain",
    "just breathe through your nose",
    "are you comfortable like that",
    "let me know if you feel anything sharp",
    "you can rinse in a minute",
    "there will be a loud noise now",
    "we are more than half way through",
    "that was the worst part",
    "only about twenty more minutes",
    "close your mouth gently around the tube",
    "keep still for two more pictures",
    "your cheek will be numb for three or four hours",
    "do not chew on that side until tonight",
    "you will hear a few beeps",
    "the sheet keeps everything nice and clean",
    "does it still hurt when you bite down",
    "I will tilt the chair back a bit",
    "swallow if you want to",
    "it is perfectly normal to feel some pressure",
    "we will take one more picture of the tooth",
    "the old filling has come out in one piece",
    "you have three canals in that tooth",
    "it looks a lot better than last month",
    "you can put your hand down now",
    "please do not move your tongue",
    # to the nurse
    "could you pass me the mirror please",
    "can you move the light over a bit",
    "we need another pair of size seven gloves",
    "hold the suction a bit closer to the cheek",
    "the suction is too loud today",
    "can you wipe the mirror for me",
    "there are twenty one cones left in the box",
    "we should order more paper points",
    "put the next patient in room two",
    "who is next after this one",
    "is the next one here already",
    "I am nearly done with this one",
    "could you write that down for later",
    "have you seen the thirty gauge needle",
    "give me the other plugger please",
    "no not that one the smaller one",
    "the heat carrier needs a new tip soon",
    "this cone is a bit bent",
    "throw that cone away please",
    "let us see what the radiograph says",
    "can you stop the phone from ringing",
    "tell them I will call back at half past four",
    "stop laughing you two",
    "do we still have the longer files",
    "the curing light is in the second drawer",
    "ask reception to move my five o'clock",
    "the canal was wet when I started",
    "it took ages to dry that canal yesterday",
    "mix the sealer when I say so",
    "not yet give me a minute",
    "that is the wrong drawer",
    "the rubber dam has a small tear",
    "can you get me a fresh syringe",
    "we have done eleven of these this week",
    "put the kettle on when you are finished here",
    "the blue one is for the upper teeth",
    "how many of those are left",
    "write twelve on the envelope",
    "the bill goes to the other address",
    "take the tray away when you have a moment",
    # about teeth
    "the palatal root is always longer than you think",
    "the buccal one was rather narrow",
    "I would not have gone deeper than seventeen there",
    "the working length changed after the second visit",
    "the book says twenty two on average",
    "he measured nineteen point five and I got twenty",
    "you always lose half a millimetre somewhere",
    "the mesial canal splits near the end",
    "they used to fill these with silver points",
    "it needs a post and a crown after that",
    "the cusp was already cracked",
    "I saw bleeding there last time",
    "that tooth had been treated twice before",
    "the cone should bind at the tip",
    "a taper of six is what I normally like",
    "four of them needed doing again",
    "the plugger went in like butter",
    "some people heat it for much longer",
    "the seal at the end is what counts",
    "you press and wait until it is cool",
    # to nobody in particular
    "did you see the game last night",
    "it ended two one after extra time",
    "the weather is going to be lovely",
    "my daughter started school on monday",
    "we are driving to the coast at the weekend",
    "it is thirty degrees outside",
    "the train was late again this morning",
    "I had soup for lunch",
    "somebody parked in my space",
    "the new coffee machine is terrible",
    "what time is it",
    "it is ten to three",
    "I have to leave at five today",
    "the lift is out of order again",
    "she turned forty last week",
    "twenty people came to the party",
    "they live at number sixteen",
    "I read it in the paper",
    "he said he would be here by nine",
    "the holidays start in two weeks",
    "I cannot find my glasses",
    "remind me to call the bank",
    "that song again",
    "turn the radio down a little",
    "and now the news at eleven",
    "traffic is slow on the ring road",
    "more rain is expected in the north",
    "sales are up by eight percent this year",
    "call now for a free quote",
    "you are listening to the afternoon show",
    "hello",
    "thank you very much",
    "excuse me for a second",
    "bless you",
    "sorry what did you say",
    "one moment please",
    "I will be right back",
    "good afternoon",
    "see you next time",
    "all right then",
)

ACCIDENTAL = (
    "stop",
    "yes",
    "no",
    "done",
    "next",
    "finished",
    "twenty one",
    "seventeen and a half",
    "help",
    "hold on",
    "complete",
    "carry on",
    "go back",
    "confirm",
    "none",
    "six percent",
    "cone thirty",
    "bleeding",
    "what is left",
    "say again",
)

PAUSES_S = (0.4, 2.5)
"""Between two sentences, drawn uniformly: short enough that some run together."""


@dataclass(frozen=True)
class Said:
    """One sentence of a stretch of chatter: where it is, in seconds, and by whom."""

    text: str
    voice: str
    began_s: float
    ended_s: float


def stretch(
    seconds: float,
    rng: np.random.Generator,
    voices: Sequence[str],
    speaker: Speaker,
    sentences: tuple[str, ...] = TALK,
) -> tuple[Sound, list[Said]]:
    """Two people (or one, if there is only one voice) who talk in turn, at the level
    of the operator, for at least ``seconds``; sentences are not repeated before all
    have been said."""
    pair = [voices[int(i)] for i in rng.permutation(len(voices))[:2]]
    parts: list[Sound] = []
    said: list[Said] = []
    at_s = 0.0
    for text in _endless(sentences, rng):
        pause = np.zeros(round(rng.uniform(*PAUSES_S) * RATE_HZ))
        voice = pair[int(rng.integers(len(pair)))]
        sound = speaker(text, voice).astype(np.float64)
        sound *= LEVEL_RMS / (active_rms(sound) or 1.0)
        began_s = at_s + len(pause) / RATE_HZ
        at_s = began_s + len(sound) / RATE_HZ
        said.append(Said(text, voice, began_s, at_s))
        parts += [pause, sound]
        if at_s >= seconds:
            break
    return np.concatenate(parts), said


def _endless(sentences: tuple[str, ...], rng: np.random.Generator) -> Iterator[str]:
    while True:
        for index in rng.permutation(len(sentences)):
            yield sentences[int(index)]
