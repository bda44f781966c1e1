"""Files nobody meant well: each was once a traceback, a hang, or a lost question.

The long runs are in fuzz/fuzz.py; here is what they found, and every target on its
seeds and a few changed ones.
"""

from __future__ import annotations

from pathlib import Path
from random import Random
from textwrap import dedent

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel
from typical_case import Driver, two_canals

from assistant.case import casefile
from assistant.errors import InputFileError, RecordDamaged, UserError
from assistant.files import yamlfile
from assistant.files.shipped import data_folder
from assistant.files.yamlfile import parse_yaml
from assistant.progress import intents as it
from assistant.progress.apply import replay
from assistant.progress.events import EVENTS
from assistant.progress.facts import text_of
from assistant.protocol.model import Protocol
from assistant.protocol.own_instruments import PluggerFile
from assistant.sitting import assembly
from assistant.words.grammar import Grammar, Wanted, load_language
from assistant.words.understand import understand_typed
from fuzz import seeds
from fuzz.mutate import changed
from fuzz.targets import TARGETS

ENGLISH = data_folder("grammars") / "en"


@pytest.mark.parametrize("name", TARGETS)
def test_a_target_on_its_seeds_and_a_few_changed_ones(name: str) -> None:
    target, rng = TARGETS[name], Random(name)
    small = sorted(target.seeds(), key=len)
    for raw in small:
        target.run(raw)
    for _ in range(8):
        target.run(changed(rng, small[0], target.longest))


# -- YAML -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a: " + "[" * 3000, "nested more than 40 deep"),
        ("- " * 400 + "a", "nested more than 40 deep"),
        ("{a: " * 300 + "1", "nested more than 40 deep"),
        ("a: " + "[" * yamlfile.MAX_BRACKETS, "nested more than 40 deep"),
        ("- " * (yamlfile.MAX_INDENT // 2) + "a", "nested more than 40 deep"),
        ("a: " + "[" * 500_000, "nested more than 40 deep"),
        ('"\\ud800": 1\n"\\ud800": 2', r"\ud800"),
        ('title: "\\udfff"', "half of a character"),
        ('{? "\\ud800" : 1}', "half of a character"),
        ("title: 0x" + "f" * 5000, "thousands of digits"),
        ("? 0x" + "f" * 5000 + "\n: 1", "thousands of digits"),
        ("!!omap [a: 1]", "line 1"),
        ("#\n| #", "not YAML"),
    ],
    ids=range(13),
)
def test_odd_yaml_is_refused_in_a_sentence(text: str, said: str) -> None:
    with pytest.raises(InputFileError) as refused:
        parse_yaml(text, PluggerFile, "set.yaml")
    assert said in str(refused.value)
    assert len(str(refused.value).encode("utf-8")) < 2000


def test_a_list_as_deep_as_is_allowed_is_read() -> None:
    with pytest.raises(InputFileError, match="title"):
        parse_yaml("x: " + "[" * 30 + "]" * 30, PluggerFile, "set.yaml")


class Anything(BaseModel, extra="allow"):
    """Whatever a mapping holds, as it was read."""


def read_as(text: str, name: str) -> tuple[str, str]:
    """The values and their kinds, or the refusal."""
    try:
        return repr(parse_yaml(text, Anything, name).model_dump()), ""
    except InputFileError as refused:
        return "", str(refused).replace(name, "")


def test_both_readers_make_the_same_of_whatever_they_take(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Pieces of the shipped files, changed: 400 here; 12,000 once, all the same."""
    rng, taken = Random(7), 0
    shipped = [*data_folder("protocols").glob("*.yaml"), *ENGLISH.glob("*.yaml")]
    assert all(yamlfile._is_usual(path.read_text()) for path in shipped)
    lines = [path.read_text().splitlines() for path in sorted(shipped)]
    for _ in range(400):
        of_file = rng.choice(lines)
        first = rng.randrange(len(of_file))
        piece = dedent("\n".join(of_file[first : first + rng.randint(1, 12)])).encode()
        text = changed(rng, piece, 2_000).decode(errors="replace")
        quickly = read_as(text, "quickly.yaml")
        taken += quickly[1] == "" and yamlfile._is_usual(text)
        with monkeypatch.context() as patched:
            patched.setattr(yamlfile, "_is_usual", lambda _text: False)
            assert quickly == read_as(text, "slowly.yaml")
    assert taken > 60


# -- grammars and own words ---------------------------------------------------------


@pytest.mark.parametrize(
    ("ours", "theirs", "said"),
    [
        ('unit: "(millimetre|', 'unit: "(millimetre', "no sentence template"),
        ("<mm_bare_tenth>", "<nothing>", "names the rule 'nothing'"),
        ("{half:tenth}", "{third:tenth}", "names the list 'third'"),
    ],
)
def test_a_phrase_that_cannot_be_compiled_is_told_with_its_line(
    tmp_path: Path, ours: str, theirs: str, said: str
) -> None:
    text = (ENGLISH / "phrases.yaml").read_text()
    assert ours in text
    broken = text.replace(ours, theirs)
    if "template" in said:
        broken = text.replace('"(millimetre|millimetres|mil)"', '"(millimetre|mil"')
    (tmp_path / "phrases.yaml").write_text(broken)
    (tmp_path / "lexicon.dict").write_text((ENGLISH / "lexicon.dict").read_text())
    with pytest.raises(InputFileError, match=r"line \d+") as refused:
        load_language(tmp_path)
    assert said in str(refused.value)


@pytest.mark.parametrize(
    "own",
    [
        'lists:\n  canal:\n    - {say: "%s", means: buccal}\n' % ("[a] " * 24 + "x"),
        'options:\n  dry: ["%s"]\n' % ("[a] " * 24 + "x"),
        'options:\n  dry: ["%s"]\n' % ("[" * 900 + "a" + "]" * 900),
    ],
    ids=["list", "option", "deep"],
)
def test_own_words_with_millions_of_forms_are_refused(tmp_path: Path, own: str) -> None:
    (tmp_path / "phrases.yaml").write_text(own)
    with pytest.raises(InputFileError, match="line"):
        assembly.language(tmp_path)


@pytest.mark.parametrize("number", ["9" * 400, "1" * 40, "1e999", "0." + "3" * 400])
def test_a_typed_number_without_words_is_asked_about(number: str) -> None:
    grammar = Grammar(assembly.language(), Wanted(kind="mm"))
    assert isinstance(understand_typed(number, grammar), it.Unclear)


# -- journals -----------------------------------------------------------------------


def read_forged(folder: Path, change: dict[str, object], kind: str = "entry_made") -> None:
    """A journal that verifies, with one field of its last such event made up."""
    events = [dict(event) for event in seeds.events()]
    last = max(i for i, event in enumerate(events) if event["kind"] == kind)
    (inner,) = [key for key in events[last] if key in {"entry", "warning", "timer"}] or [""]
    if inner:
        events[last][inner] = events[last][inner] | change
    else:
        events[last] |= change
    (folder / casefile.JOURNAL).write_bytes(seeds.chained(events))
    casefile.read_case(folder)


@pytest.mark.parametrize(
    ("kind", "change"),
    [
        ("entry_made", {"replaces": 10**6}),
        ("entry_made", {"replaces": -3}),
        ("entry_made", {"seq": 2}),
        ("entry_made", {"track": "nobody"}),
        ("entry_made", {"step": "working_length"}),
        ("entry_made", {"value": ["a"]}),
        ("warned", {"seq": 1}),
        ("warned", {"entry": 10**6}),
        ("timer_started", {"step": "sear"}),
        ("step_reached", {"step": "nowhere"}),
        ("track_selected", {"track": "nobody"}),
        ("warning_answered", {"seq": 0}),
    ],
)
def test_a_forged_event_is_damage(tmp_path: Path, kind: str, change: dict[str, object]) -> None:
    with pytest.raises(RecordDamaged, match="cannot be replayed"):
        read_forged(tmp_path, change, kind)


def test_an_entry_that_replaces_itself_does_not_hang(tmp_path: Path) -> None:
    last = two_canals().state.entries[-1].seq
    with pytest.raises(RecordDamaged, match=f"no entry {last}"):
        read_forged(tmp_path, {"replaces": last})


def test_a_case_opened_twice_is_damage(tmp_path: Path) -> None:
    events = [*seeds.events(), seeds.events()[0]]
    (tmp_path / casefile.JOURNAL).write_bytes(seeds.chained(events))
    with pytest.raises(RecordDamaged, match="opened twice"):
        casefile.read_case(tmp_path)


def test_what_the_program_wrote_belongs() -> None:
    assert replay(two_canals().events) == two_canals().state


# -- what is said --------------------------------------------------------------------


@given(st.floats(0, 35).map(lambda mm: round(mm, 6)))
def test_a_number_is_read_back_as_it_is_on_record(value: float) -> None:
    assert float(text_of(value)) == value
    assert "e" not in text_of(value)


def test_a_question_dropped_by_an_undo_elsewhere_stays_in_the_log() -> None:
    case = Driver().set_up(24, "buccal", "palatal")
    case.mm(10.6)  # unusual for this tooth: questioned
    assert case.state.pending is not None
    case.command("undo")
    assert case.state.pending is None
    assert [one.reason for one in case.state.rejected] == ["gone back"]
    assert case.state.rejected[0].text == "10.6"


@pytest.mark.parametrize(
    "intent",
    [
        it.Given(kind="canals", value=("\ud800",), heard=it.Heard(text="\udfff")),
        it.Chosen(option="\ud800"),
        it.SwitchCanal(canal="\ud800"),
        it.Trouble(text="\ud800"),
        it.Unclear(reason="\ud800", readings=("\ud800",)),
    ],
)
def test_half_characters_can_be_recorded(intent: it.AnyIntent) -> None:
    case = Driver().set_up(24, "buccal")
    case.do(intent)
    for event in case.events:
        assert EVENTS.validate_json(EVENTS.dump_json(event)) == event


@settings(max_examples=30)
@given(st.text(max_size=80))
def test_any_text_as_a_protocol(text: str) -> None:
    with pytest.raises(UserError):
        parse_yaml(text, Protocol, "protocol.yaml")
