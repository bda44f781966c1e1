"""A practice's own words: what they add, and what is refused and found."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from assistant.commandline.main import main
from assistant.errors import InputFileError
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.progress import intents as it
from assistant.protocol.model import Protocol
from assistant.sitting import assembly
from assistant.words.check_words import Report, as_json, check_words, complaints, summary
from assistant.words.grammar import Grammar, Language, Wanted
from assistant.words.understand import understand_typed

WHOLE = load_yaml(protocol_path("warm-vertical"), Protocol)


def only(*steps: str) -> Protocol:
    """A few steps are enough here, and quick; CI checks whole protocols."""
    parts = {
        part: tuple(step for step in getattr(WHOLE, part) if step.id in steps)
        for part in ("opening", "canal", "closing")
    }
    return WHOLE.model_copy(update=parts)


def words(folder: Path, phrases: str = "", lexicon: str = "") -> Language:
    if phrases:
        (folder / "phrases.yaml").write_text(phrases, encoding="utf-8")
    if lexicon:
        (folder / "lexicon.dict").write_text(lexicon, encoding="utf-8")
    return assembly.language(folder)


def checked(
    folder: Path, phrases: str = "", lexicon: str = "", steps: tuple[str, ...] = ("dry",)
) -> Report:
    return check_words(words(folder, phrases, lexicon), [only(*steps)])


OWN = """\
options:
  dry: ["bone dry"]
commands:
  where: ["[tell me] the present stage"]
lists:
  canal:
    - {say: "cheek side", means: buccal}
  size_also:
    - {say: "double oh ten", means: 10}
values:
  mm:
    - sentences: ["depth of <mm>"]
skip: ["omit [this] [{reason}]"]
"""
LEXICON = """\
bone  B OW N
tell  T EH L
me  M IY
of  AH V
present  P R EH Z AH N T
stage  S T EY JH
cheek  CH IY K
side  S AY D
double  D AH B AH L
omit  OW M IH T
obtura  AA B T UH R AH
"""
TRY = "try  T R AY\n"


def test_added_words_mean_what_the_shipped_ones_mean(tmp_path: Path) -> None:
    language = words(tmp_path, OWN, "obtura  AA B T UH R AH\n")
    depth = Grammar(language, Wanted("mm", options=("dry",), canals=("buccal", "palatal")))

    def meaning(text: str, grammar: Grammar = depth) -> it.AnyIntent:
        return understand_typed(text, grammar)

    assert meaning("bone dry") == meaning("dry").model_copy(
        update={"heard": meaning("bone dry").heard}
    )
    where, switch = meaning("the present stage"), meaning("canal cheek side")
    assert isinstance(where, it.Command) and where.verb == "where"
    assert isinstance(switch, it.SwitchCanal) and switch.canal == "buccal"
    given, skip = meaning("depth of 16.5"), meaning("omit not needed")
    assert isinstance(given, it.Given) and given.value == 16.5
    assert isinstance(skip, it.Skip) and skip.reason == "not needed"
    size = meaning("double oh ten", Grammar(language, Wanted("size")))
    assert isinstance(size, it.Given) and size.value == 10
    assert language.lexicon["obtura"] == ("AA B T UH R AH",)
    assert language.lexicon["plugger"] == assembly.language().lexicon["plugger"]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("options:\n  dri: [x]\n", ("line 2", "options.dri", "no 'dri'", "dry")),
        ("commands:\n  pause: [wait]\n  halt: [x]\n", ("line 3", "halt", "resume")),
        ("lists:\n  canals:\n    - {say: x, means: y}\n", ("line 2", "'canals'", "canal")),
        (
            "lists:\n  canal:\n    - {say: cheek, means: bucal}\n",
            ("line 3", "'bucal'", "buccal"),
        ),
        ("lists:\n  size_also:\n    - {say: odd, means: 11}\n", ("line 3", "11", "140")),
        ("values:\n  mm:\n    - sentences: [deep]\n", ("line 3", "whole")),
        ("values:\n  mm:\n    - sentences: ['at [{whole}]']\n", ("line 3", "whole")),
        ("values:\n  mm:\n    - sentences: ['at {size}']\n", ("line 3", "{size}", "{whole}")),
        ("values:\n  mm:\n    - sentences: ['at <m>']\n", ("line 3", "<m>", "mm_any")),
        ("switch: [elsewhere]\n", ("line 1", "canal")),
        ("skip: ['(out']\n", ("line 1", "no sentence template")),
        ("skip: ['[out]']\n", ("line 1", "without a word")),
        ("skip: ['Leave out']\n", ("line 1", "small letters")),
        ("skip: ['leave 2 out']\n", ("line 1", "'2'")),
        ("options:\n  'yes': [sure, sure]\n", ("line 2", "there already")),
        ("options:\n  'yes': ['yes']\n", ("line 2", "there already")),
        ("urgent:\n  always: {halt: 1.0}\n", ("line 1", "urgent")),
        ("rules:\n  mm: x\n", ("line 1", "rules")),
        ("accepted_alike:\n  - {pairs: [[a, b]], because: no}\n", ("line 2", "because")),
    ],
)
def test_what_does_not_fit_is_refused_with_its_line(
    tmp_path: Path, content: str, said: tuple[str, ...]
) -> None:
    with pytest.raises(InputFileError) as refused:
        words(tmp_path, content)
    for part in (str(tmp_path / "phrases.yaml"), *said):
        assert part in str(refused.value)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("# words\nobtura\n", ("line 2", "no phones")),
        ("obtura  AA1 B T UH R AH\n", ("line 1", "'AA1'", "ZH")),
    ],
)
def test_a_lexicon_line_that_cannot_be_used(
    tmp_path: Path, content: str, said: tuple[str, ...]
) -> None:
    with pytest.raises(InputFileError) as refused:
        words(tmp_path, lexicon=content)
    for part in ("lexicon.dict", *said):
        assert part in str(refused.value)


def test_a_folder_that_cannot_be_used(tmp_path: Path) -> None:
    with pytest.raises(InputFileError, match="cannot be read"):
        words(tmp_path / "missing")
    with pytest.raises(InputFileError, match="neither"):
        words(tmp_path)
    (tmp_path / "phrase.yaml").write_text("", encoding="utf-8")
    with pytest.raises(InputFileError, match=r"phrase\.yaml would not be read"):
        words(tmp_path)


def test_own_words_that_are_good_are_quiet(tmp_path: Path) -> None:
    steps = ("canals", "working_length", "apical_size", "dry")
    report = checked(tmp_path, OWN, LEXICON, steps)
    assert complaints(report) == []
    assert {said.text for said in report.findings.own} >= {"bone dry", "double oh ten"}
    assert "'obtura' in the own lexicon.dict is in no phrase." in summary(report)


def test_an_own_sentence_that_sounds_like_another(tmp_path: Path) -> None:
    (found,) = complaints(checked(tmp_path, "options:\n  wet: [try]\n", TRY))
    for part in ('"dry"', '"try"', 'answer "wet"', "0.07", "warm-vertical dry"):
        assert part in found
    assert f'"try" is from {tmp_path / "phrases.yaml"}' in found
    # The same pair with a reason is kept, and told.
    reason = "because: invented for this test"
    kept = checked(
        tmp_path,
        f"options:\n  wet: [try]\naccepted_alike:\n  - {{pairs: [[try, dry]], {reason}}}\n",
        TRY,
    )
    assert complaints(kept) == []
    accepted = [p for p in as_json(kept)["accepted"] if p["phrases"] == ["dry", "try"]]
    assert accepted[0]["because"] == "invented for this test"
    assert accepted[0]["own"] == [False, True]


def test_an_own_sentence_that_has_two_meanings(tmp_path: Path) -> None:
    (found,) = complaints(checked(tmp_path, "options:\n  wet: [dry]\n"))
    assert '"dry" means both' in found
    assert "phrases.yaml" in found


def test_an_own_pronunciation_that_makes_words_alike(tmp_path: Path) -> None:
    found = complaints(checked(tmp_path, lexicon="bleeding  P L IY D IH NG\nexudate  D R AY\n"))
    assert any('"exudate" is also in' in line and '"dry"' in line for line in found)
    assert not any("bleeding" in line for line in found)


def test_a_word_nobody_can_pronounce(tmp_path: Path) -> None:
    found = complaints(checked(tmp_path, "options:\n  dry: [xqz]\n"))
    assert any("'xqz' has no pronunciation" in line for line in found)


def test_a_number_that_begins_another_is_told_and_is_no_clash(tmp_path: Path) -> None:
    report = checked(tmp_path, "options:\n  dry: [fifty dry]\n", steps=("apical_size",))
    begins = {(pair.one.text, pair.other.text) for pair in report.findings.beginnings}
    assert ("fifty", "fifty five") in begins
    assert complaints(report) == []


def test_the_commands_take_a_folder_of_own_words(tmp_path: Path) -> None:
    def fillwarm(*args: object, text: str = "") -> Result:
        env = {"XDG_CONFIG_HOME": str(tmp_path)}
        return CliRunner().invoke(main, [*map(str, args)], input=text, env=env)

    usual = tmp_path / "fillwarm" / "words" / "en"
    usual.mkdir(parents=True)
    (usual / "phrases.yaml").write_text("options:\n  'yes': [certainly]\n", encoding="utf-8")
    text = "tooth 11\nsingle\ncertainly\nnone\nwhere are we\n"
    case = ("run", "--typed", "--protocol", "to-post-level", "--case", tmp_path / "case")
    done = fillwarm(*case, text=text)
    assert "Single. Working length?" in done.output
    (usual / "phrases.yaml").write_text("options:\n  yep: [certainly]\n", encoding="utf-8")
    for command in (("check-words",), ("run", "--typed"), ("check-words", "--words", usual)):
        refused = fillwarm(*command)
        assert refused.exit_code == 3
        assert "phrases.yaml line 2" in refused.stderr
    assert fillwarm("check-words", "--words", tmp_path / "missing").exit_code == 3
