"""A practice's own words are heard by their pronunciation alone: the ears learn nothing."""

from __future__ import annotations

from pathlib import Path

import pytest
from hearing.noises import Condition, mix
from hearing.voices import speak

from assistant.progress import intents as it
from assistant.sitting import assembly
from assistant.speech.own_listener import OwnListener
from assistant.words.grammar import Grammar, Wanted
from assistant.words.phrases import pronunciations
from assistant.words.understand import understand
from speech.test_listeners import utterance

pytestmark = pytest.mark.sound

PHRASES = """\
lists:
  quantity:
    - {say: "wobbler", means: plugger_mm}
commands:
  where: ["hey grobbins what now"]
"""
LEXICON = """\
wobbler  W AA B L ER
hey  HH EY
grobbins  G R AA B IH N Z
what  W AH T
now  N AW
"""
"""An instrument's nickname and an invented name; no dictionary has either."""


@pytest.mark.parametrize("voice", ["flite:awb", "espeak-ng:en-gb"])
def test_invented_words_of_a_practice_are_heard_by_voices_never_heard(
    voice: str, tmp_path: Path
) -> None:
    (tmp_path / "phrases.yaml").write_text(PHRASES, encoding="utf-8")
    (tmp_path / "lexicon.dict").write_text(LEXICON, encoding="utf-8")
    words = assembly.language(tmp_path)
    assert not {"wobbler", "grobbins"} & set(pronunciations({}))
    grammar = Grammar(words, Wanted("mm", 0, 35, names=("plugger_mm",)))
    own = OwnListener()
    own.prepare(grammar)

    def said(text: str) -> it.AnyIntent:
        sound = utterance(mix(speak(text, voice), Condition("suction", 20.0), 1).sound)
        return understand(own.hear(sound), grammar, assembly.TRUST["own"])

    value = said("wobbler seventeen point five")
    assert isinstance(value, it.Given)
    assert (value.quantity, value.value, value.heard.doubt) == ("plugger_mm", 17.5, None)
    asked = said("hey grobbins what now")
    assert isinstance(asked, it.Command) and asked.verb == "where"
