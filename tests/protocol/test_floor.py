"""What a protocol leaves unguarded is named; heat without a limit needs a reason."""

from __future__ import annotations

import pytest
from typed_case import TypedCase
from typical_case import HEAD

from assistant.protocol import floor
from assistant.protocol.model import Unguarded
from assistant.report.note import note
from assistant.report.note_text import as_text
from protocol.test_roles import (
    NAMES,
    PROTOCOLS,
    Tree,
    plain,
    protocol_of,
    refusal,
    warm,
    without,
    words,
)

REASON = "the generator stops by itself at the mark"


def to_post() -> Tree:
    tree: Tree = plain(PROTOCOLS / "to-post-level.yaml")
    return tree


def without_rule(tree: Tree, rule_id: str, quantity: str) -> Tree:
    """The protocol in which a rule does not look at a quantity."""
    for rule in list(tree["rules"]):
        if rule["id"] == rule_id:
            rule["quantities"] = [name for name in rule["quantities"] if name != quantity]
            if not rule["quantities"]:
                tree["rules"].remove(rule)
    return tree


@pytest.mark.parametrize("name", NAMES)
def test_shipped_protocols_keep_the_whole_floor(name: str) -> None:
    protocol = protocol_of(plain(PROTOCOLS / f"{name}.yaml"))
    assert not list(floor.unguarded(protocol))
    assert protocol.unguarded == Unguarded()


def without_carrier_depth() -> Tree:
    """Nor the rule that compares another depth with it."""
    tree = without(to_post(), "heat_depth")[0]
    tree["rules"] = [rule for rule in tree["rules"] if rule["id"] != "plugger-past-carrier"]
    del tree["limits"]["past_carrier_mm"]
    return tree


HEATED = {
    "heat_depth": without_carrier_depth(),
    "heat_fit": without(to_post(), "heat_tip_fit")[0],
    "heat_time": without_rule(to_post(), "heat-long", "heat_s"),
    "depth_limit": without_rule(to_post(), "depth-limit", "heat_depth_mm"),
}


@pytest.mark.parametrize("guard", HEATED)
def test_heat_without_its_guard_is_refused_unless_the_file_gives_a_reason(guard: str) -> None:
    said = refusal(HEATED[guard])
    assert said.startswith("practice.yaml line ")
    assert f"or say under unguarded: {guard}: and the reason" in said
    owned = protocol_of(HEATED[guard] | {"unguarded": {guard: REASON}})
    told = [line for line in floor.unguarded(owned) if REASON in line]
    assert len(told) == 1
    case = TypedCase(owned, *words(new_names=False))
    case.type(["tooth twenty four"])
    written = " ".join(as_text(note(case.state, HEAD)).split())
    assert told[0] in written


def test_a_gap_without_a_reason_is_not_in_the_note() -> None:
    protocol = protocol_of(without(to_post(), "dry")[0])
    case = TypedCase(protocol, *words(new_names=False))
    case.type(["tooth twenty four"])
    assert list(floor.unguarded(protocol))
    assert "Unguarded" not in as_text(note(case.state, HEAD))


@pytest.mark.parametrize(
    ("step", "guard"),
    [
        ("verification", "film of the cone"),
        ("final_radiograph", "film of the finished"),
        ("dry", "dry"),
        ("cut_back", "no cut back"),
    ],
)
def test_what_is_not_asked_is_named(step: str, guard: str) -> None:
    protocol = protocol_of(without(to_post(), step)[0])
    assert any(guard in line for line in floor.unguarded(protocol))


def test_a_depth_without_a_limit_is_named_for_a_cold_plugger() -> None:
    tree = without_rule(warm(), "depth-limit", "coronal_plugger_mm")
    gap = [gap for gap in floor.gaps(protocol_of(tree)) if gap.guard == "depth_limit"]
    assert [one.heated for one in gap] == [False]
    assert "coronal_plugger_mm" in gap[0].what


def test_a_reason_for_what_is_guarded_is_refused() -> None:
    said = refusal(warm() | {"unguarded": {"dry_canal": REASON}})
    assert "dry_canal is guarded; take the line out" in said
    assert "nothing" in refusal(warm() | {"unguarded": {"nothing": REASON}})
