"""What is kept beside the steps: remarks, materials and conditions. No step asks for them
and no rule reads them.

They are taken in every mode but after the signature, where an addendum is; a number in them
is no measurement.
"""

from __future__ import annotations

from typing import Literal, get_args

from assistant.progress import intents as it
from assistant.progress.entries import Noted, Remark
from assistant.progress.state import CaseState
from assistant.protocol.conditions import LONGEST_CONDITION, Condition

LONGEST_REMARK = 300
"""Characters; chosen here: half a minute of speech, read back in full."""

Problem = Literal[
    "remark_empty", "remark_long", "no_such_remark", "condition_empty", "condition_long"
]
PROBLEMS: tuple[Problem, ...] = get_args(Problem)


def problem(state: CaseState, intent: it.Beside) -> Problem | None:
    """Why it cannot be kept, None if it can."""
    match intent:
        case it.Remark(text=text) | it.CorrectRemark(text=text):
            if not text.strip():
                return "remark_empty"
            if len(" ".join(text.split())) > LONGEST_REMARK:
                return "remark_long"
        case it.Note(text=text):
            if not text.strip():
                return "condition_empty"
            if len(" ".join(text.split())) > LONGEST_CONDITION:
                return "condition_long"
    if isinstance(intent, it.CorrectRemark | it.DropRemark):
        return None if meant(state, intent.number) else "no_such_remark"
    return None


def meant(state: CaseState, number: int | None) -> Remark | None:
    """The standing remark of that number; of none, the newest."""
    standing = [one for one in state.dictated if one.standing == "standing"]
    if number is None:
        return standing[-1] if standing else None
    return next((one for one in standing if one.seq == number), None)


def standing_condition(state: CaseState, condition: Condition) -> Noted | None:
    """As it was told last, None if it was not."""
    return next((n for n in reversed(state.conditions) if n.condition is condition), None)


def missing_conditions(state: CaseState) -> tuple[Condition, ...]:
    """Those that the protocol wants and nobody told."""
    wanted = state.protocol.conditions
    return tuple(one for one in wanted if standing_condition(state, one) is None)
