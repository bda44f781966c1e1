"""The set-up form of the page: what it asks, and what becomes of what was filled in.

It asks what a set-up file may tell (:mod:`assistant.case.prepared`) and is checked as one.
The set of pluggers is not in it: the case holds it from its opening (``run --pluggers``).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from assistant.canal.teeth import Canal
from assistant.case.prepared import preparable, told_set_up
from assistant.procedure.modes import refusal
from assistant.progress import intents as it
from assistant.progress.state import CaseState
from assistant.prompt.set_up import read_back
from assistant.protocol.conditions import Condition, name_of
from assistant.protocol.model import Step
from assistant.screen.strips import Shown
from assistant.words.sayings import Wording, said_value

CONDITIONS = (Condition.SEALER, Condition.HEAT_SETTING)
"""Those the form asks; the others are typed at any time."""


class Field(Shown):
    """One value: its name in a set-up, what it is called, and the answers there are to choose
    from, beside a number (``number``) or by themselves."""

    name: str
    title: str
    number: bool
    options: tuple[tuple[str, str], ...] = ()


class Form(Shown):
    """The form; ``canals`` are all names, ``case`` and ``canal`` what is asked of each."""

    canals: tuple[str, ...]
    case: tuple[Field, ...]
    canal: tuple[Field, ...]
    texts: tuple[Field, ...]


class Checked(Shown):
    """The answer to a form: the field that was refused, as its path in a set-up, with a
    sentence; or the set-up as the case will read it back, and whether it was ``taken``."""

    kind: Literal["set_up"] = "set_up"
    field: str = ""
    problem: str = ""
    lines: tuple[str, ...] = ()
    taken: bool = False


def form(state: CaseState) -> Form | None:
    """The form as long as the case takes a set-up; None afterwards."""
    nothing = it.Prepare(values=())
    if state.prepared or refusal(state, nothing) is not None:
        return None
    opening = {step.id for step in state.protocol.opening}
    fields = [(step.id in opening, _field(step)) for step in preparable(state.protocol)]
    wanted = [one for one in CONDITIONS if one in state.protocol.conditions]
    return Form(
        canals=tuple(Canal),
        case=tuple(field for of_case, field in fields if of_case),
        canal=tuple(field for of_case, field in fields if not of_case),
        texts=tuple(Field(name=one, title=name_of(one), number=False) for one in wanted),
    )


def _field(step: Step) -> Field:
    options = tuple((option.id, said_value(None, option.id)) for option in step.options)
    number = step.expect.kind != "choice"
    return Field(name=step.expect.quantity, title=step.title, number=number, options=options)


def check(
    told: Mapping[str, Any], state: CaseState | None, wording: Wording
) -> tuple[Checked, it.Prepare | None]:
    """What is answered to a filled-in form, and what the case is told if all of it fits."""
    if state is None or form(state) is None:
        return Checked(problem=wording.refusals["begun_already"]), None
    if "pluggers" in told:
        said = "The set of pluggers is given when the program is begun, with --pluggers."
        return Checked(field="pluggers", problem=said), None
    found = told_set_up(told, state.protocol)
    if isinstance(found, tuple):
        return Checked(field=found[0], problem=found[1]), None
    lines = read_back(found, state.protocol, state.instruments, wording)
    return Checked(lines=tuple(lines)), found.intent(state.protocol)
