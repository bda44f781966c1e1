"""What is found or goes wrong, said at any step: noted at once, then asked about.

The finding and what is told of it are entries like all others; what is asked stands beside
the sequence, so that the canal goes on where it was. Nothing holds up a timer or a press.
"""

from __future__ import annotations

from assistant.procedure import moving
from assistant.procedure.draft import Draft
from assistant.procedure.reach import found_in
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.state import CaseState
from assistant.protocol.model import SEEN


def note_down(draft: Draft, said: it.Finding) -> None:
    """Put a finding on record; what the protocol asks about it is asked next."""
    track = found_in(draft.state, said)
    finding = draft.state.protocol.finding_of[said.finding]
    assert track is not None
    if track != draft.state.active:
        draft.add(ev.TrackSelected(track=track, at=draft.now))
    judged = draft.judge(track, finding.noted, SEEN)
    draft.enter(judged, said.heard.model_copy(update={"doubt": None}))
    if finding.steps:
        first = finding.steps[0].id
        moving.ask_aside(draft, track, finding.id, judged.candidate.round, first)


def reason_here(state: CaseState) -> str:
    """What was found, as the reason of what is done about it at its step."""
    assert state.step is not None
    return state.protocol.finding_of[state.step.id].title.lower()
