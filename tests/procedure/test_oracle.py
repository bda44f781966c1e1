"""Random cases against the second set of rules; the whole campaign is fuzz/cases.py."""

from __future__ import annotations

from random import Random

import pytest
from fuzz.cases import KINDS, as_text, campaign, notices
from fuzz.said import anything
from fuzz.watched import PROTOCOLS, Broken, Case, pluggers, polite, protocol
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from oracle import DEPTHS, Oracle

from assistant.progress import intents as it


class AnythingSaid(RuleBasedStateMachine):
    """A case from some place on its road, to which anything is said in any order."""

    case: Case

    @initialize(kind=st.sampled_from(KINDS), answered=st.integers(0, 90))
    def begin(self, kind: tuple[str, bool], answered: int) -> None:
        name, own = kind
        self.case = Case(protocol(name), pluggers() if own else None)
        for _ in range(answered):
            if self.case.state.signed is None:
                self.case.give(*polite(self.case.state))

    @rule(rng=st.randoms(use_true_random=False))
    def anything_is_said(self, rng: Random) -> None:
        self.case.give(*anything(rng, self.case.state))

    @rule()
    def what_is_asked_is_answered(self) -> None:
        if self.case.state.signed is None:
            self.case.give(*polite(self.case.state))

    @rule(seconds=st.sampled_from([0.1, 4.0, 5.0, 70.0]))
    def time_passes(self, seconds: float) -> None:
        self.case.give(it.Tick(), seconds)

    @rule(after=st.integers(-1, 3))
    def the_room_has_heard(self, after: int) -> None:
        self.case.give(it.ReadOut(seq=len(self.case.state.entries) - after))

    @rule(back_s=st.sampled_from([0.0, -500.0]))
    def the_program_is_started_again(self, back_s: float) -> None:
        self.case.give(it.Reopen(note="Nothing was lost."), back_s)

    @invariant()
    def there_is_a_way_on(self) -> None:
        self.case.check_way_on()

    def teardown(self) -> None:
        self.case.check_replay()
        if self.case.steps % 5 == 0:
            self.case.finish()


AnythingSaid.TestCase.settings = settings(max_examples=15, stateful_step_count=20)
test_anything_said = AnythingSaid.TestCase


def test_a_campaign_finds_nothing_and_its_table_adds_up() -> None:
    result = campaign(seed=5, cases=8, intents=30)
    assert result["findings"] == {}, as_text(result)
    for rule_id, row in result["warnings"].items():
        assert row["fired"] == row["expected"] + row["otherwise"], rule_id
    assert "findings: 0 of 8 cases" in as_text(result)


@pytest.mark.parametrize("missing", ["depth-limit", "step-skipped", "readings-spread"])
def test_a_missing_rule_is_noticed(missing: str) -> None:
    assert notices(seed=1, cases=20, intents=40, rule=missing) is not None


def test_a_limit_that_is_off_by_a_millimetre_is_noticed() -> None:
    true = protocol("warm-vertical")
    assert true.limits.short_of_wl_mm is not None
    short = true.limits.short_of_wl_mm.model_copy(update={"value": 4.0})
    limits = true.limits.model_copy(update={"short_of_wl_mm": short})
    case = Case(true.model_copy(update={"limits": limits}))
    case.oracle = Oracle(true)
    with pytest.raises(Broken, match="depth-limit"):
        case.finish()


@pytest.mark.parametrize("name", PROTOCOLS)
def test_all_that_goes_down_a_canal_is_under_the_depth_rule(name: str) -> None:
    asked = {step.expect.quantity for step in protocol(name).steps()}
    for rule_id in ("depth-limit", "limit-unknown"):
        (found,) = (one for one in protocol(name).rules if one.id == rule_id)
        assert asked & DEPTHS <= set(found.quantities)
        assert found.severity == "urgent"
