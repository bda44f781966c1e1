"""Sentences that answer several steps, typed and heard."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from typical_case import Driver

from assistant.progress import intents as it
from assistant.sitting import assembly
from assistant.words.expected import wanted_now
from assistant.words.grammar import Grammar, grammar_of
from assistant.words.recognised import Recognised
from assistant.words.sayings import describe
from assistant.words.understand import Trust, bare, understand, understand_typed

WORDS = assembly.language()
TRUST = Trust(accept=0.95, command=0.6, reject=0.2)


def at(step: str) -> Driver:
    case = Driver(read_out=False).set_up(24, "buccal", "palatal")
    ways: dict[str, Callable[[], None]] = {
        "working_length": lambda: case.mm(21),
        "reference_point": lambda: case.choose("buccal_cusp"),
        "apex_locator": lambda: case.mm(21),
        "apical_size": lambda: case.say("size", 30),
        "taper": lambda: case.say("taper", 0.06),
        "post": lambda: case.choose("no"),
        "coronal_level": lambda: case.mm(10),
        "shaped": lambda: case.choose("yes"),
        "cone_size": lambda: case.cone(21.5),
        "tugback": lambda: case.choose("yes", "accepted"),
        "plugger_coronal": lambda: case.mm(9, 12, 16, 16),
        "dry": lambda: case.choose("dry"),
        "paper_point": lambda: case.mm(21, 21, 21),
        "final_length": lambda: case.command("confirm", "confirm"),
    }
    for name, go in ways.items():
        if case.state.here.step == step:
            break
        assert case.state.here.step == name
        go()
    assert case.state.here.step == step
    return case


def grammar(step: str) -> Grammar:
    return grammar_of(WORDS, wanted_now(at(step).state))


@pytest.mark.parametrize(
    ("step", "line", "meant"),
    [
        ("working_length", "working length 21, buccal cusp", "21, buccal cusp"),
        (
            "working_length",
            "working length 21, buccal cusp, locator 21, size thirty, taper oh six",
            "21, buccal cusp, 21, 30, 0.06",
        ),
        ("working_length", "21 buccal cusp no reading", "21, buccal cusp, no reading"),
        ("apical_size", "size thirty taper oh six", "30, 0.06"),
        ("apical_size", "size thirty, taper oh six, no post, level eleven", "30, 0.06, no, 11"),
        ("cone_size", "cone thirty oh six length 21.5 tugback", "30, 0.06, 21.5, yes"),
        ("cone_size", "size thirty five point oh four", "35, 0.04"),
        ("plugger_coronal", "pluggers nine, twelve and a half, sixteen", "9, 12.5, 16"),
        ("plugger_coronal", "pluggers nine twelve sixteen carrier sixteen", "9, 12, 16, 16"),
        ("plugger_coronal", "plugger nine and middle plugger twelve", "9, 12"),
        ("plugger_coronal", "pluggers twenty one", "21"),
        ("dry", "dry, three points at twenty one", "dry, 21, 21, 21"),
        ("paper_point", "three points at twenty and a half", "20.5, 20.5, 20.5"),
        ("paper_point", "two points at twenty final length", None),
        ("paper_point", "points twenty one twenty one point two twenty one", "21, 21.2, 21"),
        ("paper_point", "three points at 21 final length 21", "21, 21, 21, 21"),
        ("paper_point", "three points at 21 cut back as planned", None),
        ("paper_point", "three points at 21 final length as planned", "21, 21, 21, as planned"),
        ("tugback_again", "tugback, coat complete, seated, sear ten", "yes, complete, yes, 10"),
        # Without its name a value after another could be either's: it is not taken.
        ("plugger_coronal", "plugger nine twelve sixteen", None),
        ("apical_size", "thirty yes", None),
        # Four are more than the pluggers there are.
        ("plugger_coronal", "pluggers nine twelve sixteen eighteen", None),
    ],
)
def test_several_answers_in_one_sentence(step: str, line: str, meant: str | None) -> None:
    intent = understand_typed(line, grammar(step))
    assert (None if isinstance(intent, it.Unclear) else describe(intent)) == meant


def test_all_yes_answers_the_questions_of_the_phase_and_no_more() -> None:
    case = Driver(read_out=False)
    case.say("tooth", 24)
    case.say("canals", ("buccal", "palatal"))
    intent = understand_typed("all yes", grammar_of(WORDS, wanted_now(case.state)))
    assert describe(intent) == "yes, yes, yes"
    case.do(intent)
    assert case.state.here.step == "patient_risks"  # nobody said yes to that
    assert isinstance(understand_typed("all yes", grammar("taper")), it.Unclear)
    assert describe(understand_typed("all yes", grammar("tugback"))) == "yes"


def test_each_answer_has_its_own_words() -> None:
    intent = understand_typed("pluggers 9, 12.5, 16", grammar("plugger_coronal"))
    assert isinstance(intent, it.Several)
    assert [part.heard.text for part in intent.parts] == [
        "pluggers nine",
        "twelve point five",
        "sixteen",
    ]
    assert intent.heard.text == "pluggers 9, 12.5, 16"


def test_a_series_names_its_values_so_that_none_answers_another_step() -> None:
    intent = understand_typed("pluggers 9, 12.5, 16", grammar("plugger_coronal"))
    assert isinstance(intent, it.Several)
    assert {getattr(part, "quantity", None) for part in intent.parts} == {"plugger_mm"}


def test_tenths_without_point_are_questioned_in_a_series_too() -> None:
    """ "Twelve five" is nearer to 12.5 than to two pluggers; it is asked about."""
    intent = understand_typed("pluggers nine twelve five sixteen", grammar("plugger_coronal"))
    assert isinstance(intent, it.Several)
    assert [describe(part) for part in intent.parts] == ["9", "12.5", "16"]
    assert [part.heard.doubt for part in intent.parts] == [None, "Tenths without point.", None]


BEST = "pluggers nine twelve sixteen"


@pytest.mark.parametrize(
    ("confidence", "rivals", "doubtful"),
    [
        (0.95, ("pluggers nine thirteen sixteen",), [False, False, False]),
        (0.94, ("pluggers nine thirteen sixteen",), [False, True, False]),
        (0.94, ("pluggers five twelve fifteen",), [True, False, True]),
        (0.94, (), [True, True, True]),
        (0.94, ("pluggers nine twelve",), [True, True, True]),
        (0.6, ("pluggers nine thirteen sixteen",), [False, True, False]),
        (0.59, ("pluggers nine thirteen sixteen",), [True, True, True]),
    ],
)
def test_the_doubtful_number_is_questioned_not_all_accepted(
    confidence: float, rivals: tuple[str, ...], doubtful: list[bool]
) -> None:
    heard = Recognised(BEST, confidence, rivals)
    intent = understand(heard, grammar("plugger_coronal"), TRUST)
    assert isinstance(intent, it.Several)
    assert [part.heard.doubt is not None for part in intent.parts] == doubtful


def test_a_number_that_sounds_like_another_is_questioned_however_sure() -> None:
    rivals = ("pluggers nine twelve thirteen",)
    heard = Recognised("pluggers nine twelve thirty", 0.99, rivals, either=True)
    intent = understand(heard, grammar("plugger_coronal"), TRUST)
    assert isinstance(intent, it.Several)
    assert [part.heard.doubt is not None for part in intent.parts] == [False, False, True]


def test_too_faint_a_sentence_is_asked_again_as_a_whole() -> None:
    intent = understand(Recognised(BEST, 0.19), grammar("plugger_coronal"), TRUST)
    assert isinstance(intent, it.Unclear)


def test_the_attention_word_leads_a_sentence_of_several() -> None:
    wanted = wanted_now(at("apical_size").state, "logbook")
    intent = understand_typed("logbook size thirty taper oh six", grammar_of(WORDS, wanted))
    plain = understand_typed("size thirty taper oh six", grammar("apical_size"))
    assert isinstance(intent, it.Several)
    assert [describe(part) for part in intent.parts] == ["30", "0.06"]
    assert bare(intent) == bare(plain)
