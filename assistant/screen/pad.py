"""What gloved fingers can tap in the place of a spoken value: lines the case would take.

No sizes of buttons here, only values. The steps around what is suggested are chosen here.
"""

from __future__ import annotations

from collections.abc import Iterator

from assistant.canal import instruments, teeth
from assistant.procedure import reach
from assistant.procedure.correctable import corrections
from assistant.procedure.modes import refusal
from assistant.progress import intents as it
from assistant.progress.facts import depth_limit_mm, number, text_of, wl_mm
from assistant.progress.state import KIND_OF, CaseState
from assistant.protocol.model import Step
from assistant.screen.strips import Shown, instrument_steps
from assistant.words.phrases import plain_phrase
from assistant.words.sayings import Wording, value_phrase

STEP_MM = 0.5
STEPS_AROUND = 2


class Tap(Shown):
    """A button: its letters and the line it enters; ``suggested`` is the middle one."""

    text: str
    line: str
    suggested: bool = False


class Pad(Shown):
    """Buttons for the value that is asked. ``digits`` tells that any number can be tapped
    together, ``canals`` are names of which several are chosen."""

    kind: str
    title: str = ""
    digits: bool = False
    taps: tuple[Tap, ...] = ()
    canals: tuple[str, ...] = ()


def pads(state: CaseState, words: Wording) -> dict[str, Pad]:
    """A pad for every kind of value that can be given or corrected now, the one of the
    present step under "" too."""
    if state.signed is not None or state.paused or state.resting:
        return {}
    asked = reach.questioned(state)
    step = asked.step if asked is not None else state.step
    early = reach.early(state)
    if step is not None and KIND_OF.get(step.expect.kind) in {None, "s"} and early:
        step = early[0]
    skips = tuple(
        Tap(text=reason, line=f"{plain_phrase(words.phrases.skip[-1])} {reason}")
        for reason in (item.say for item in words.phrases.lists["reason"])
        if refusal(state, it.Skip(reason=reason)) is None
    )
    kinds = dict.fromkeys(corrections(state).kinds)
    made = {str(kind): _pad(state, None, str(kind), words) for kind in kinds}
    if step is not None and (kind := KIND_OF.get(step.expect.kind)) not in {None, "s"}:
        asked_for = _pad(state, step, str(kind), words)
        made[""] = asked_for.model_copy(update={"title": step.title})
    if skips:
        made["skip"] = Pad(kind="skip", taps=skips)
    return made


def _pad(state: CaseState, step: Step | None, kind: str, words: Wording) -> Pad:
    language = words.language
    match kind:
        case "mm":
            middle = _suggested_mm(state, step)
            return Pad(kind=kind, digits=True, taps=tuple(_around(middle, step)))
        case "size":
            sizes = [size for size in instruments.POINT_SIZES if 15 <= size <= 80]
            taps = [Tap(text=str(size), line=f"size {size}") for size in sizes]
            return Pad(kind=kind, digits=True, taps=tuple(taps))
        case "taper":
            taps = [
                Tap(text=instruments.taper_label(one), line=value_phrase(kind, one, language))
                for one in instruments.POINT_TAPERS
            ]
            return Pad(kind=kind, taps=tuple(taps))
        case "tooth":
            return Pad(kind=kind, digits=True)
        case _:
            tooth = None if state.tooth is None else teeth.parse_fdi(state.tooth)
            sets = teeth.canal_sets(tooth) if tooth else ()
            return Pad(
                kind=kind,
                taps=tuple(Tap(text=" ".join(s), line=" and ".join(s)) for s in sets[:3]),
                canals=tuple(dict.fromkeys(str(canal) for one in sets for canal in one)),
            )


def _around(middle: float | None, step: Step | None) -> Iterator[Tap]:
    if middle is None:
        return
    low = getattr(step.expect, "min_mm", 0.0) if step else 0.0
    high = getattr(step.expect, "max_mm", 35.0) if step else 35.0
    for number_ in range(-STEPS_AROUND, STEPS_AROUND + 1):
        value = round(middle + number_ * STEP_MM, 1)
        if low <= value <= high:
            yield Tap(text=text_of(value), line=text_of(value), suggested=number_ == 0)


def _suggested_mm(state: CaseState, step: Step | None) -> float | None:
    """What the step suggests; else its last value, or the working length. An
    instrument is never suggested beyond its limit."""
    if step is not None:
        if step == state.step and (offered := reach.offered(state)) is not None:
            return offered
        last = number(state.last(state.active, step))
        if step in instrument_steps(state.protocol):
            limit = depth_limit_mm(state, state.active)
            known = [mm for mm in (last, limit) if mm is not None]
            return min(known, default=None)
        if last is not None:
            return last
    length = wl_mm(state, state.active)
    return length if length is not None else _typical(state)


def _typical(state: CaseState) -> float | None:
    """The usual length of such a tooth, to the half millimetre."""
    if state.tooth is None:
        return None
    mean = teeth.typical_length_mm(teeth.parse_fdi(state.tooth)).mean_mm
    return round(2 * mean) / 2
