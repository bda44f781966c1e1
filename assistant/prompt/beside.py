"""What is said about who works on the case, and about what is kept beside the steps."""

from __future__ import annotations

import re
from collections.abc import Iterator

from assistant.progress import events as ev
from assistant.progress.beside import missing_conditions
from assistant.progress.state import CaseState
from assistant.prompt.prompts import Prompt, Urgency
from assistant.protocol.conditions import name_of
from assistant.words.sayings import Wording


def about_beside(event: ev.AnyEvent, after: CaseState, words: Wording) -> Iterator[Prompt]:
    """Read back at once; no question of the case waits for it."""
    notice = words.notices
    match event:
        case ev.SpeakerNamed(who=who):
            yield Prompt(notice["speaker"].format(who=who), Urgency.READ_BACK)
        case ev.TakenOver(takeover=takeover):
            name = takeover.name
            text = notice[f"takeover_{takeover.role}"].format(name=name)
            yield Prompt(text, Urgency.READ_BACK, _unless_urgent(name, notice["shown"], words))
        case ev.ConditionNoted(noted=noted):
            text = notice["condition"].format(name=name_of(noted.condition), text=noted.text)
            spoken = _unless_urgent(noted.text, notice["shown"], words)
            yield Prompt(text, Urgency.READ_BACK, "" if after.timer else spoken)
        case ev.ConfirmAsked(pending=pending) if pending.quantity == "signature":
            if missing := missing_conditions(after):
                names = ", ".join(name_of(one).lower() for one in missing)
                yield Prompt(
                    notice["conditions_missing"].format(names=names),
                    Urgency.CAUTION,
                    notice["conditions_missing_spoken"].format(count=len(missing)),
                )
        case ev.VisitEnded(visit=visit):
            told = {"name": visit.signed_by, **visit.model_dump()}
            text = notice["visit_ended"].format_map(told)
            free = f"{visit.dressing} {visit.plan} {visit.signed_by}"
            yield Prompt(text, Urgency.READ_BACK, _unless_urgent(free, notice["shown"], words))
        case ev.CaseReopened(since=since) if since:
            yield Prompt(since, Urgency.CAUTION)
        case ev.RemarkMade(remark=remark):
            text = notice["remark"].format(number=remark.seq, text=remark.text)
            spoken = _unless_urgent(remark.text, notice["shown"], words)
            # While a timer runs "heat off" must find the room quiet.
            yield Prompt(text, Urgency.READ_BACK, "" if after.timer else spoken)
        case ev.RemarkDropped(seq=seq):
            text = notice["remark_dropped"].format(number=seq)
            yield Prompt(text, Urgency.READ_BACK, "" if after.timer else None)


def _unless_urgent(text: str, instead: str, words: Wording) -> str | None:
    """What is said instead of a free text that holds an urgent word, which the program could
    hear itself say; None for any other text."""
    urgent = words.phrases.urgent
    said = set(re.findall(r"\w+", text.lower()))
    return instead if said & (urgent.always | urgent.in_timer) else None
