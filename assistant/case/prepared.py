"""The set-up of a case in a file: what can be said before the gloves are on.

Each value is one that its step takes (:mod:`assistant.progress.values`), by the name of
its quantity in the protocol; an error names field and line. What rules say of it they say
when it enters, as of a spoken one (:func:`rehearsed` tells beforehand).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import Field, ValidationError, model_validator

from assistant import __version__
from assistant.canal.teeth import Canal
from assistant.files.yamlfile import parse_yaml, read_text, where_and_what
from assistant.procedure.decide import decide
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.apply import opened
from assistant.progress.state import CASE, KIND_OF, CaseState
from assistant.progress.values import problem_with
from assistant.protocol.coherence import misfit
from assistant.protocol.conditions import Conditions
from assistant.protocol.model import Protocol, Step
from assistant.protocol.moment import Moment
from assistant.protocol.own_instruments import PluggerFile

Values = Mapping[str, bool | int | float | str]


class SetUp(Conditions):
    """A whole set-up file; ``every_canal`` holds where a canal has no value of its own,
    ``case`` what is asked of the case before its canals."""

    tooth: int
    case: Values = Field(default_factory=dict)
    every_canal: Values = Field(default_factory=dict)
    canals: dict[str, Values | None] = Field(min_length=1)
    pluggers: str | None = Field(default=None, min_length=1)

    def intent(self, protocol: Protocol) -> it.Prepare:
        """What the case is told."""
        steps = _preparable(protocol)
        found = [
            it.PreparedValue(track=CASE, quantity="tooth", kind="tooth", value=self.tooth),
            it.PreparedValue(
                track=CASE, quantity="canals", kind="canals", value=tuple(self.canals)
            ),
        ]
        for quantity, value in self.case.items():
            told = str(_answer(steps[quantity], value))
            found.append(it.PreparedValue(track=CASE, quantity=quantity, kind=None, value=told))
        for canal, own in self.canals.items():
            for quantity, value in (dict(self.every_canal) | dict(own or {})).items():
                answer = _answer(steps[quantity], value)
                kind = None if isinstance(answer, str) else KIND_OF[steps[quantity].expect.kind]
                found.append(
                    it.PreparedValue(track=canal, quantity=quantity, kind=kind, value=answer)
                )
        heard = it.Heard(text="set-up", channel="prepared")
        return it.Prepare(values=tuple(found), conditions=self.conditions(), heard=heard)


def load_set_up(path: Path, protocol: Protocol) -> SetUp:
    """Read a set-up for cases under ``protocol``.

    Raises:
        InputFileError: it cannot be read, or a value cannot be; names field and line.
    """
    return parse_set_up(read_text(path), protocol, str(path))


def parse_set_up(text: str, protocol: Protocol, name: str) -> SetUp:
    """As :func:`load_set_up`, from text; ``name`` stands in the error."""
    return parse_yaml(text, _model(protocol), name)


def told_set_up(told: Mapping[str, Any], protocol: Protocol) -> SetUp | tuple[str, str]:
    """As :func:`parse_set_up`, from what a form told; where a value cannot be, its field
    ("canals.buccal.taper") and a sentence."""
    try:
        return _model(protocol).model_validate(dict(told))
    except ValidationError as bad:
        place, said = where_and_what(bad.errors()[0])
        return ".".join(map(str, place)), f"{said}."


def _model(protocol: Protocol) -> type[SetUp]:
    """:class:`SetUp`, checked against the steps of a protocol."""
    steps = _preparable(protocol)

    class Checked(SetUp):
        @model_validator(mode="after")
        def _fits(self) -> Checked:
            _check(("tooth",), protocol.asking("tooth"), self.tooth)
            for canal in self.canals:
                if canal not in set(Canal):
                    known = ", ".join(Canal)
                    raise misfit(("canals", canal), f"no canal is called so; there are {known}")
            groups: list[tuple[tuple[str, ...], Values]] = [
                (("case",), self.case),
                (("every_canal",), self.every_canal),
            ]
            groups += [(("canals", name), own or {}) for name, own in self.canals.items()]
            for at, values in groups:
                for quantity, value in values.items():
                    where = (*at, quantity)
                    if quantity not in steps:
                        raise misfit(where, f"cannot be prepared; {', '.join(steps)} can")
                    _check(where, steps[quantity], _answer(steps[quantity], value))
            return self

    return Checked


def preparable(protocol: Protocol) -> tuple[Step, ...]:
    """The steps that a set-up can answer; of the opening its choices."""
    asked = [step for step in protocol.opening if step.expect.kind == "choice"]
    return tuple(step for step in (*asked, *protocol.canal) if step.prepare)


def _preparable(protocol: Protocol) -> dict[str, Step]:
    return {step.expect.quantity: step for step in preparable(protocol)}


def _answer(step: Step, value: bool | int | float | str) -> it.Scalar:
    """A value as the step takes it: "no" is a word, "buccal cusp" an option."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value.strip().lower().replace(" ", "_")
    return float(value) if step.expect.kind in {"measure", "taper"} else value


_WRONG = {
    "out_of_range": "{value} is outside {low} to {high}",
    "not_an_option": "{value} is no answer to: {step}",
}


def _check(at: tuple[str, ...], step: Step, value: it.Scalar) -> None:
    options = [option.id for option in step.options]
    if isinstance(value, str):
        if value not in options:
            allowed = ", ".join(options) or "a number"
            raise misfit(at, f"{value} is no answer to: {step.title}; {allowed} can be given")
    elif step.expect.kind == "choice":
        raise misfit(at, f"{value} is no answer to: {step.title}; {', '.join(options)} are")
    elif (problem := problem_with(step, value)) is not None:
        reason, detail = problem
        raise misfit(at, _WRONG[reason].format_map(detail))


def rehearsed(
    set_up: SetUp, protocol: Protocol, instruments: PluggerFile | None
) -> tuple[CaseState, tuple[ev.AnyEvent, ...]]:
    """What a case makes of a set-up: the state with all of it entered, and the events.

    Readiness, which nobody can prepare, is answered with "yes" here, and every question
    with "confirm".
    """
    state = opened(
        ev.CaseOpened(
            at=_moment(0),
            case_code="set-up",
            operator="",
            demo=False,
            program=__version__,
            protocol=protocol,
            instruments=instruments,
        )
    )
    happened: list[ev.AnyEvent] = []
    for number, intent in enumerate(_run_through(set_up, protocol)):
        answer: it.AnyIntent | None = intent
        while answer is not None:
            events, state = decide(state, answer, _moment(number))
            happened += events
            waits = state.pending is not None
            answer = it.Command(verb="confirm") if waits else None
    return state, tuple(happened)


def _run_through(set_up: SetUp, protocol: Protocol) -> Iterator[it.AnyIntent]:
    yield set_up.intent(protocol)
    told = set(set_up.case)
    for step in protocol.opening:
        if step.expect.kind == "choice" and step.expect.quantity not in told:
            yield it.Chosen(option=step.options[0].id)
    yield from (it.SwitchCanal(canal=canal) for canal in set_up.canals)


def _moment(seconds: float) -> Moment:
    return Moment(wall=datetime.fromtimestamp(seconds, UTC), mono_s=seconds)
