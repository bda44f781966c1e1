"""Keeps what :mod:`assistant.progress.beside` lets be kept: each remark an event of its own."""

from __future__ import annotations

from assistant.procedure.draft import Draft
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.beside import meant
from assistant.progress.entries import Noted, Remark
from assistant.protocol.conditions import Condition


def keep(draft: Draft, intent: it.Beside) -> None:
    """Put it on record."""
    match intent:
        case it.Remark(text=text):
            _add(draft, intent, text)
        case it.CorrectRemark(text=text, number=number):
            old = meant(draft.state, number)
            assert old is not None
            _add(draft, intent, text, replaces=old)
        case it.Note(condition=condition, text=text):
            note(draft, condition, text, intent.heard)
        case it.DropRemark(number=number):
            old = meant(draft.state, number)
            assert old is not None
            draft.add(ev.RemarkDropped(seq=old.seq, at=draft.now))


def note(draft: Draft, condition: Condition, text: str, heard: it.Heard) -> None:
    """Put a material or condition on record."""
    noted = Noted(
        condition=condition,
        text=" ".join(text.split()),
        by=draft.person(),
        role=draft.state.who,
        channel=heard.channel,
        at=draft.now,
    )
    draft.add(ev.ConditionNoted(noted=noted))


def _add(
    draft: Draft,
    intent: it.Beside,
    text: str,
    replaces: Remark | None = None,
) -> None:
    here = draft.state.here
    remark = Remark(
        seq=len(draft.state.dictated) + 1,
        track=replaces.track if replaces else here.name,
        step=replaces.step if replaces else here.step,
        text=" ".join(text.split()),
        by=draft.person(),
        role=draft.state.who,
        channel=intent.heard.channel,
        at=draft.now,
        replaces=replaces.seq if replaces else None,
    )
    draft.add(ev.RemarkMade(remark=remark))
