"""A protocol as a picture: its step machines, drawn by the library as Mermaid text.

Boxes are steps by their titles. On an arrow stands the answer that it follows, and in
square brackets the fact that must hold; of the arrows of one answer the first that holds
is taken. Skips are left out: each leads where the answer would.
"""

from __future__ import annotations

import json
from collections.abc import Iterator

from transitions import State
from transitions.extensions import GraphMachine

from assistant.protocol.machine import FINISHED, Arrow, Part, arrows, choose
from assistant.protocol.model import Protocol, Step

KINDS = {
    "measure": "length",
    "readings": "reading",
    "size": "size",
    "taper": "taper",
    "timed": "time",
    "done": "done",
    "tooth": "tooth",
    "canals": "canals",
    "sign": "signed",
}
"""What answers a step that is no choice."""


class _Box(State):
    """A state with the label that the library draws in the place of its name."""

    def __init__(self, name: str, label: str) -> None:
        super().__init__(_box(name))
        self.label = _plain(label)


def mermaid(protocol: Protocol) -> str:
    """The text of a Mermaid state diagram, ending with a line break.

    The canal part is drawn once; its end leads to the next canal and, after the last,
    to the closing steps.
    """
    parts = {"opening": protocol.opening, "canal": protocol.canal, "closing": protocol.closing}
    first = {name: part[0].id for name, part in parts.items()}
    between = [
        ("each canal", "the opening is done", first["canal"]),
        ("another canal", "the canal is done", first["canal"]),
        ("all filled", "the canal is done", first["closing"]),
    ]
    ways = [way for name, part in parts.items() for way in _ways(part, f"the {name} is done")]
    steps = (*protocol.opening, *protocol.canal, *protocol.closing)
    boxes = [_Box(step.id, step.title) for step in steps]
    boxes += [_Box(f"the {name} is done", f"The {name} is done") for name in parts]
    machine = GraphMachine(
        model=None,
        states=boxes,
        transitions=[
            {"trigger": _plain(label), "source": _box(source), "dest": _box(dest)}
            for label, source, dest in (*ways, *between)
        ],
        initial=_box(first["opening"]),
        auto_transitions=False,
        graph_engine="mermaid",
    )
    machine.machine_attributes = {"rankdir": "TB"}
    machine.style_attributes = {"node": {"default": {"fill": "white", "color": "black"}}}
    title = json.dumps(" ".join(protocol.title.split()), ensure_ascii=False)
    drawn = machine.graph_cls(machine).get_graph(title=f"title: {title}")
    return f"{drawn.draw(None)}\n"


def _box(name: str) -> str:
    """A name that no word of Mermaid has: a step may be called "end" or "note"."""
    return "step_" + name.replace(" ", "_")


def _ways(part: Part, end: str) -> Iterator[tuple[str, str, str]]:
    """(label, from, to) of every answer."""
    steps, forked = {step.id: step for step in part}, set()
    for arrow in arrows(part):
        if arrow.trigger == "skip":
            continue
        fact = "" if arrow.fact in {None, "always"} else str(arrow.fact).replace("_", " ")
        fork = (arrow.source, arrow.trigger)
        if fact:
            forked.add(fork)
        elif fork in forked:
            fact = "else"
        label = _answer(steps[arrow.source], arrow) + (f" [{fact}]" if fact else "")
        dest = end if arrow.dest == FINISHED else arrow.dest
        yield label, arrow.source, dest


def _answer(step: Step, arrow: Arrow) -> str:
    """What was answered, in words."""
    named = {choose(option.id): option.id for option in step.options}
    if arrow.trigger in named:
        return named[arrow.trigger].replace("_", " ")
    onward = [option.id.replace("_", " ") for option in step.options if option.to is None]
    first = [] if step.expect.kind == "choice" else [KINDS[step.expect.kind]]
    return " or ".join([*first, *onward])


def _plain(text: str) -> str:
    """Text that Mermaid takes for nothing but text."""
    marks = {"#": "#35;", '"': "#quot;", ";": "#59;", ":": "#58;", "<": "#lt;", ">": "#gt;"}
    return "".join(marks.get(mark, mark) for mark in " ".join(text.split()))
