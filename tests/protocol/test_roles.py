"""Names of quantities are labels: rename them all and nothing else changes; nothing in the
code knows them; and a protocol that rests on a step that is not there is refused."""

from __future__ import annotations

import ast
import copy
import io
import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, get_args

import pytest
from ruamel.yaml import YAML
from typed_case import TypedCase
from typical_case import HEAD

import assistant
from assistant.errors import InputFileError
from assistant.exchange.fhir import bundle
from assistant.exchange.tables import COLUMNS, table_text
from assistant.exchange.whole import WholeCase
from assistant.files.shipped import data_folder, demo_script
from assistant.files.yamlfile import load_yaml, parse_yaml
from assistant.practice.scenario import draw
from assistant.practice.score import score
from assistant.practice.script import MISTAKES, write_script
from assistant.progress.intents import ValueKind
from assistant.progress.state import KIND_OF, CaseState
from assistant.protocol import needs
from assistant.protocol.coherence import ONCE
from assistant.protocol.expect import SuggestionName
from assistant.protocol.limits import Limits
from assistant.protocol.model import FactName, Protocol
from assistant.protocol.roles import Role
from assistant.protocol.templates import FIELDS
from assistant.report.computed import computed, lines
from assistant.report.drawing import depths_of
from assistant.report.note import note
from assistant.report.note_text import as_text
from assistant.report.record import as_record
from assistant.report.statement import STATEMENT
from assistant.report.write import reports
from assistant.review.timeline import timeline
from assistant.review.timeline_text import as_lines
from assistant.screen.strips import strips
from assistant.sitting.rehearsal import Line, Script
from assistant.words.grammar import Language, load_language
from assistant.words.sayings import Wording, load_wording

PROTOCOLS = data_folder("protocols")
GRAMMAR = data_folder("grammars") / "en"
NAMES = sorted(path.stem for path in PROTOCOLS.glob("*.yaml"))

Tree = dict[str, Any]


def plain(path: Path) -> Any:
    return YAML(typ="safe").load(path)


def yaml_text(tree: Any) -> str:
    text = io.StringIO()
    YAML(typ="safe").dump(tree, text)
    return text.getvalue()


def steps_of(tree: Tree) -> Iterator[Tree]:
    for part in ("opening", "canal", "closing"):
        yield from tree[part]


@cache
def quantities() -> list[str]:
    """Every name that a protocol gives a quantity, and the general names for them."""
    found: dict[str, None] = {}
    for name in NAMES:
        for step in steps_of(plain(PROTOCOLS / f"{name}.yaml")):
            found |= dict.fromkeys(step.get("called", ()))
            if "quantity" in step["expect"]:
                found[step["expect"]["quantity"]] = None
    return list(found)


# -- nothing in the code knows a name -------------------------------------------

HOMONYMS = {
    *Limits.model_fields,
    *FIELDS,
    *KIND_OF,
    *get_args(ValueKind),
    *get_args(FactName),
    *get_args(SuggestionName),
}
"""Names of other things that a quantity may share: a limit, a fact, a kind of value. Where
one is compared with a quantity it is caught all the same, and by the renaming."""

THEIR_OWN = {
    ("report/record.py", "working_length_mm"): "a field of the record",
    ("commandline/reckon.py", "working_length_mm"): "a field of what reckon prints",
    ("practice/findings.py", "ready"): "the name of a sentence in texts.yaml",
}


def literals(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Texts in code that name a quantity; those of other things only beside one."""
    names = set(quantities())
    alone = names - HOMONYMS
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and node.value in alone:
            yield node.lineno, str(node.value)
        if isinstance(node, ast.Compare) and "quantity" in ast.unparse(node):
            for part in ast.walk(node):
                if isinstance(part, ast.Constant) and part.value in names & HOMONYMS:
                    yield node.lineno, str(part.value)


def test_no_quantity_is_named_in_the_code() -> None:
    root = Path(assistant.__file__).parent
    found = []
    for path in sorted(root.rglob("*.py")):
        name = str(path.relative_to(root))
        if name == "protocol/roles.py":
            continue  # roles have names of their own, some the same
        for line, text in literals(ast.parse(path.read_text(encoding="utf-8"))):
            if (name, text) not in THEIR_OWN:
                found.append(f"{name}:{line}: {text}")
    assert found == []


@pytest.mark.parametrize(
    "code",
    [
        'state.last(track, "plugger_depth_mm")',
        'if entry.quantity == "taper": pass',
        'if step.expect.quantity in {"heat_s"}: pass',
        '{"cone_mm": 1}',
    ],
)
def test_a_quantity_in_the_code_would_be_found(code: str) -> None:
    assert list(literals(ast.parse(code)))


# -- renamed --------------------------------------------------------------------


@cache
def renamed() -> dict[str, str]:
    return {name: f"label{i:02}" for i, name in enumerate(quantities())}


def with_new_names(tree: Tree) -> Tree:
    new, tree = renamed(), copy.deepcopy(tree)
    for step in steps_of(tree):
        if "quantity" in step["expect"]:
            step["expect"]["quantity"] = new[step["expect"]["quantity"]]
        if "called" in step:
            step["called"] = [new[name] for name in step["called"]]
    for rule in tree["rules"]:
        if "quantities" in rule:
            rule["quantities"] = [new.get(name, name) for name in rule["quantities"]]
    return tree


@cache
def words(*, new_names: bool) -> tuple[Language, Wording]:
    language = load_language(GRAMMAR)
    wording = load_wording(GRAMMAR, language.phrases)
    if not new_names:
        return language, wording
    new = renamed()
    lists = {
        name: tuple(
            item.model_copy(update={"means": new.get(str(item.means), item.means)})
            for item in items
        )
        if name in {"quantity", "size_of", "taper_of"}
        else items
        for name, items in language.phrases.lists.items()
    }
    several = language.phrases.several
    named = {
        field: tuple(
            one.model_copy(update={"means": new.get(str(one.means), one.means)})
            for one in getattr(several, field)
        )
        for field in ("names", "plurals")
    }
    answers = {new.get(name, name): said for name, said in several.answers.items()}
    several = several.model_copy(update={**named, "answers": answers})
    phrases = language.phrases.model_copy(update={"lists": lists, "several": several})
    read_backs = {new.get(name, name): text for name, text in wording.read_backs.items()}
    return (
        Language(phrases, language.lexicon, language.folder),
        wording.model_copy(update={"read_backs": read_backs}),
    )


def with_old_names(value: Any) -> Any:
    """The same with every new name as it was."""
    text = json.dumps(value)
    for old, new in renamed().items():
        text = text.replace(new, old)
    return json.loads(text)


def protocol_of(tree: Tree) -> Protocol:
    return parse_yaml(yaml_text(tree), Protocol, "practice.yaml")


@cache
def script(name: str) -> tuple[Line, ...]:
    """The rehearsed case where there is one, else a simulated operator's."""
    if name == "warm-vertical":
        return load_yaml(demo_script(), Script).lines
    protocol = protocol_of(plain(PROTOCOLS / f"{name}.yaml"))
    return write_script(draw(3, 2, protocol), protocol, words(new_names=False)[0]).lines


def told(case: TypedCase) -> dict[str, Any]:
    """Everything that is made of a case, as plain data."""
    state, events = case.state, case.events
    record = as_record(state, HEAD)
    course = timeline(events)
    whole = WholeCase(state, HEAD, b"")
    return {
        "events": [event.model_dump(mode="json") for event in events],
        "said": case.said,
        "note": as_text(note(state, HEAD)),
        "record": record,
        "fhir": bundle(whole, with_journal=False),
        "tables": [table_text([record], table) for table in COLUMNS],
        "course": as_lines(course),
        "drawn": [repr(depths_of(state, canal.name)) for canal in state.canals],
        "strips": [one.model_dump(mode="json") for one in strips(state, case.wording)],
        "computed": [lines(computed(state, canal.name)) for canal in state.canals],
    }


@pytest.mark.parametrize("name", NAMES)
def test_renamed_the_case_is_the_same_but_for_the_names(name: str) -> None:
    tree = plain(PROTOCOLS / f"{name}.yaml")
    one = TypedCase(protocol_of(tree), *words(new_names=False))
    other = TypedCase(protocol_of(with_new_names(tree)), *words(new_names=True))
    for case in (one, other):
        case.type(script(name))
        assert case.state.signed is not None
    before, after = told(one), told(other)
    labels = [entry["quantity"] for entry in after["record"]["entries"]]
    assert sum(label.startswith("label") for label in labels) > len(labels) / 2
    back = with_old_names(after)
    for what, told_before in before.items():
        assert back[what] == json.loads(json.dumps(told_before)), what


# -- something is not there -----------------------------------------------------

ALL_STEPS = [
    pytest.param(name, step["id"], id=f"{name}-{step['id']}")
    for name in NAMES
    for step in steps_of(plain(PROTOCOLS / f"{name}.yaml"))
    if step["expect"]["kind"] not in ONCE
]


def without(tree: Tree, step_id: str) -> tuple[Tree, Tree]:
    """The protocol without a step, its rules without the step's quantity; and the step."""
    tree = copy.deepcopy(tree)
    for part in ("opening", "canal", "closing"):
        gone = [step for step in tree[part] if step["id"] == step_id]
        if gone:
            tree[part] = [step for step in tree[part] if step["id"] != step_id]
            break
    quantity = gone[0]["expect"]["quantity"]
    for rule in list(tree["rules"]):
        for field, name in (("quantities", quantity), ("steps", step_id)):
            if name in rule.get(field, ()):
                rule[field] = [other for other in rule[field] if other != name]
                if not rule[field]:
                    tree["rules"].remove(rule)
                    if rule.get("limit") not in Limits.model_fields:
                        tree["limits"].pop(rule.get("limit"), None)  # its own, used by it alone
                    break
    return tree, gone[0]


"""Of the steps, kept for the next script."""


@pytest.mark.parametrize(("name", "step_id"), ALL_STEPS)
def test_without_a_step_it_is_refused_or_signs_and_says_so(name: str, step_id: str) -> None:
    tree, gone = without(plain(PROTOCOLS / f"{name}.yaml"), step_id)
    protocol, refused = None, ""
    try:
        protocol = protocol_of(tree)
    except InputFileError as bad:
        refused = str(bad)
    if protocol is None:
        assert refused.startswith("practice.yaml line ")
        named = (str(gone.get("role", step_id)), step_id, "never begins again")
        assert any(one in refused for one in named), refused
        return
    role = Role(gone["role"]) if "role" in gone else None
    unsaid = " ".join(needs.never_said(protocol))
    for step in protocol.steps():
        for hint in step.hints:
            used = [needs.FIELDS[f] for f in FIELDS if f"{{{f}}}" in hint and f in needs.FIELDS]
            if any(frozenset({role}) in need.roles for need in used):
                assert hint in unsaid and str(role) in unsaid
    language, wording = words(new_names=False)
    seeds = (draw(seed, 1, protocol) for seed in range(1, 50))
    scenario = next(one for one in seeds if len(one.canals) == 1)
    done = write_script(scenario, protocol, language)
    case = TypedCase(protocol, language, wording)
    state = case.type(done.lines)
    assert state.signed is not None
    assert not [e for e in state.entries if e.quantity == gone["expect"]["quantity"]]
    written = as_text(note(state, HEAD))
    assert gone["title"] not in written and "None" not in written
    assert all(depths_of(state, canal.name) for canal in state.canals)
    assert as_record(state, HEAD)["signed_by"]


def refusal(tree: Tree) -> str:
    with pytest.raises(InputFileError) as caught:
        protocol_of(tree)
    return str(caught.value)


def warm() -> Tree:
    tree = plain(PROTOCOLS / "warm-vertical.yaml")
    assert isinstance(tree, dict)
    return tree


def step(tree: Tree, step_id: str) -> Tree:
    return next(one for one in steps_of(tree) if one["id"] == step_id)


def line_of(tree: Tree, told_: str) -> str:
    """The line of the file that a refusal points at."""
    number = int(told_.split("line ")[1].split(":", maxsplit=1)[0])
    return yaml_text(tree).splitlines()[number - 1]


def test_a_fact_without_its_role_is_refused_at_its_line() -> None:
    tree = warm()
    del step(tree, "plugger_depth")["role"]
    said = refusal(tree)
    assert "fact downpack_complete needs a step of role compaction" in said
    assert "downpack_complete" in line_of(tree, said)


def test_a_fact_without_its_limit_is_refused() -> None:
    tree = warm()
    del tree["limits"]["level_within_mm"]
    assert "fact backfill_complete needs the limit level_within_mm" in refusal(tree)


def test_a_timer_without_its_limit_is_refused() -> None:
    tree = warm()
    del tree["limits"]["heat_s"]
    assert "'heat_s'; add it to limits" in refusal(tree)


def test_a_rule_without_its_role_is_refused_at_its_line() -> None:
    tree = warm()
    tree["limits"].pop("cone_wl_within_mm")
    tree["rules"] = [r for r in tree["rules"] if r["id"] not in {"cone-short", "cone-long"}]
    said = refusal(tree)
    assert "rule 'cone-misfit' (cone_misfit) needs the limit cone_wl_within_mm" in said
    assert "cone_misfit" in line_of(tree, said)


def test_a_suggestion_and_a_sentence_without_their_role_are_refused() -> None:
    tree = warm()
    del step(tree, "cone_length")["role"]
    assert "suggestion cut_back needs a step of role cone_length" in refusal(tree)
    tree = warm()
    del step(tree, "coronal_level")["role"]
    step(tree, "increment")["next"] = [{"when": "post_planned", "to": "increment_press"}]
    said = refusal(tree)
    assert "{coronal_level} in this sentence needs a step of role coronal_level" in said
    assert "planned {coronal_level}" in line_of(tree, said)


def test_a_role_twice_in_the_wrong_part_or_of_another_kind_is_refused() -> None:
    tree = warm()
    step(tree, "heat_depth")["role"] = "compaction"
    assert "has role compaction already" in refusal(tree)
    tree = warm()
    step(tree, "shaped")["role"] = "dam"
    del step(tree, "dam")["role"]
    assert "role dam belongs to the opening or the closing" in refusal(tree)
    tree = warm()
    step(tree, "tugback")["role"] = "working_length"
    assert "role working_length is that of a measure" in refusal(tree)
    tree = warm()
    step(tree, "press")["role"], step(tree, "heat")["role"] = "heat", "press"
    assert "a timed act of role press has mode hold" in refusal(tree)


def test_a_loop_that_never_begins_again_is_refused() -> None:
    tree = warm()
    step(tree, "plugger_depth")["next"] = []
    said = refusal(tree)
    assert "loop 'cycle' never begins again" in said
    assert "cycle" in line_of(tree, said)


def test_a_limit_of_its_own_is_used_and_has_a_unit() -> None:
    tree = warm()
    tree["limits"]["sear_to_mm"] = {"value": 3, "source": "chosen here"}
    assert "no rule and no timer uses sear_to_mm" in refusal(tree)
    tree["rules"].append(
        {
            "id": "sear-deep",
            "severity": "caution",
            "check": "above",
            "limit": "sear_to_mm",
            "quantities": ["sear_depth_mm"],
            "say": "Sear {value}.",
            "source": "chosen here",
        }
    )
    assert protocol_of(tree).limit("sear_to_mm") == 3
    tree["limits"]["deepest"] = tree["limits"].pop("sear_to_mm")
    assert "one of your own ends in its unit" in refusal(tree)


def test_what_nothing_uses_may_be_left_out() -> None:
    tree = plain(PROTOCOLS / "to-post-level.yaml")
    given = set(tree["limits"])
    assert "increment_min_mm" not in given
    protocol = protocol_of(tree)
    assert {name for name, _ in protocol.limits.given()} == given


def state_of(name: str) -> CaseState:
    case = TypedCase(load_yaml(PROTOCOLS / f"{name}.yaml", Protocol), *words(new_names=False))
    return case.type(script(name))


def test_a_third_technique_is_data_alone() -> None:
    """Cold lateral compaction: typed to the signature, and all that is made of a case."""
    state = state_of("cold-lateral")
    assert state.signed is not None
    for canal in state.canals:
        spread = [e.value for e in state.standing(canal.name) if e.step == "spreader_depth"]
        assert spread[-1] == "canal_full" and len(spread) > 2
    written = as_text(note(state, HEAD))
    assert "Cold lateral compaction" in written
    assert "Accessory cone 2:" in written and "spreader depth" in written
    assert "Accessory cone ended:" in written
    of_the_case, _, _ = written.partition(STATEMENT.split(",")[0][:40])  # it warns of heat
    assert of_the_case != written
    assert not {"heat", "carrier", "cycle"} & set(of_the_case.lower().split())
    assert {"note", "pdf", "record", "computed"} <= set(reports(state, HEAD))
    assert all(depths_of(state, c.name).downpack_top_mm is not None for c in state.canals)


def test_practice_makes_its_mistakes_in_the_third_technique_too() -> None:
    protocol = load_yaml(PROTOCOLS / "cold-lateral.yaml", Protocol)
    language, wording = words(new_names=False)
    scenario = draw(4, 1, protocol)
    done = write_script(scenario, protocol, language, mistakes=MISTAKES)
    case = TypedCase(protocol, language, wording, code=scenario.code)
    assert case.type(done.lines).signed is not None
    found = score(case.events, scenario)
    assert found.finished and found.overall is not None and found.overall < 100
    assert any(press.cut_short for press in found.presses)
    assert {criterion.id for criterion in found.criteria if criterion.of} >= {
        "presses",
        "depths",
        "order",
        "measurements",
    }


def test_the_spreader_has_limits_of_its_own() -> None:
    protocol = load_yaml(PROTOCOLS / "cold-lateral.yaml", Protocol)
    case = TypedCase(protocol, *words(new_names=False))
    start = ["tooth 11", "single", "yes", "none", "working length 22", "no reading"]
    start += [
        "size 40",
        "taper .06",
        "coronal level 8",
        "cone size 40",
        "cone taper .02",
        "cone length 22",
        "yes",
    ]
    case.type([*start, "accepted", "spreader 21.5"])
    assert case.said[-1].startswith("Depth check: limit 21, heard 21.5.") or any(
        said == "Depth check: limit 21, heard 21.5." for said in case.said
    )
    case.type(["correction 19.5"])
    assert "Spreader at 19.5, working length 22: short. A thinner one, or shape more." in (
        case.said
    )
    assert case.state.step is not None and case.state.step.id == "dry"
