"""A set-up as the case will read it back, before it has begun."""

from __future__ import annotations

from assistant.case.prepared import SetUp, rehearsed
from assistant.progress import events as ev
from assistant.progress.state import CASE
from assistant.prompt.wording import respond
from assistant.protocol.model import Protocol
from assistant.protocol.own_instruments import PluggerFile
from assistant.words.sayings import Wording


def read_back(
    set_up: SetUp, protocol: Protocol, own: PluggerFile | None, wording: Wording
) -> list[str]:
    """The set-up as the case will read it back, with what its rules will say: a line for the
    case and one for each canal; ``own`` is the set of pluggers."""
    state, events = rehearsed(set_up, protocol, own)
    lines: dict[str, list[str]] = {}
    here = CASE
    for event in events:
        track = _told_of(event, state.protocol)
        if isinstance(event, ev.TrackSelected):
            here = event.track
        elif isinstance(event, ev.ConfirmAsked):
            lines.setdefault(here, []).append(event.pending.why)
        elif track is not None:
            said = [prompt.text for prompt in respond((event,), state, wording)]
            lines.setdefault(track, []).extend(_unnamed(one, track) for one in said)
    return [
        f"{'Case' if track == CASE else track.capitalize()}: {' '.join(said)}"
        for track, said in lines.items()
    ]


def _unnamed(said: str, track: str) -> str:
    """A read-back without the name of its canal, which stands before the whole line."""
    text = said.removeprefix(f"{track.capitalize()}: ")
    return text[:1].upper() + text[1:]


def _told_of(event: ev.AnyEvent, protocol: Protocol) -> str | None:
    """The track whose line an event belongs to; None for the answers to the readiness
    questions, which the rehearsal gave itself, and for what only leads on."""
    match event:
        case ev.CasePrepared() | ev.ConditionNoted():
            return CASE
        case ev.EntryMade(entry=entry) if protocol.by_id[entry.step].expect.kind != "choice":
            return entry.track
        case ev.EntryMade(entry=entry):
            return None if entry.track == CASE else entry.track
        case ev.Warned(warning=warning):
            return warning.track
        case ev.Refused(rejected=rejected):
            return rejected.track
    return None
