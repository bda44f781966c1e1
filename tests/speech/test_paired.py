"""Two recognisers that must agree, the second one pretended."""

from __future__ import annotations

import shutil
import subprocess
from functools import cache
from threading import Event

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.procedure import intents as it
from assistant.sitting import assembly
from assistant.sitting.dictation import dictate
from assistant.sound.samples import Samples
from assistant.speech.fusion import AGREED, ALONE
from assistant.speech.paired import DISAGREED, PairedListener, Phrase, Support
from assistant.speech.pocketsphinx_listener import PocketsphinxListener
from assistant.speech.transcriber import Written
from assistant.words.grammar import Grammar, Wanted
from assistant.words.recognised import Recognised
from assistant.words.understand import understand

pytestmark = pytest.mark.sound

STEP = Grammar(
    assembly.language(),
    Wanted("mm", 8, 25, corrections=("mm",), options=("binds",), canals=("buccal", "palatal")),
)
TRUST = assembly.TRUST["paired"]


class Writes:
    """A second recogniser that writes what it is told to."""

    def __init__(self) -> None:
        self.text = ""

    def transcribe(self, samples: Samples, started: Event | None = None) -> Written:
        return Written(self.text, lambda texts: [-9.0 * (text != self.text) for text in texts])


@cache
def pair() -> tuple[PairedListener, Writes]:
    second = Writes()
    listener = PairedListener(
        PocketsphinxListener(alone=False), lambda: second, assembly.language().lexicon
    )
    listener.prepare(STEP)
    return listener, second


@cache
def said(text: str) -> Samples:
    if not shutil.which("flite"):
        pytest.skip("flite is not installed")
    return dictate(text, "flite:slt")


def heard(text: str, written: str) -> Recognised:
    listener, second = pair()
    second.text = written
    return listener.hear(said(text))


def meant(recognised: Recognised) -> it.AnyIntent:
    return understand(recognised, STEP, TRUST)


def test_what_both_heard_is_taken() -> None:
    recognised = heard("plugger sixteen point five", "Plugger 16.5.".lower())
    assert recognised.text == "plugger sixteen point five"
    intent = meant(recognised)
    assert isinstance(intent, it.Given)
    assert intent.value == 16.5
    assert intent.heard.doubt is None


@pytest.mark.parametrize(
    "written", ["plugger fifteen point five", "plugger 16", "plugger 16.9", "sixty point five"]
)
def test_another_number_is_never_taken_without_a_question(written: str) -> None:
    recognised = heard("plugger sixteen point five", written)
    assert recognised.confidence <= DISAGREED < TRUST.accept
    intent = meant(recognised)
    assert isinstance(intent, it.Unclear) or intent.heard.doubt is not None


def test_a_near_miss_of_the_second_still_agrees() -> None:
    recognised = heard("plugger sixteen point five", "plodger sixteen point five")
    assert meant(recognised).heard.doubt is None


@pytest.mark.parametrize(
    "written",
    ["", "did you see the game last night", "the next patient comes at four with her mother"],
)
def test_a_value_that_the_second_never_heard_is_not_taken(written: str) -> None:
    recognised = heard("plugger sixteen point five", written)
    intent = meant(recognised)
    assert isinstance(intent, it.Unclear) or intent.heard.doubt is not None


def test_silence_is_never_taken() -> None:
    listener, second = pair()
    second.text = ""
    recognised = listener.hear(said("plugger sixteen point five")[:8000] * 0)
    assert recognised.confidence <= DISAGREED


def test_a_missing_second_is_told(tmp_path: object) -> None:
    def lost() -> Writes:
        raise subprocess.SubprocessError("no model")

    listener = PairedListener(PocketsphinxListener(alone=False), lost, {})
    with pytest.raises(subprocess.SubprocessError):
        listener.ready()


shares = st.floats(0.0, 1.0)
supports = st.builds(
    Support,
    first=st.sampled_from([0.0, 1.0]),
    next_best=st.sampled_from([0.0, 1.0]),
    second=st.sampled_from([0.0, 1.0]),
    preferred=st.sampled_from([0.0, 1.0]),
    margin=st.floats(-6.0, 6.0),
    per_word=st.floats(-6.0, 0.0),
    unlike=shares,
    unlike_short=st.floats(0.0, 10.0),
    evidence=st.tuples(*[st.floats(-10.0, 1.0)] * 4),
)


@given(supports)
def test_without_agreement_nothing_is_stored_or_obeyed_unasked(support: Support) -> None:
    phrase = Phrase("sixteen", support)
    assert 0.0 <= phrase.confidence <= 1.0
    assert len(support.features()) + 1 == len(AGREED) == len(ALONE)
    if not support.agreed:
        assert phrase.confidence <= DISAGREED < min(TRUST.accept, TRUST.command, TRUST.harmless)


@given(supports)
def test_agreement_takes_both_and_something_near(support: Support) -> None:
    if support.agreed:
        assert support.second or support.preferred or support.margin >= 1.0
        assert support.first or support.next_best
        assert support.unlike < 1.0
