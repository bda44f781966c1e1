"""Can this be a value of the step at all? What cannot be is refused, whatever was heard.

Ranges of lengths and times are the protocol's; sizes, tapers and teeth are
those there are.
"""

from __future__ import annotations

from assistant.canal import instruments, teeth
from assistant.progress.facts import text_of
from assistant.progress.intents import Scalar
from assistant.progress.state import CASE
from assistant.protocol.coherence import repeated
from assistant.protocol.expect import Measure, Readings, Timed
from assistant.protocol.model import Step

ABSURD = 1e6
"""No length, time, size or tooth is anywhere near; such a number cannot be said."""

Problem = tuple[str, dict[str, str]]
"""A wording key of the refusals and the fields of its sentence."""


def problem_with(step: Step, value: Scalar) -> Problem | None:
    """Why ``value`` cannot be the step's, or None."""
    if step.expect.kind == "canals":
        return _problem_with_canals(step, value)
    if isinstance(value, str | tuple):
        return _no_answer(step, str(value))
    if not abs(value) <= ABSURD:  # a NaN does not either
        return _no_answer(step, "That number")
    match step.expect:
        case Measure(min_mm=low, max_mm=high) | Readings(min_mm=low, max_mm=high):
            return _outside(value, low, high)
        case Timed(max_s=high):
            return _outside(value, 0.0, high)
    try:
        match step.expect.kind:
            case "size":
                instruments.check_size(_whole(value))
            case "taper":
                instruments.check_taper(value)
            case "tooth":
                teeth.parse_fdi(_whole(value))
    except ValueError:
        return _no_answer(step, text_of(value))
    return None


def _problem_with_canals(step: Step, value: Scalar) -> Problem | None:
    if not isinstance(value, tuple) or not value or CASE in value or "" in value:
        return _no_answer(step, " and ".join(value) if isinstance(value, tuple) else str(value))
    twice = repeated(value)
    return None if twice is None else ("canal_named_twice", {"value": twice})


def _no_answer(step: Step, value: str) -> Problem:
    return "not_an_option", {"value": value, "step": step.title}


def _outside(value: float, low: float, high: float) -> Problem | None:
    if low <= value <= high:
        return None
    detail = {"value": text_of(value), "low": text_of(low), "high": text_of(high)}
    return "out_of_range", detail


def _whole(value: float) -> int:
    if not isinstance(value, int):
        raise ValueError(f"{value:g} is not a whole number")
    return value
