"""Values, places and times as they are written in a report.

Every value carries a mark in square brackets that says where it came from;
:data:`LEGEND` explains them.
"""

from __future__ import annotations

import unicodedata
from datetime import datetime

from assistant.progress.entries import CaseChange, Entry
from assistant.progress.facts import text_of
from assistant.progress.intents import Scalar
from assistant.progress.state import CASE, CaseState
from assistant.protocol.moment import Moment
from assistant.words.sayings import said_value

LEGEND = (
    "[d] dictated; [k] typed, key or pedal; [c] computed by the program and accepted; "
    "[t] timed by the program; * confirmed explicitly; a entered by the chairside "
    "assistant; ! not read back to the room."
)

_PREPARED = "[p] prepared before it was asked, or as in another canal of the tooth; "
"""Explained only where it occurs."""

JOINERS = "\u200c\u200d"
"""Invisible, but names in some scripts are misspelt without them."""

UNRECORDED = "not recorded"


def plain(text: str) -> str:
    """Free text made safe to stand in a line: one line, no control characters.

    A line break in a dictated or typed text must not look like a line of the
    note; what cannot be shown becomes U+FFFD, so that its absence is seen.
    """
    spaced = " ".join(text.split())
    return "".join("\ufffd" if _hidden(c) else c for c in spaced)


def _hidden(character: str) -> bool:
    if character in JOINERS:
        return False
    return unicodedata.category(character) in {"Cc", "Cf", "Cs", "Co"}


def value_text(kind: str | None, value: Scalar) -> str:
    """A value of a kind (:data:`.state.KIND_OF`) with its unit: ``16 mm``, ``5 s``,
    ``030``, ``.06``, ``buccal cusp``."""
    if isinstance(value, str | tuple):
        return plain(said_value(kind, value))
    if kind in {"mm", "s"}:
        return f"{text_of(float(value))} {kind}"
    if kind == "size":
        return f"{int(value):03d}"
    return said_value(kind, value)


def entry_text(state: CaseState, entry: Entry) -> str:
    """The value of an entry, see :func:`value_text`."""
    return value_text(state.kind(entry), entry.value)


def mark(state: CaseState, entry: Entry) -> str:
    """Where a value came from, as one bracket; see :func:`legend`."""
    channels = dict.fromkeys(("typed", "key", "pedal"), "k") | {"prepared": "p"}
    said = channels.get(entry.heard.channel, "d")
    letter = {"said": said, "computed": "c", "timed": "t"}[entry.origin]
    confirmed = "*" if entry.confirmed else ""
    other = "a" if state.person_role(entry) == "chairside" else ""
    unheard = "!" if entry.unheard else ""
    return f"[{letter}{confirmed}{other}{unheard}]"


def legend(state: CaseState) -> str:
    """What the marks of a case mean."""
    told = (
        *(entry.heard.channel for entry in state.entries),
        *(n.channel for n in state.conditions),
    )
    any_prepared = "prepared" in told
    return (_PREPARED if any_prepared else "") + LEGEND


def marked(state: CaseState, entry: Entry) -> str:
    """A value with its mark: ``16 mm [d]``."""
    return f"{entry_text(state, entry)} {mark(state, entry)}"


def heard(text: str) -> str:
    """Words as they were heard, in quotes; or that none were kept."""
    kept = plain(text)
    return f'heard "{kept}"' if kept else "no words kept"


def track_title(track: str) -> str:
    """A canal's name, or ``Case``."""
    return "Case" if track == CASE else plain(track).capitalize()


def place(state: CaseState, track: str, step: str | None, round_: int | None = None) -> str:
    """Canal and step, with the number of the round (if given) inside a loop."""
    name = track_title(track)
    try:
        found = state.protocol.by_id[step or ""]
    except KeyError:  # a finished canal has no step
        return name
    if round_ is not None and found.loop:
        return f"{name}, {found.title}, {found.loop} {round_}"
    if round_ is not None and found.expect.kind == "readings":
        return f"{name}, {found.title}, reading {round_}"
    return f"{name}, {found.title}"


def change_text(change: CaseChange, *, named: bool = True) -> str:
    """A change of the case, or what is done again, with its reason; what is done again
    can be told without the name of its canal."""
    canal, to = plain(change.canal or ""), plain(change.to or "")
    left = text_of(change.mm)
    what = {
        "found": f"{canal} canal found during the treatment",
        "joins": f"{canal} canal joins the {to} canal at {left} mm; filled to there",
        "separate": f"{canal} canal does not join another",
        "absent": f"{canal} canal is not there",
        "renamed": f"{canal} canal named {to} from here on, with all it has",
        "tooth": f"tooth put right to {change.tooth}",
        "post": f"{canal} canal: a post is planned after all",
        "again": f"{to.lower()} done again",
        "reheated": "heated once more",
        "replaced": "master cone replaced",
        "removed": "fill removed" if change.mm is None else f"fill removed to {left} mm",
        "film": "radiograph taken again",
    }[change.what]
    if named and change.what in {"again", "reheated", "replaced", "removed", "film"}:
        what = f"{canal} canal: {what}" if canal else what
    return f"{what}: {plain(change.reason)}" if change.reason else what


def date_time(at: Moment) -> str:
    """The time on the wall where it happened, with its zone, to the second."""
    return f"{at.wall:%Y-%m-%d %H:%M:%S} {zone(at)}"


def zone(at: Moment) -> str:
    """``UTC+02:00``."""
    return f"UTC{at.wall:%z}"[:6] + ":" + f"{at.wall:%z}"[3:5]


def clock(state: CaseState, at: Moment) -> str:
    """Time of day; with date and zone when they are not those the case was opened at."""
    same_day = _day(at.wall) == _day(state.opened.wall)
    told = f"{at.wall:%H:%M:%S}" if same_day else f"{at.wall:%Y-%m-%d %H:%M:%S}"
    return told if zone(at) == zone(state.opened) else f"{told} {zone(at)}"


def _day(wall: datetime) -> tuple[int, int, int]:
    return wall.year, wall.month, wall.day


def newest_moment(state: CaseState) -> Moment:
    """When the last thing happened that the state knows of."""
    moments = [state.opened]
    moments += [entry.at for entry in state.entries]
    moments += [warning.at for warning in state.warnings]
    moments += [skipped.at for skipped in state.skipped]
    moments += [rejected.at for rejected in state.rejected]
    moments += [at for at, _ in state.interruptions]
    moments += [noted.at for noted in state.conditions]
    moments += [visit.ended for visit in state.visits]
    moments += [remark.at for remark in state.dictated]
    moments += [takeover.at for takeover in state.takeovers]
    moments += [change.at for change in state.changes]
    moments += [addendum.at for addendum in state.addenda]
    moments += [state.signed] if state.signed else []
    return max(moments, key=lambda moment: moment.wall)
