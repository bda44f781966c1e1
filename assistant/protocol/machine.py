"""The step machine: which step follows, by ``transitions`` from the protocol.

One machine is built per part of a protocol (opening, canal, closing); every
canal is a model of its own on the canal machine, so canals interleave without
knowing of one another. A model is a throw-away holder of the present step: the
place of a canal that counts is the one in :class:`~.state.Track`.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any

from transitions import Machine

from assistant.protocol.model import FINISHED, Protocol, Step

Holds = Callable[[str], bool]
"""Tells whether a fact, by name, holds for the canal in question."""


class _Place:
    """A model for ``transitions``: holds the name of the present step."""

    step: str


@lru_cache(maxsize=16)
def _machine(part: tuple[Step, ...]) -> Machine:
    """The machine of one part: trigger ``advance`` and one per option id."""
    transitions: list[dict[str, Any]] = []
    for step, following in zip(part, (*part[1:], None), strict=True):
        straight = following.id if following else FINISHED
        for branch in step.next:
            dest = step.target(branch.to)
            transitions.append(
                {
                    "trigger": "advance",
                    "source": step.id,
                    "dest": dest,
                    "conditions": _condition(branch.when),
                }
            )
            if dest != step.id:
                # Skipping must leave a step, even one that repeats itself.
                transitions.append(transitions[-1] | {"trigger": "skip"})
        transitions.append({"trigger": "advance", "source": step.id, "dest": straight})
        transitions.append({"trigger": "skip", "source": step.id, "dest": straight})
        for option in step.options:
            if option.to is not None:
                transitions.append(
                    {
                        "trigger": _trigger(option.id),
                        "source": step.id,
                        "dest": step.target(option.to),
                    }
                )
    return Machine(
        model=None,
        states=[step.id for step in part] + [FINISHED],
        transitions=transitions,
        initial=part[0].id,
        auto_transitions=False,
        model_attribute="step",
    )


def _condition(fact: str) -> Callable[[Holds], bool]:
    def condition(holds: Holds) -> bool:
        return holds(fact)

    return condition


def _trigger(option: str) -> str:
    return f"choose_{option}"


def next_step(
    protocol: Protocol, step: Step, option: str | None, holds: Holds, *, skip: bool = False
) -> str:
    """The id of the step after ``step``, or ``finished``.

    Args:
        option: the option that was chosen, if one was; where the protocol
            gives it no destination the track advances as usual.
        holds: answers for the facts that branches name.
        skip: the step is left out; a branch back to itself is not taken.
    """
    part = next(p for p in (protocol.opening, protocol.canal, protocol.closing) if step in p)
    machine = _machine(part)
    place = _Place()
    machine.add_model(place, initial=step.id)
    try:
        chosen = next((o for o in step.options if o.id == option and o.to is not None), None)
        trigger = _trigger(chosen.id) if chosen else "skip" if skip else "advance"
        getattr(place, trigger)(holds)
        return place.step
    finally:
        machine.remove_model(place)
