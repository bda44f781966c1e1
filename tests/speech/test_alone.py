"""One recogniser alone: what it may take without a question. Pure."""

from __future__ import annotations

import pytest

from assistant.procedure import intents as it
from assistant.sitting import assembly
from assistant.words.grammar import Grammar, Wanted
from assistant.words.recognised import Recognised
from assistant.words.understand import Trust, understand

TRUST = assembly.TRUST["pocketsphinx"]
WORDS = assembly.language()
LENGTH = Wanted(kind="mm", low=5, high=30, options=("binds",), corrections=("mm", "size"))


def heard(said: str, confidence: float, wanted: Wanted, trust: Trust = TRUST) -> it.AnyIntent:
    return understand(Recognised(said, confidence, ("fifteen",)), Grammar(WORDS, wanted), trust)


@pytest.mark.parametrize(
    ("said", "wanted"),
    [
        ("plugger sixteen point five", LENGTH),
        ("correction nine", LENGTH),
        ("forty", Wanted(kind="size")),
        ("six percent", Wanted(kind="taper")),
        ("tooth one one", Wanted(kind="tooth")),
        ("buccal and palatal", Wanted(kind="canals")),
    ],
)
def test_a_number_is_confirmed_however_surely_it_was_heard(said: str, wanted: Wanted) -> None:
    for confidence in (TRUST.accept, 1.0):
        intent = heard(said, confidence, wanted)
        assert isinstance(intent, it.Given | it.Correction)
        assert intent.heard.doubt == "Please check."  # no rival is named: it was heard surely
    paired = heard(said, 1.0, wanted, assembly.TRUST["paired"])
    assert paired.heard.doubt is None


def test_an_option_surely_heard_is_not() -> None:
    for said in ("it binds", "no"):
        assert heard(said, TRUST.accept, LENGTH).heard.doubt is None
        assert heard(said, TRUST.accept - 0.01, LENGTH).heard.doubt is not None


def test_stop_needs_least() -> None:
    assert isinstance(heard("stop", TRUST.stop, LENGTH), it.Command)
    assert isinstance(heard("where are we", TRUST.harmless, LENGTH), it.Command)
    assert isinstance(heard("where are we", TRUST.harmless - 0.01, LENGTH), it.Unclear)
    assert isinstance(heard("confirm", TRUST.command, LENGTH), it.Command)
    assert isinstance(heard("confirm", TRUST.command - 0.01, LENGTH), it.Unclear)
    assert TRUST.reject <= TRUST.stop < min(TRUST.harmless, TRUST.command)
    assert max(TRUST.harmless, TRUST.command) < TRUST.accept
