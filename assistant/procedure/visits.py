"""A case that is closed for today, with its dressing and plan, and gone on with another day.

It is asked about like the signature, and signed as a visit; what was done stands, and
nothing more is taken until the case is opened again, or resumed.
"""

from __future__ import annotations

from assistant.procedure.draft import Draft
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.entries import Visit
from assistant.progress.state import VISIT, Pending


def ask_to_close(draft: Draft, intent: it.CloseVisit) -> None:
    """Read dressing and plan back, and ask."""
    draft.drop_pending("said again")
    told = tuple(" ".join((text or "").split()) for text in (intent.dressing, intent.plan))
    dressing, plan = told
    why = f"Closed for today: {dressing}; plan: {plan}. Signed by {draft.state.operator}."
    pending = Pending(
        kind="option",
        quantity=VISIT,
        value=told,
        corrects=None,
        heard=intent.heard,
        why=why,
    )
    draft.add(ev.ConfirmAsked(pending=pending, at=draft.now))


def close(draft: Draft, pending: Pending) -> None:
    """The confirmed end of a visit."""
    assert isinstance(pending.value, tuple)
    dressing, plan = pending.value
    state = draft.state
    visit = Visit(
        number=len(state.visits) + 1,
        began=state.visit_began or state.opened,
        ended=draft.now,
        signed_by=state.operator,
        assistant=state.assistant,
        dressing=dressing,
        plan=plan,
        entries=len(state.entries),
        heard=pending.heard,
    )
    draft.add(ev.VisitEnded(visit=visit))
