"""The step machine: which step follows, by ``transitions`` from the protocol.

One machine is built per part of a protocol (opening, canal, closing); every
canal is a model of its own on the canal machine, so canals interleave without
knowing of one another. A model is a throw-away holder of the present step: the
place of a canal that counts is the one in its track. Whether a part hangs together
(:mod:`.coherence`) and its picture (:mod:`.picture`) are read off the same arrows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import lru_cache, partial
from typing import TYPE_CHECKING, NamedTuple

from transitions import Machine

if TYPE_CHECKING:
    from assistant.protocol.model import Protocol, Step

FINISHED = "finished"
"""The place of a canal after its last step."""

Holds = Callable[[str], bool]
"""Tells whether a fact, by name, holds for the canal in question."""

Part = tuple["Step", ...]


class Arrow(NamedTuple):
    """One way from a step to another, for ``transitions``.

    Attributes:
        trigger: ``advance``, ``skip``, or that of an option (:func:`choose`).
        fact: it must hold; None for always. Of the ways of one trigger from one step
            the first that holds is taken.
    """

    trigger: str
    source: str
    dest: str
    fact: str | None = None


def choose(option: str) -> str:
    """The trigger of an option that leads somewhere of its own."""
    return f"choose_{option}"


def arrows(part: Part) -> Iterator[Arrow]:
    """Every way that answering or skipping a step can lead, in order.

    A step whose every answer leads somewhere of its own has no ``advance``.
    """
    for step, following in zip(part, [*(s.id for s in part[1:]), FINISHED], strict=True):
        yield from (
            Arrow(choose(option.id), step.id, step.target(option.to))
            for option in step.options
            if option.to is not None
        )
        answered = step.expect.kind != "choice" or any(o.to is None for o in step.options)
        ways = [(branch.when, step.target(branch.to)) for branch in step.next]
        for fact, dest in [*ways, (None, following)]:
            if answered:
                yield Arrow("advance", step.id, dest, fact)
            if dest != step.id:  # skipping must leave a step, even one that repeats itself
                yield Arrow("skip", step.id, dest, fact)
            answered = answered and fact != "always"


@lru_cache(maxsize=16)
def machine(part: Part) -> Machine:
    """The machine of one part."""
    return Machine(
        model=None,
        states=[*(step.id for step in part), FINISHED],
        transitions=[
            {
                "trigger": arrow.trigger,
                "source": arrow.source,
                "dest": arrow.dest,
                "conditions": partial(_told, arrow.fact) if arrow.fact else None,
            }
            for arrow in arrows(part)
        ],
        initial=part[0].id,
        auto_transitions=False,
    )


def _told(fact: str, holds: Holds) -> bool:
    """A condition of an arrow; a partial of it lets a protocol pass to another process."""
    return holds(fact)


def position(part: Part, step_id: str, round_: int = 1) -> tuple[int, int, int]:
    """Where a step of a round comes in the sequence of a part; what is later is greater."""
    ids = [step.id for step in part]
    here = ids.index(step_id)
    loop = part[here].loop
    if loop is None:
        return here, 0, here
    return next(i for i, step in enumerate(part) if step.loop == loop), round_, here


class Place:
    """A model for ``transitions``: where a case is, before and after a trigger.

    Machines never list it, so they stay as they were built, whoever asks them.
    """

    def __init__(self, state: object) -> None:
        self.state = state


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
    chosen = any(one.id == option and one.to is not None for one in step.options)
    trigger = choose(str(option)) if chosen else "skip" if skip else "advance"
    ways, place = protocol.machines[step.id].events.get(trigger), Place(step.id)
    # What leads nowhere (no protocol that passes has it) asks the same step again.
    if ways is not None and step.id in ways.transitions:
        ways.trigger(place, holds)
    return str(place.state)
