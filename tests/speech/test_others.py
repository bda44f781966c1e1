"""Talk that is not for the program is let go; what may be for it is not."""

from __future__ import annotations

import numpy as np
import pytest

from assistant.progress import intents as it
from assistant.sitting import assembly
from assistant.speech.ear import Utterance
from assistant.speech.others import AGAIN_S, ANSWER_S, NEAR, SOON_S, Others
from assistant.words.grammar import Grammar, Wanted
from assistant.words.recognised import Recognised
from assistant.words.understand import Trust, understand

pytestmark = pytest.mark.sound

TRUST = Trust(accept=0.95, command=0.6, reject=0.2, ours=0.5)
STEP = Grammar(assembly.language(), Wanted("mm", 8, 25, options=("binds",)))
UTTERANCE = Utterance(np.zeros(8000, np.int16), 5.0, 5.5, 1, False, -30.0, 30.0)


def mean(others: Others, text: str, ours: float, began_s: float = 100.0) -> bool:
    """Whether it is let go; each utterance takes half a second."""
    heard = Recognised(text, ours * 0.99, ours=ours)
    intent = understand(heard, STEP, TRUST)
    return others.mean(intent, heard, TRUST, began_s, UTTERANCE)


@pytest.mark.parametrize(("ours", "let_go"), [(0.49, True), (0.5, False), (0.99, False)])
def test_what_is_far_from_every_phrase_is_let_go(ours: float, let_go: bool) -> None:
    assert mean(Others(), "it binds", ours) is let_go


def test_a_listener_that_does_not_tell_lets_nothing_go() -> None:
    heard = Recognised("it binds", 0.01)
    intent = understand(heard, STEP, TRUST)
    assert isinstance(intent, it.Unclear)
    assert not Others().mean(intent, heard, TRUST, 100.0, UTTERANCE)


@pytest.mark.parametrize(("later_s", "let_go"), [(AGAIN_S - 0.1, False), (AGAIN_S, True)])
def test_what_is_said_twice_is_asked_about(later_s: float, let_go: bool) -> None:
    others = Others()
    assert mean(others, "it binds", 0.3)
    assert mean(others, "it binds", 0.3, 100.5 + later_s) is let_go


def test_what_is_far_is_let_go_however_often_it_is_said() -> None:
    others = Others()
    assert mean(others, "it binds", NEAR / 2)
    assert mean(others, "it binds", NEAR / 2, 102.0)
    assert not mean(others, "it binds", NEAR, 104.0)


def test_two_different_things_are_not_the_same_said_twice() -> None:
    others = Others()
    assert mean(others, "it binds", 0.3)
    assert mean(others, "done", 0.3, 102.0)


@pytest.mark.parametrize(("later_s", "let_go"), [(SOON_S - 0.1, False), (SOON_S, True)])
def test_the_rest_of_a_number_that_was_cut_off_is_asked_about(
    later_s: float, let_go: bool
) -> None:
    others = Others()
    assert not mean(others, "fifteen", 0.99)
    assert mean(others, "done", 0.1, 100.5 + later_s) is let_go


@pytest.mark.parametrize(("later_s", "let_go"), [(ANSWER_S - 0.1, False), (ANSWER_S, True)])
def test_the_answer_to_a_question_about_what_was_heard_is_asked_again(
    later_s: float, let_go: bool
) -> None:
    others = Others()
    assert not mean(others, "fifteen", 0.7)  # in doubt, and asked about
    assert mean(others, "done", 0.1, 100.5 + later_s) is let_go


def test_what_was_taken_without_a_question_awaits_no_answer() -> None:
    others = Others()
    assert not mean(others, "fifteen", 0.7)
    assert not mean(others, "fifteen", 0.99, 102.0)
    assert mean(others, "done", 0.1, 102.5 + SOON_S)


def test_stop_is_never_let_go() -> None:
    heard = Recognised("stop", 0.4, ours=0.4)
    intent = it.Command(verb="stop")
    assert not Others().mean(intent, heard, TRUST, 100.0, UTTERANCE)
