"""The one graph: what it holds, what it refuses, and that all its readers agree."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from assistant.errors import InputFileError
from assistant.progress import intents as it
from assistant.sitting import assembly
from assistant.sound.sources import read_wav
from assistant.speech.own_listener import OwnListener
from assistant.words.grammar import Grammar, Wanted, everything, load_language
from assistant.words.graph import End, Graph, Reading
from assistant.words.templates import Unsayable, compile_graph, ways
from assistant.words.understand import understand_typed

ENGLISH = Path(__file__).parents[2] / "grammars" / "en"
WORDS = assembly.language()
MM = Grammar(WORDS, Wanted("mm", 8, 25, corrections=("mm", "size"), canals=("buccal",))).graph
NUMBERS = {"whole": (("sixteen", 16), ("twenty one", 21)), "tenth": (("five", 5),)}


def graph(*templates: str, intent: str = "said") -> Graph:
    rules = {"mm": "{whole} [point {tenth}]"}
    return compile_graph([(End(intent), templates)], rules, NUMBERS)


def said(text: str, among: Graph) -> list[dict[str, object]]:
    return [dict(reading.puts) for reading in among.meanings(text.split())]


# --- reading ---------------------------------------------------------------------


def test_values_are_put_by_the_words_that_say_them() -> None:
    depth = graph("[depth] <mm>")
    assert said("depth twenty one point five", depth) == [{"whole": 21, "tenth": 5}]
    assert said("sixteen", depth) == [{"whole": 16}]
    for no in ("", "depth", "twenty", "sixteen five", "sixteen point", "sixteen sixteen"):
        assert said(no, depth) == []
    assert depth.following(["twenty"]) == (frozenset({"one"}), False)
    assert depth.following(["sixteen"]) == (frozenset({"point"}), True)
    assert depth.following(["five"]) == (frozenset(), False)
    assert depth.words == {"depth", "sixteen", "twenty", "one", "point", "five"}
    assert depth.pieces == ("depth", "point five", "sixteen", "twenty one")


def test_several_meanings_of_one_sentence_stay() -> None:
    two = compile_graph([(End("one"), ("dry",)), (End("other", "sure?"), ("dry", "wet"))], {})
    assert two.meanings(["dry"]) == (
        Reading(End("one"), ()),
        Reading(End("other", "sure?"), ()),
    )
    assert two.roots == tuple(dict.fromkeys(two.roots)) and len(two.roots) == 3
    clash = compile_graph(
        [(End("a"), ("[{x}] {y}",))], {}, {"x": [("m b", 1)], "y": [("b", 2)]}
    )
    assert len(clash.meanings(["b"])) == 1


def test_arcs_lead_to_smaller_nodes_and_numbers_are_there_once() -> None:
    for node, arcs in enumerate(MM.arcs):
        assert arcs or MM.ends[node]
        assert all(arc.target < node for arc in arcs)
    points = {arc.target for arcs in MM.arcs for arc in arcs if arc.word == "point"}
    tenths = [node for node in points if MM.arcs[node][0].puts == (("tenth", 1),)]
    # To a tenth of what is given, of what is corrected, of where canals join, and of the
    # level to which a fill is removed.
    assert len(tenths) == 5
    assert len(MM.arcs) < 1000


def test_every_way_of_a_template_with_its_lists_open() -> None:
    found = ways("[at] {whole:first} (mil|)")
    texts = [" ".join(way.words) for way in found]
    assert sorted(texts) == ["at {whole}", "at {whole} mil", "{whole}", "{whole} mil"]
    assert {way.puts for way in found} == {(("first", "whole"),)}


# --- words in any order, by all its readers ----------------------------------------


@pytest.fixture(scope="module")
def any_order(tmp_path_factory: pytest.TempPathFactory) -> Grammar:
    folder = tmp_path_factory.mktemp("own")
    (folder / "phrases.yaml").write_text('options:\n  dry: ["(really;very) dry"]\n')
    wanted = Wanted(options=("dry", "wet", "bleeding"), corrections=("mm",))
    return Grammar(assembly.language(folder), wanted)


BOTH = pytest.mark.parametrize("text", ["really very dry", "very really dry"])


@BOTH
def test_any_order_is_understood_typed(any_order: Grammar, text: str) -> None:
    intent = understand_typed(text, any_order)
    assert isinstance(intent, it.Chosen) and intent.option == "dry"
    assert isinstance(understand_typed("really dry", any_order), it.Unclear)


@BOTH
def test_any_order_is_heard_by_the_recogniser(
    any_order: Grammar, text: str, tmp_path: Path
) -> None:
    if not shutil.which("espeak-ng"):
        pytest.skip("espeak-ng is missing")
    path = tmp_path / "said.wav"
    subprocess.run(["espeak-ng", "-v", "en-us", "-s", "140", "-w", str(path), text], check=True)
    listener = OwnListener()
    listener.prepare(any_order)
    assert listener.hear(read_wav(path)).text == text


# --- what it cannot hold -----------------------------------------------------------


@pytest.mark.parametrize(
    ("template", "why"),
    [
        ("cone(s|)", "a space within 'e('"),
        ("<mm>[mil]", "a space within '>['"),
        ("[a] [b]", "without a word"),
        ("size 2", "'2'"),
        ("Dry", "small letters"),
        ("a {third}", "the list 'third'"),
        ("a {@whole}", "the list 'whole'"),
        ("a {1..5:whole}", "the list '1..5'"),
        ("a <nm>", "the rule 'nm'; there are mm"),
        ("(a;b;c;d;e;f;g) h", "over 6 parts in any order"),
        ("(out", "no sentence template"),
        ("[" * 900 + "a" + "]" * 900, "no sentence template"),
    ],
)
def test_what_the_graph_cannot_hold_is_refused(template: str, why: str) -> None:
    with pytest.raises(Unsayable) as refused:
        graph(template)
    assert str(refused.value).startswith(repr(template)) and why in str(refused.value)


def test_a_rule_that_leads_to_itself_or_grows_without_end_is_refused() -> None:
    with pytest.raises(Unsayable, match="leads back to itself"):
        compile_graph([(End("x"), ("a <b>",))], {"b": "c <b>"})
    doubled = {f"r{n}": f"<r{n + 1}> <r{n + 1}>" for n in range(30)} | {"r30": "a"}
    with pytest.raises(Unsayable, match="100000 places"):
        compile_graph([(End("x"), ("<r0>",))], doubled)


@pytest.mark.parametrize(
    ("ours", "theirs", "why"),
    [
        ('"still wet"', '"still(wet|moist)"', "needs a space"),
        ('"still wet"', '"[still]"', "without a word"),
        ('say: "buccal"', 'say: "{canal}"', "is a value of one"),
        ('unit: "(', 'unit: "[<unit>] (', "leads back to itself"),
        ('word: "logbook"', 'word: "log-book"', "'-'"),
    ],
)
def test_it_is_refused_when_the_words_are_loaded(
    tmp_path: Path, ours: str, theirs: str, why: str
) -> None:
    text = (ENGLISH / "phrases.yaml").read_text()
    assert text.count(ours) == 1
    line = text[: text.index(ours)].count("\n") + 1
    (tmp_path / "phrases.yaml").write_text(text.replace(ours, theirs))
    (tmp_path / "lexicon.dict").write_text((ENGLISH / "lexicon.dict").read_text())
    with pytest.raises(InputFileError) as refused:
        load_language(tmp_path)
    assert f"{tmp_path / 'phrases.yaml'} line {line}" in str(refused.value)
    assert why in str(refused.value)


def test_an_option_without_a_phrase_is_said_by_its_id() -> None:
    grammar = Grammar(WORDS, Wanted(options=("level_2_reached",)))
    for text in ("level two reached", "level 2 reached"):
        intent = understand_typed(text, grammar)
        assert isinstance(intent, it.Chosen) and intent.option == "level_2_reached"


def test_all_that_can_be_said_fits_in_a_small_graph() -> None:
    whole = Grammar(WORDS, everything(WORDS.phrases)).graph
    assert sum(map(len, whole.arcs)) < 5000
