"""An answer begun over a prompt is taken, from sound: the ear is not deaf while we speak."""

from __future__ import annotations

from pathlib import Path

import pytest
from from_sound import START

from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.prompt.mouth import Fate
from assistant.protocol.model import Protocol
from assistant.sitting import assembly
from assistant.sitting.rehearsal import Line, Script

pytestmark = pytest.mark.sound

LINES = (
    Line(say="tooth one one", over_s=0.5),  # over "Which tooth? Two digits."
    Line(say="single", over_s=0.5),  # over the read-back
    Line(say="all yes", over_s=0.5),
    Line(say="none"),
    Line(say="length twenty two incisal edge", over_s=0.5),
)


def test_answers_over_the_prompts_are_taken_and_end_the_questions(tmp_path: Path) -> None:
    steps = load_yaml(protocol_path("warm-vertical"), Protocol)
    script = Script(case_code="case-9", operator="Operator A", lines=LINES)
    done = assembly.rehearse(script, tmp_path, steps, "flite:slt", START, lambda _: None)
    state, mouth = done.session.case.state, done.session.mouth
    done.session.case.close()
    tally = done.operator.tally
    assert (tally.said, tally.understood) == (len(LINES), len(LINES))
    assert state.here.step == "apex_locator"
    assert [e.value for e in state.standing("single")] == [22.0, "incisal_edge"]
    unfinished = [one.prompt.text for one in mouth.spoken if one.fate is not Fate.HEARD]
    assert "Which canals?" in unfinished
    # What was read back is heard to its end all the same.
    assert all(entry.read_back for entry in state.entries if entry.quantity == "tooth")
