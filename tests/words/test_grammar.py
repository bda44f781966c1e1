"""What may be said at a step, and what it means."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assistant.canal.instruments import ISO_SIZES
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.progress import intents as it
from assistant.protocol.model import Protocol
from assistant.sitting import assembly
from assistant.words.grammar import Grammar, Wanted
from assistant.words.numbers import number_words
from assistant.words.phrases import pronunciations
from assistant.words.recognised import Recognised
from assistant.words.sayings import value_phrase
from assistant.words.understand import TYPED, Trust, understand, understand_typed

pytestmark = pytest.mark.core

WORDS = assembly.language()
DEPTH = Grammar(WORDS, Wanted("mm", corrections=("mm", "size"), canals=("buccal", "palatal")))
SIZE = Grammar(WORDS, Wanted("size", canals=("buccal",)))
TAPER = Grammar(WORDS, Wanted("taper", options=("unknown",), canals=("buccal",)))
TOOTH = Grammar(WORDS, Wanted("tooth"))
CANALS = Grammar(WORDS, Wanted("canals"))
SURE = Trust(accept=0.6, command=0.4, reject=0.2)


def meaning(text: str, grammar: Grammar) -> it.AnyIntent:
    return understand(Recognised(text, 1.0), grammar, TYPED)


def value(text: str, grammar: Grammar = DEPTH) -> object:
    intent = meaning(text, grammar)
    assert isinstance(intent, it.Given), intent
    return intent.value


@pytest.mark.parametrize(
    ("said", "mm"),
    [
        ("twenty one point five", 21.5),
        ("twenty one and a half", 21.5),
        ("plugger sixteen", 16.0),
        ("plugger depth sixteen point five millimetres", 16.5),
        ("working length is twenty one", 21.0),
        ("zero point five", 0.5),
        ("thirty five", 35.0),
    ],
)
def test_lengths_with_tenths_halves_and_units(said: str, mm: float) -> None:
    assert value(said) == mm


@given(st.integers(0, 359))
def test_every_tenth_that_can_be_said_is_understood(tenths: int) -> None:
    mm = tenths / 10
    assert value(number_words(mm, "en").removesuffix(" point zero")) == mm
    typed = understand_typed(f"{mm:g}", DEPTH)
    assert isinstance(typed, it.Given)
    assert typed.value == mm


def test_tenths_without_point_are_a_question() -> None:
    intent = meaning("twenty one five", DEPTH)
    assert isinstance(intent, it.Given)
    assert intent.value == 21.5
    assert intent.heard.doubt is not None
    # "Twenty one" has one sure meaning and is not taken for 20.1.
    sure = meaning("twenty one", DEPTH)
    assert isinstance(sure, it.Given)
    assert sure.value == 21.0
    assert sure.heard.doubt is None


@pytest.mark.parametrize(
    "said", ["nine and a", "twenty point", "sixty", "plugger", "point five", "sixteen sixteen"]
)
def test_half_a_phrase_is_never_guessed_at(said: str) -> None:
    assert isinstance(meaning(said, DEPTH), it.Unclear)


@pytest.mark.parametrize(
    ("said", "grammar", "expected"),
    [
        ("size thirty", SIZE, 30),
        ("oh eight", SIZE, 8),
        ("one forty", SIZE, 140),
        ("cone size one hundred", SIZE, 100),
        ("taper point oh six", TAPER, 0.06),
        ("oh four", TAPER, 0.04),
        ("eight percent", TAPER, 0.08),
        ("point one two", TAPER, 0.12),
        ("tooth two four", TOOTH, 24),
        ("twenty four", TOOTH, 24),
        ("buccal and palatal", CANALS, ("buccal", "palatal")),
        ("single", CANALS, ("single",)),
        (
            "mesiobuccal second mesiobuccal distobuccal and palatal",
            CANALS,
            ("mesiobuccal", "second mesiobuccal", "distobuccal", "palatal"),
        ),
    ],
)
def test_other_values(said: str, grammar: Grammar, expected: object) -> None:
    assert value(said, grammar) == expected


def test_a_size_that_is_not_made_is_not_understood() -> None:
    assert isinstance(meaning("size thirty three", SIZE), it.Unclear)


def test_a_bare_correction_takes_the_kind_of_the_newest_entry() -> None:
    lengths_first = meaning("correction thirty", DEPTH)
    assert isinstance(lengths_first, it.Correction)
    assert (lengths_first.kind, lengths_first.value) == ("mm", 30.0)
    sizes_first = Grammar(WORDS, Wanted("mm", corrections=("size", "mm")))
    other = meaning("correction thirty", sizes_first)
    assert isinstance(other, it.Correction)
    assert (other.kind, other.value) == ("size", 30)


def test_doubt_asks_and_too_much_doubt_asks_again() -> None:
    sure = understand(Recognised("plugger sixteen", 0.9), DEPTH, SURE)
    assert isinstance(sure, it.Given)
    assert sure.heard.doubt is None
    unsure = understand(
        Recognised("plugger sixteen", 0.5, ("plugger sixty", "plugger six")), DEPTH, SURE
    )
    assert isinstance(unsure, it.Given)
    assert unsure.heard.doubt == "Not sure: perhaps 6."
    either = Recognised("size fifteen", 0.99, ("size fifty",), either=True)
    one_of_two = understand(either, SIZE, SURE)
    assert isinstance(one_of_two, it.Given)
    assert (one_of_two.value, one_of_two.rival) == (15, 50)
    assert isinstance(understand(Recognised("plugger sixteen", 0.1), DEPTH, SURE), it.Unclear)
    # A doubtful command that changes something is asked again; a harmless one is obeyed.
    assert isinstance(understand(Recognised("undo that", 0.3), DEPTH, SURE), it.Unclear)
    assert isinstance(understand(Recognised("where are we", 0.3), DEPTH, SURE), it.Command)


def test_a_rival_that_differs_in_the_value_alone_goes_along() -> None:
    near = Recognised("plugger sixteen", 0.5, ("plugger six",))
    given_ = understand(near, DEPTH, SURE)
    assert isinstance(given_, it.Given)
    assert (given_.value, given_.rival) == (16.0, 6.0)
    correction = Recognised("correction sixteen", 0.5, ("correction six",))
    corrected = understand(correction, DEPTH, SURE)
    assert isinstance(corrected, it.Correction)
    assert corrected.rival == 6.0
    for other in ("six", "correction six", "go back"):  # another quantity, kind or request
        found = understand(Recognised("plugger sixteen", 0.5, (other,)), DEPTH, SURE)
        assert isinstance(found, it.Given)
        assert found.rival is None and found.heard.doubt
    sure = understand(Recognised("plugger sixteen", 0.9, ("plugger six",)), DEPTH, SURE)
    assert isinstance(sure, it.Given)
    assert sure.rival is None


def test_neither_is_an_answer_where_two_are_offered() -> None:
    assert isinstance(meaning("neither", DEPTH), it.Unclear)
    asked = Grammar(WORDS, replace(DEPTH.wanted, choice=True))
    assert meaning("neither", asked) == meaning("no", asked).model_copy(
        update={"heard": meaning("neither", asked).heard}
    )


@pytest.mark.parametrize(
    ("kind", "values"),
    [
        ("mm", [0.0, 0.1, 15.0, 21.5, 35.0]),
        ("size", list(ISO_SIZES)),
        ("taper", [0.02, 0.04, 0.06, 0.1, 0.12]),
        ("tooth", [11, 14, 24, 48]),
    ],
)
def test_a_value_that_is_offered_is_understood_as_it_is_shown(
    kind: str, values: list[float]
) -> None:
    rules = Grammar(WORDS, Wanted(kind=kind, choice=True))
    for value in values:
        given_ = understand_typed(value_phrase(kind, value, "en"), rules)
        assert isinstance(given_, it.Given), (kind, value)
        assert given_.value == value


def test_typed_lines_take_digits_and_free_reasons() -> None:
    skip = understand_typed("skip because the cone was fitted yesterday", DEPTH)
    assert isinstance(skip, it.Skip)
    assert skip.reason == "the cone was fitted yesterday"
    given_ = understand_typed("Plugger 16.5 mil", DEPTH)
    assert isinstance(given_, it.Given)
    assert given_.value == 16.5
    assert given_.heard.text == "Plugger 16.5 mil"


@given(st.text(max_size=60))
def test_any_typed_text_gives_an_intent(line: str) -> None:
    understand_typed(line, DEPTH)


def test_every_option_and_command_of_the_protocols_can_be_said() -> None:
    for name in ("warm-vertical", "to-post-level"):
        protocol = load_yaml(protocol_path(name), Protocol)
        # That a finding was made is said by its name, not as an answer.
        made = {finding.id for finding in protocol.findings}
        assert made <= {one.means for one in WORDS.phrases.lists["finding"]}
        for step in protocol.steps():
            for option in step.options if step.id not in made else ():
                assert option.id in WORDS.phrases.options, (name, step.id, option.id)


def test_everything_that_can_be_said_has_a_pronunciation() -> None:
    known = pronunciations(WORDS.lexicon)
    for kind in WORDS.phrases.values:
        grammar = Grammar(WORDS, Wanted(kind, options=tuple(WORDS.phrases.options)))
        for word in grammar.graph.words:
            assert word in known, word


@pytest.mark.parametrize(
    ("said", "named"),
    [
        ("labial and lingual", ("labial", "lingual")),
        (
            "m b one m b two distobuccal mesiopalatal and distopalatal",
            (
                "mesiobuccal",
                "second mesiobuccal",
                "distobuccal",
                "mesiopalatal",
                "distopalatal",
            ),
        ),
        (
            "mesiobuccal middle mesial mesiolingual distobuccal middle distal distolingual",
            (
                "mesiobuccal",
                "middle mesial",
                "mesiolingual",
                "distobuccal",
                "middle distal",
                "distolingual",
            ),
        ),
    ],
)
def test_five_canals_and_more_by_their_trade_names(said: str, named: tuple[str, ...]) -> None:
    meant = understand_typed(said, CANALS)
    assert isinstance(meant, it.Given)
    assert meant.value == named
