"""The decoder on made-up phones, and the confidence; the weights are measured elsewhere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pytest

from assistant.ears.bands import Array, features
from assistant.ears.confidence import confidence
from assistant.ears.decode import decode
from assistant.ears.encoder import CODES, PHONES, load, log_phones
from assistant.ears.phonegraph import PhoneGraph, compiled

WAYS = {
    "fifteen": ("F IH F T IY N",),
    "fifty": ("F IH F T IY",),
    "no": ("N OW",),
    "point": ("P OY N T",),
    "ten": ("T EH N",),
}


class Arc(NamedTuple):
    word: str
    target: int
    puts: tuple[Any, ...] = ()


@dataclass(frozen=True)
class Words:
    start: int
    arcs: tuple[tuple[Arc, ...], ...]
    ends: tuple[tuple[str, ...], ...]


# "fifteen", "fifty" or "no", and after a number "point ten".
GRAPH = Words(
    3,
    (
        (),
        (Arc("ten", 0, (("tenth", 10),)),),
        (Arc("point", 1),),
        (Arc("fifteen", 2, (("n", 15),)), Arc("fifty", 2, (("n", 50),)), Arc("no", 0)),
    ),
    (("end",), (), ("number",), ()),
)


def heard(phones: str, sure: float = 0.98, each: int = 3) -> Array:
    """Log-probabilities as if these phones had been said, blanks around each."""
    codes = [0, 0]
    for phone in phones.split():
        codes += [CODES[phone]] * each + [0]
    odds = np.full((len(codes) + 2, len(PHONES) + 1), (1 - sure) / len(PHONES), np.float32)
    odds[np.arange(len(codes)), codes] = sure
    odds[len(codes) :, 0] = sure
    return np.log(odds)


@pytest.fixture(scope="module")
def graph() -> PhoneGraph:
    return compiled(GRAPH, WAYS, lambda word: ())


def test_the_best_sentence_comes_first_with_its_meaning(graph: PhoneGraph) -> None:
    got = decode(graph, heard("F IH F T IY N P OY N T EH N"))
    assert got.sentences[0].words == ("fifteen", "point", "ten")
    assert got.sentences[0].meaning == ("end", (("n", 15), ("tenth", 10)))


def test_a_rival_is_found_although_both_lead_to_the_same_place(graph: PhoneGraph) -> None:
    got = decode(graph, heard("F IH F T IY"))
    assert [s.words for s in got.sentences[:2]] == [("fifty",), ("fifteen",)]
    assert got.evidence.rival == pytest.approx(got.sentences[0].score - got.sentences[1].score)


def test_scores_fall_and_no_words_come_twice(graph: PhoneGraph) -> None:
    got = decode(graph, heard("F IH F T IY N", sure=0.6))
    scores = [s.score for s in got.sentences]
    assert scores == sorted(scores, reverse=True)
    assert len({s.words for s in got.sentences}) == len(scores)


def test_silence_is_nothing(graph: PhoneGraph) -> None:
    assert decode(graph, heard("")).sentences == ()
    assert confidence(decode(graph, heard("")).evidence) == 0


@pytest.mark.parametrize(
    ("said", "breaks_off"),
    [
        ("F IH F T IY N", False),
        ("F IH F T IY N P OY N T", True),
        ("F IH F T IY N P OY N T T EH N", False),
        ("N OW", False),
    ],
)
def test_a_sentence_that_breaks_off_is_known(
    graph: PhoneGraph, said: str, breaks_off: bool
) -> None:
    assert decode(graph, heard(said)).unfinished is breaks_off


def test_other_talk_is_less_sure(graph: PhoneGraph) -> None:
    said = confidence(decode(graph, heard("N OW")).evidence)
    other = confidence(decode(graph, heard("K AE M IH L S N OW V W EH L")).evidence)
    assert said > 0.8
    assert other < 0.2


def test_the_weights_load_and_silence_is_blank() -> None:
    net = load()
    logs = log_phones(net, np.zeros(16_000, np.int16))
    assert logs.shape == (50, 40)
    assert (logs.argmax(1) == 0).all()
    assert np.allclose(np.exp(logs).sum(1), 1, atol=1e-3)


def test_a_frame_every_hundredth_of_a_second() -> None:
    assert features(np.zeros(16_000, np.float32)).shape == (100, 80)
