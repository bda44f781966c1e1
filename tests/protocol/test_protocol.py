"""Protocol files: ours load, and a bad one is told in a sentence that helps."""

from __future__ import annotations

import contextlib
import string
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError
from ruamel.yaml import YAML

from assistant.canal.lengths import MAX_LENGTH_MM
from assistant.errors import InputFileError
from assistant.files import yamlfile
from assistant.files.shipped import data_folder
from assistant.files.yamlfile import MAX_BYTES, load_yaml
from assistant.protocol.frozen import WRITTEN
from assistant.protocol.model import Protocol, SharedFindings
from assistant.protocol.templates import FIELDS
from assistant.words.grammar import load_language

FILES = sorted(data_folder("protocols").glob("*.yaml"))
GOOD = (data_folder("protocols") / "warm-vertical.yaml").read_text(encoding="utf-8")


def load(tmp_path: Path, text: str | bytes) -> Protocol:
    path = tmp_path / "practice.yaml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return load_yaml(path, Protocol)


def complaint(tmp_path: Path, text: str | bytes) -> str:
    """What is said about a bad file; the first sentence, if there are several."""
    with pytest.raises(InputFileError) as caught:
        load(tmp_path, text)
    said = str(caught.value)
    assert said.startswith(str(tmp_path / "practice.yaml"))
    assert "Traceback" not in said
    assert said.endswith((".", ")", "?"))
    return said.splitlines()[0]


def changed(old: str, new: str) -> tuple[str, int]:
    """Our protocol with one thing changed, and the line where that is."""
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    return text, GOOD[: GOOD.index(old)].count("\n") + 1 + new.rstrip("\n").count("\n")


# -- ours -----------------------------------------------------------------------


def test_three_protocols_are_shipped() -> None:
    assert [path.stem for path in FILES] == ["cold-lateral", "to-post-level", "warm-vertical"]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_shipped_protocol_loads_and_is_named_like_its_file(path: Path) -> None:
    assert load_yaml(path, Protocol).id == path.stem


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_number_and_rule_has_a_source(path: Path) -> None:
    protocol = load_yaml(path, Protocol)
    for _, limit in protocol.limits.given():
        assert limit.source.strip()
    for rule in protocol.rules:
        assert rule.source.strip()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("- id: void\n", "- id: dry\n", "step ids must be unique; 'dry' occurs twice"),
        ("part: Backfill", "part: Fill", "'Fill' is no phase to be done again"),
        ("{id: leave_it}", "{id: leave_it, to: dry}", "'dry' is no later step of 'void'"),
        ("kind: choice, quantity: void_then", "kind: sign", "is none of the sequence's"),
    ],
)
def test_a_finding_that_does_not_hang_together_is_refused(
    tmp_path: Path, old: str, new: str, said: str
) -> None:
    assert said in complaint(tmp_path, changed(old, new)[0])


@pytest.mark.parametrize(
    ("new", "said"),
    [
        ("painn", "findings[10]: found 'painn'; is no shared finding; there are sealer_ext"),
        ("crack", "findings[10]: step ids must be unique; 'crack' occurs twice"),
    ],
)
def test_a_shared_finding_is_named_where_the_file_names_it(
    tmp_path: Path, new: str, said: str
) -> None:
    text, line = changed("  - pain\n", f"  - {new}\n")
    assert f"practice.yaml line {line}: {said}" in complaint(tmp_path, text)


def test_a_shared_finding_that_is_malformed_is_named_in_its_own_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "shared").mkdir()
    bad = "findings:\n  - id: pain\n    title: Pain\n"
    (tmp_path / "shared" / "findings.yaml").write_text(bad)
    monkeypatch.setattr(yamlfile, "data_folder", lambda _name: tmp_path)
    with pytest.raises(InputFileError) as caught:
        load(tmp_path, GOOD + "# read anew\n")
    shared = tmp_path / "shared" / "findings.yaml"
    assert str(caught.value) == f"{shared} line 2: findings[0].source: field required."


def test_every_shared_finding_is_in_two_protocols_or_more() -> None:
    shared = yamlfile.load_shared("findings", SharedFindings).findings
    used = [one for path in FILES for one in load_yaml(path, Protocol).findings]
    assert all(used.count(one) > 1 for one in shared)


def test_a_journal_has_no_names_of_shared_findings() -> None:
    whole = load_yaml(FILES[0], Protocol).model_dump(mode="json")
    whole["findings"] = ["pain"]
    for context in (None, WRITTEN):
        with pytest.raises(ValidationError, match=r"findings\.0"):
            Protocol.model_validate(whole, context=context)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_depth_is_under_the_depth_rule_and_the_rule_is_urgent(path: Path) -> None:
    protocol = load_yaml(path, Protocol)
    deep = ("plugger", "heat", "sear", "spreader")
    goes_down = {
        step.expect.quantity
        for step in protocol.canal
        if step.expect.kind == "measure" and any(word in step.expect.quantity for word in deep)
    }
    (rule,) = [r for r in protocol.rules if r.check == "deeper_than_limit"]
    assert set(rule.quantities) == goes_down
    assert rule.severity == "urgent"
    # Common practice: 5 mm for what is warm, a cold spreader to within 1 to 2 mm.
    assert protocol.limit("short_of_wl_mm") == (1.0 if path.stem == "cold-lateral" else 5.0)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_option_can_be_said(path: Path) -> None:
    phrases = load_language(data_folder("grammars") / "en").phrases
    for step in load_yaml(path, Protocol).steps():
        for option in step.options:
            words = phrases.options.get(option.id, (option.id.replace("_", " "),))
            assert all(word.strip() for word in words)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_protocol_survives_the_journal(path: Path) -> None:
    protocol = load_yaml(path, Protocol)
    assert Protocol.model_validate_json(protocol.model_dump_json()) == protocol


# -- a value that does not fit: file, line, field, what was found, what is allowed --

MISFITS = [
    pytest.param(
        "title: Warm vertical compaction", "", ["title: field required"], id="missing key"
    ),
    pytest.param(
        "    title: Rubber dam\n",
        "",
        ["opening[2].title: field required"],
        id="missing in step",
    ),
    pytest.param(
        "press_s: {value: 5,",
        "press_s: {value: five,",
        ["limits.press_s.value", "'five'", "valid number"],
        id="wrong type",
    ),
    pytest.param(
        "press_s: {value: 5,",
        "press_s: {value: .nan,",
        ["limits.press_s.value", "nan"],
        id="not a number",
    ),
    pytest.param(
        "press_s: {value: 5,",
        "press_s: {value: 0,",
        ["limits.press_s", "more than 0 seconds"],
        id="no time at all",
    ),
    pytest.param(
        "short_of_wl_mm: {value: 5.0,",
        "short_of_wl_mm: {value: -5.0,",
        ["limits.short_of_wl_mm.value", "-5.0", "greater than or equal to 0"],
        id="negative limit",
    ),
    pytest.param(
        "short_of_wl_mm: {value: 5.0,",
        "short_of_wl_mm: {value: 500,",
        ["limits.short_of_wl_mm", f"at most {MAX_LENGTH_MM:g} mm"],
        id="limit in another unit",
    ),
    pytest.param(
        "readings_min: {value: 3,",
        "readings_min: {value: 2.5,",
        ["limits.readings_min", "1, 2, 3 or more"],
        id="half a reading",
    ),
    pytest.param(
        '{value: 5, source: "common practice: hold while the mass cools"}',
        "{value: 5}",
        ["limits.press_s.source: field required"],
        id="limit without source",
    ),
    pytest.param(
        "expect: {kind: taper, quantity: taper}",
        "expect: {kind: tapper, quantity: taper}",
        ["canal[4].expect", "'tapper'", "'measure', 'readings', 'size', 'taper'"],
        id="unknown kind",
    ),
    pytest.param(
        "when: readings_wanted",
        "when: readings_needed",
        ["canal[23].next[0].when", "'readings_needed'", "'readings_wanted'"],
        id="unknown fact",
    ),
    pytest.param(
        'ask: "Apical plugger depth? Limit {limit}."',
        'ask: "Apical plugger depth? Limit {limits}."',
        ["canal[20].ask", "{limits} is not one of", "limit, limit_high"],
        id="unknown field in braces",
    ),
    pytest.param(
        'ask: "Apical plugger depth? Limit {limit}."',
        'ask: "Apical plugger depth? Limit {limit."',
        ["canal[20].ask", "expected '}'"],
        id="unbalanced braces",
    ),
    pytest.param(
        'ask: "Apical plugger depth? Limit {limit}."',
        'ask: "Apical plugger depth? Limit {limit:.1f}."',
        ["canal[20].ask", "a name alone"],
        id="format in braces",
    ),
    pytest.param(
        'ask: "Rubber dam on?"',
        'ask: ""',
        ["opening[2].ask", "at least 1"],
        id="empty question",
    ),
    pytest.param(
        "    limit: short_of_wl_mm",
        "    limit: deepest_mm",
        ["rules[0].limit", "'deepest_mm'", "short_of_wl_mm, at_limit_within_mm"],
        id="unknown limit",
    ),
    pytest.param(
        "severity: urgent",
        "severity: severe",
        ["rules[0].severity", "'severe'", "'urgent', 'alert', 'caution'"],
        id="unknown severity",
    ),
    pytest.param(
        "check: deeper_than_limit",
        "check: deeper",
        ["rules[0].check", "'deeper'", "'deeper_than_limit'"],
        id="unknown check",
    ),
    pytest.param(
        "typical_s: 60",
        "takes_s: 60",
        ["canal[17].takes_s", "extra inputs are not permitted"],
        id="unknown key",
    ),
    pytest.param(
        "  - id: dam",
        "  - id: Dam!",
        ["opening[2].id", "'Dam!'", "^[a-z][a-z0-9_]*$"],
        id="id that is none",
    ),
    pytest.param(
        "quantity: working_length_mm, min_mm: 8, max_mm: 35",
        "quantity: working_length_mm, min_mm: 8, max_mm: 350",
        ["canal[0].expect", "350", "less than or equal to 45"],
        id="range in another unit",
    ),
]


@pytest.mark.parametrize(("old", "new", "told"), MISFITS)
def test_a_misfit_is_told_with_its_place(
    tmp_path: Path, old: str, new: str, told: list[str]
) -> None:
    text, line = changed(old, new)
    said = complaint(tmp_path, text)
    for words in told:
        assert words in said
    if "field required" not in said:  # what is missing has no line of its own
        assert f"practice.yaml line {line}:" in said


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("options: [{id: unknown}]", "options: []", None),
        ('options: [{id: "yes"}, {id: "no"}]', "options: []", "needs options"),
        (
            'options: [{id: "yes"}, {id: "no"}]',
            'options: [{id: "yes"}, {id: "yes"}]',
            "'yes' occurs twice",
        ),
        ("min_mm: 2, max_mm: 25", "min_mm: 25, max_mm: 25", "less than max_mm"),
        ("    limit: press_s\n    quantities", "    quantities", "check below needs a limit"),
        ("    limit_high: plunge_max_mm\n", "", "needs a limit_high"),
        (
            "severity: caution\n    check: skipped",
            "severity: urgent\n    check: skipped",
            "must be alert or caution",
        ),
    ],
)
def test_a_part_that_does_not_hold_together(
    tmp_path: Path, old: str, new: str, told: str | None
) -> None:
    text, _ = changed(old, new)
    if told is None:
        assert load(tmp_path, text)
    else:
        assert told in complaint(tmp_path, text)


# -- parts that do not fit one another --------------------------------------------

STEPS_APART = [
    pytest.param(
        "{when: post_planned, to: post_stop}",
        "{when: post_planned, to: post_halt}",
        ["'downpack_radiograph' leads to 'post_halt'", "allowed here", "post_level"],
        "canal[35].next[0].to",
        id="branch that leads nowhere",
    ),
    pytest.param(
        '{id: "no", to: cone_size}',
        '{id: "no", to: chamber}',
        ["'tugback' leads to 'chamber'", "allowed here", "cone_size"],
        "canal[16].options[1].to",
        id="option that leads into another part",
    ),
    pytest.param(
        "  - id: dam",
        "  - id: tooth",
        ["'tooth' occurs twice"],
        "opening[2].id",
        id="duplicate id",
    ),
    pytest.param(
        "  - id: dam",
        "  - id: finished",
        ["'finished' is a reserved name"],
        "opening[2].id",
        id="reserved id",
    ),
    pytest.param(
        "{when: always, to: finished}",
        "{when: always, to: stay}",
        ["no answer leads from step 'post_level' to the end"],
        "canal[37].id",
        id="step without a way out",
    ),
    pytest.param(
        '{id: "yes"}, {id: "no", to: stay}]\n  - id: quiet_tooth',
        '{id: "yes", to: radiograph_ready}, {id: "no", to: stay}]\n  - id: quiet_tooth',
        ["no step leads to step 'quiet_tooth'"],
        "opening[3].id",
        id="step that is never reached",
    ),
    pytest.param(
        "quantities: [heat_s]",
        "quantities: [heat_seconds]",
        ["'heat-long' names 'heat_seconds'", "allowed", "heat_s"],
        "rules[5].quantities[0]",
        id="unknown quantity",
    ),
    pytest.param(
        "steps: [heat, press, heat_depth,",
        "steps: [heating, press, heat_depth,",
        ["'downpack-short' names 'heating'", "allowed", "heat_depth"],
        "rules[26].steps[0]",
        id="unknown step",
    ),
    pytest.param(
        "  - id: limit-unknown",
        "  - id: depth-limit",
        ["'depth-limit' occurs twice"],
        "rules[1].id",
        id="duplicate rule",
    ),
    pytest.param(
        "quantities: [post_level_mm, removed_to_mm]",
        "quantities: [cone_size]",
        ["'seal-short' checks a length", "'cone_size'"],
        "rules[27].quantities[0]",
        id="length rule on a size",
    ),
    pytest.param(
        "role: seated\n    expect: {kind: done, quantity: cone_seated}",
        "expect: {kind: sign}",
        ["sign is asked once, in the closing"],
        "canal[28].expect",
        id="signature in a canal",
    ),
    pytest.param(
        "expect: {kind: sign}",
        "expect: {kind: done, quantity: signed}",
        ["the closing must have a step of kind sign"],
        "closing",
        id="no signature",
    ),
    pytest.param(
        "expect: {kind: canals}",
        "expect: {kind: done, quantity: canals_named}",
        ["the opening must have a step of kind canals"],
        "opening",
        id="no canals",
    ),
]


@pytest.mark.parametrize(("old", "new", "told", "field"), STEPS_APART)
def test_parts_that_do_not_fit_are_named(
    tmp_path: Path, old: str, new: str, told: list[str], field: str
) -> None:
    text, line = changed(old, new)
    said = complaint(tmp_path, text)
    for words in told:
        assert words in said
    assert f": {field}: " in said
    if "." in field and not field.endswith(".id"):
        assert f"practice.yaml line {line}:" in said


# -- files that are no protocol at all --------------------------------------------


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(InputFileError, match="does not exist; check the name"):
        load_yaml(tmp_path / "practice.yaml", Protocol)


def test_a_folder(tmp_path: Path) -> None:
    with pytest.raises(InputFileError, match=r"cannot be read: Is a directory\.$"):
        load_yaml(tmp_path, Protocol)


def test_a_huge_file(tmp_path: Path) -> None:
    said = complaint(tmp_path, GOOD + "#" * MAX_BYTES)
    assert said.endswith("is it the right file?")


def test_not_utf_8(tmp_path: Path) -> None:
    said = complaint(tmp_path, GOOD.replace("Warm", "Wärm").encode("latin-1"))
    assert "is not UTF-8 text" in said
    assert said.endswith("save it as UTF-8.")


def test_a_byte_order_mark_and_windows_line_ends_are_no_matter(tmp_path: Path) -> None:
    text = "\ufeff" + GOOD.replace("\n", "\r\n")
    assert load(tmp_path, text).id == "warm-vertical"


def test_a_tab_for_indentation(tmp_path: Path) -> None:
    text, line = changed("  - id: dam", "\t- id: dam")
    assert f"line {line}: not YAML: " in complaint(tmp_path, text)


def test_a_key_given_twice(tmp_path: Path) -> None:
    said = complaint(tmp_path, GOOD + "\nversion: 2\n")
    assert 'found duplicate key "version"' in said


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("", id="empty"),
        pytest.param("# only a comment\n", id="comment"),
        pytest.param("a protocol\n", id="words"),
        pytest.param("- id: a\n", id="list"),
        pytest.param("id: [\n", id="unfinished"),
        pytest.param("id: *nothing\n", id="unknown alias"),
        pytest.param("--- {}\n--- {}\n", id="two documents"),
        pytest.param("id: !!python/object:os.system x\n", id="object"),
        pytest.param("id: \x00\n", id="null byte"),
        pytest.param("? [a, b]\n: c\n", id="list as a key"),
        pytest.param("a: &a {b: *a}\n", id="alias of itself"),
        pytest.param("limits: &a\n  press_s: {<<: *a}\n", id="merge of itself"),
        pytest.param("id: " + "[" * 500 + "]" * 500, id="deep list"),
        pytest.param("\n".join(" " * i + "a:" for i in range(300)), id="deep map"),
        pytest.param("version: " + "9" * 5000 + "\n", id="long number"),
        pytest.param("version: 1e999\n", id="infinite number"),
    ],
)
def test_what_is_no_protocol_is_told_in_a_sentence(tmp_path: Path, text: str) -> None:
    assert complaint(tmp_path, text)


def test_a_few_lines_that_stand_for_billions(tmp_path: Path) -> None:
    lines = ["a: &a [x, x, x, x, x, x, x, x, x]"]
    lines += [f"{b}: &{b} [{', '.join([f'*{a}'] * 9)}]" for a, b in pairwise("abcdefghij")]
    assert "write it without aliases." in complaint(tmp_path, "\n".join(lines))


def test_an_alias_or_two_is_no_matter(tmp_path: Path) -> None:
    text = GOOD.replace(
        'options: [{id: "yes"}, {id: "no", to: stay}]',
        "options: &yn [{id: 'yes'}, {id: 'no', to: stay}]",
        1,
    )
    text = text.replace('options: [{id: "yes"}, {id: "no", to: stay}]', "options: *yn", 1)
    assert load(tmp_path, text) == load(tmp_path, GOOD)


@given(data=st.data())
@settings(max_examples=40)
def test_a_protocol_with_anything_anywhere_loads_or_is_told(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """One value of a file is replaced by anything; a sentence, never a traceback."""
    tree = YAML(typ="safe").load(FILES[0])
    node, key = tree, data.draw(st.sampled_from(sorted(tree)))
    while isinstance(node[key], dict | list) and node[key] and data.draw(st.booleans()):
        node = node[key]
        keys = sorted(node) if isinstance(node, dict) else range(len(node))
        key = data.draw(st.sampled_from(keys))
    node[key] = data.draw(
        st.none()
        | st.booleans()
        | st.integers()
        | st.floats()
        | st.text(max_size=5)
        | st.lists(st.integers(), max_size=2)
        | st.dictionaries(st.sampled_from(["id", "to", "value"]), st.text(max_size=3))
    )
    path = tmp_path_factory.mktemp("any") / "practice.yaml"
    with path.open("w", encoding="utf-8") as file:
        YAML(typ="safe").dump(tree, file)
    with contextlib.suppress(InputFileError):
        load_yaml(path, Protocol)


def test_the_fields_of_the_wording_are_those_the_program_fills() -> None:
    for path in FILES:
        protocol = load_yaml(path, Protocol)
        texts = [step.ask for step in protocol.steps()] + [rule.say for rule in protocol.rules]
        used = {name for t in texts for _, name, _, _ in string.Formatter().parse(t) if name}
        assert used <= FIELDS
