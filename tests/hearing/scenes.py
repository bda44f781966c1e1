"""Every step of the protocols, reached through the pure core: where things are said."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

from typical_case import Driver

from assistant.files.shipped import data_folder
from assistant.files.yamlfile import load_yaml
from assistant.progress.facts import suggestion
from assistant.progress.state import CaseState
from assistant.protocol.model import Protocol, Step
from assistant.words.expected import wanted_now
from assistant.words.grammar import Wanted

TOOTH, CANALS, WL = 24, ("buccal", "palatal"), 21.0
"""An invented upper premolar."""

_DEPTHS = {
    "working_length_mm": WL,
    "coronal_level_mm": 10.0,
    "cone_length_mm": WL,
    "coronal_plugger_mm": 10.0,
    "middle_plugger_mm": 13.0,
    "apical_plugger_mm": WL - 5,
    "heat_carrier_fit_mm": WL - 5,
    "paper_point_mm": WL,
    "apex_locator_mm": WL,
    "final_working_length_mm": WL,
    "cut_back_mm": 0.0,
    "sear_depth_mm": 10.0,
    "heat_depth_mm": WL - 5,
    "plugger_depth_mm": WL - 5,
    "post_level_mm": WL - 5,
    "increment_mm": 2.5,
    "spreader_fit_mm": WL - 1.5,
    "spreader_depth_mm": WL - 1.5,
    "cut_off_mm": 10.0,
}
_LIKELY = ("yes", "dry", "accepted", "incisal_edge", "buccal_cusp")


@dataclass(frozen=True)
class Scene:
    """A case that stands at one step.

    Attributes:
        place: protocol, step, and "running" where its timer runs.
        state: of the case.
        step: the step asked for.
    """

    place: str
    state: CaseState
    step: Step

    @cached_property
    def wanted(self) -> Wanted:
        """What may be said here."""
        return wanted_now(self.state)


@cache
def scenes(name: str | None = None) -> tuple[Scene, ...]:
    """One scene for every step of every protocol, in their order, and one for every
    timed act while it runs."""
    if name is None:
        files = sorted(data_folder("protocols").glob("*.yaml"), reverse=True)
        return tuple(scene for path in files for scene in scenes(path.stem))
    protocol = load_yaml(Path(data_folder("protocols")) / f"{name}.yaml", Protocol)
    found: dict[str, Scene] = {}
    for post in ("no", "yes"):
        for scene in _walk(protocol, post):
            found.setdefault(scene.place, scene)
    order = [step.id for step in protocol.steps()]
    return tuple(sorted(found.values(), key=lambda s: (order.index(s.step.id), s.place)))


def _walk(protocol: Protocol, post: str) -> Iterator[Scene]:
    """A whole case to its signature, every step on the way."""
    case = Driver(protocol=protocol)
    for _ in range(300):
        step = case.state.step
        if step is None or case.state.signed is not None:
            return
        yield Scene(f"{protocol.id}/{step.id}", case.state, step)
        if step.expect.kind == "timed":
            case.command("start")
            yield Scene(f"{protocol.id}/{step.id} running", case.state, step)
            if step.expect.mode == "until_off":
                case.command("stop")
            while case.state.timer is not None:
                case.wait_out()
        else:
            _answer(case, step, post)
        if case.state.pending is not None:
            case.command("confirm")
        if case.state.open_warnings(case.state.active):
            case.command("keep")
    raise AssertionError(f"{protocol.id} was not signed after 300 answers")


def _answer(case: Driver, step: Step, post: str) -> None:
    expect = step.expect
    match expect.kind:
        case "tooth":
            case.say("tooth", TOOTH)
        case "canals":
            case.say("canals", CANALS)
        case "measure" if _is_full(case.state, step):
            case.choose("canal_full")
        case "measure" | "readings":
            offered = getattr(expect, "suggest", None)
            if offered and suggestion(case.state, case.state.active, offered) is not None:
                case.command("confirm")
            else:
                case.mm(_DEPTHS[expect.quantity])
        case "size":
            case.say("size", 30)
        case "taper":
            case.say("taper", 0.06)
        case "choice":
            case.choose(_option(step, post))
        case "sign":
            case.command("sign")
        case _:
            case.command("next")


def _is_full(state: CaseState, step: Step) -> bool:
    """After the first round of a loop that only the operator ends."""
    again = state.newest(state.active, step) is not None
    return again and any(option.id == "canal_full" for option in step.options)


def _option(step: Step, post: str) -> str:
    ids = [option.id for option in step.options]
    if step.id == "post":
        return post
    if step.id == "post_stop":
        return "finish_at_post_level"
    return next((option for option in _LIKELY if option in ids), ids[0])
