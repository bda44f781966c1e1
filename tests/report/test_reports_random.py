"""Whatever was said, the reports can be made of it: no value makes one fail."""

from __future__ import annotations

import json

from hypothesis import given, settings
from hypothesis import strategies as st
from procedure.test_procedure_random import (
    HEARD,
    INTENTS,
    LENGTHS,
    PROTOCOLS,
    cooperative,
    road,
)
from typical_case import HEAD, Driver

from assistant.progress import intents as it
from assistant.report.computed import computed, lines
from assistant.report.drawing import depth_drawing, depths_of
from assistant.report.note import note
from assistant.report.note_text import as_text
from assistant.report.pdf import as_pdf
from assistant.report.record import as_record

LENGTH = st.builds(it.Given, kind=st.just("mm"), value=LENGTHS, heard=HEARD)
CONFIRM = st.just(it.Command(verb="confirm"))
KEEP = st.just(it.Command(verb="keep"))
ONWARD = st.sampled_from(["onward"])
ACTIONS = st.lists(st.one_of(LENGTH, CONFIRM, KEEP, ONWARD, INTENTS), min_size=5, max_size=30)


@settings(max_examples=25)
@given(name=st.sampled_from(sorted(PROTOCOLS)), start=st.floats(0, 1), actions=ACTIONS)
def test_every_report_of_any_case(
    name: str, start: float, actions: list[it.AnyIntent | str]
) -> None:
    stops = road(name)
    case = stops[round(start * (len(stops) - 1))].copy()
    for action in actions:
        intent = cooperative(case.state)[0] if isinstance(action, str) else action
        case.give(intent)
    state = case.state
    json.dumps(as_record(state, HEAD), allow_nan=False)
    chart = note(state, HEAD)
    assert all(len(line) <= 88 for line in as_text(chart).splitlines())
    drawings = [depth_drawing(depths_of(state, track.name)) for track in state.canals]
    assert as_pdf(chart, drawings).startswith(b"%PDF")
    for track in state.canals:
        assert all(lines(computed(state, track.name)))


def test_increments_said_far_too_long_leave_a_case_that_can_be_reported() -> None:
    case = Driver().set_up(11, "single")
    case.canal_to_pluggers(21.0)
    case.canal_to_sear(21.0)
    case.downpack(21.0)
    for _ in range(3):
        case.mm(15.0)
        case.command("confirm", "keep")
        case.press()
        case.choose("no")  # the level is not reached, whatever was said
    filled = computed(case.state, "single").filled
    assert [one.to_mm < 0 for one in filled] == [False, True, True]
    assert filled[2].volume_mm3 == 0.0  # none of it is in the tooth
