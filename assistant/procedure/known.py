"""Answers that are known before they are asked: prepared, or the same for the whole tooth.

They go the road of a spoken answer, by the door and the rules, and are read back; one that
was taken back, refused or not confirmed is asked.
"""

from __future__ import annotations

from assistant.procedure.modes import Mode, mode_of
from assistant.progress import intents as it
from assistant.progress.state import CASE, CaseState
from assistant.protocol.model import Step


def known(state: CaseState) -> it.Part | None:
    """The known answer to the present step, None where it is to be asked."""
    if mode_of(state) is not Mode.ASKED or state.step is None or state.answered:
        return None
    return known_at(state, state.step)


def known_at(state: CaseState, step: Step) -> it.Part | None:
    """The known answer to a step of the active track."""
    track = state.active
    if any(e.track == track and e.step == step.id for e in state.entries):
        return None
    found = _prepared(state, step) or _of_another_canal(state, step)
    if found is None:
        return None
    turned_down = (r for r in state.rejected if r.track == track and r.step == step.id)
    return None if any(r.text == found.heard.text for r in turned_down) else found


def _prepared(state: CaseState, step: Step) -> it.Part | None:
    for one in state.prepared:
        if (one.track, one.quantity) == (state.active, step.expect.quantity):
            return _answer(one.kind, one.value, "prepared")
    return None


def _of_another_canal(state: CaseState, step: Step) -> it.Part | None:
    """What the canal before answered, where the protocol asks once for the tooth."""
    if step.once is None or state.active == CASE:
        return None
    others = [track.name for track in state.canals if track.name != state.active]
    answers = [e for e in state.entries if e.track in others and e.standing == "standing"]
    for entry in reversed(answers):
        if entry.step == step.id:
            return _answer(state.kind(entry), entry.value, f"as in the {entry.track} canal")
    return None


def _answer(kind: it.ValueKind | None, value: it.Scalar, text: str) -> it.Part:
    heard = it.Heard(text=text, channel="prepared")
    if kind is None or isinstance(value, str):
        return it.Chosen(option=str(value), heard=heard)
    return it.Given(kind=kind, value=value, heard=heard)
