"""A small sample of the simulated clinic, always the same: the budgets of what is said."""

from __future__ import annotations

import pytest

from pace import clinic

BUDGET = {11: 35, 24: 66, 16: 122}
"""Most utterances of a whole case with 3 cycles and 3 increments a canal; the apex locator is
answered in the wet canal, by itself."""


@pytest.fixture(autouse=True)
def no_voice(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clinic, "_voice", lambda: None)
    clinic.seconds.cache_clear()


@pytest.mark.parametrize("tooth", BUDGET)
def test_a_case_is_told_in_few_sentences_and_is_right(tooth: int) -> None:
    told = clinic.Sitting(7, tooth, in_sentences=True).run()
    assert told.said <= BUDGET[tooth]
    assert (told.wrong_values, told.wrong_canal, told.confirmations) == (0, 0, 0)


def test_one_by_one_the_same_case_takes_more_and_is_as_right() -> None:
    sentences = clinic.Sitting(7, 11, in_sentences=True).run()
    alone = clinic.Sitting(7, 11, in_sentences=False).run()
    assert alone.said - sentences.said >= 20
    assert (alone.wrong_values, alone.wrong_canal, alone.confirmations) == (0, 0, 0)


def test_the_judge_sees_a_wrong_value() -> None:
    sitting = clinic.Sitting(7, 11, in_sentences=True)
    plan = sitting.plan["single"]
    sitting.run()
    sitting.plan["single"] = clinic.Canal(plan.wl + 0.5, plan.size)
    sitting.judge()
    assert sitting.count.wrong_values > 0
