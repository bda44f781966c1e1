"""Who worked on a case and who signed it, as a report has it."""

from __future__ import annotations

from assistant.progress.entries import PersonRole, Seal
from assistant.progress.people import operators, signer
from assistant.progress.state import CaseState
from assistant.report.marks import clock, plain


def in_turn(state: CaseState, role: PersonRole) -> str:
    """Who operated, or assisted, one after another: ``A until 14:20:00, then B``; empty
    where nobody was named."""
    turns = [one for one in state.takeovers if one.role == role]
    named = [f"{plain(one.before)} until {clock(state, one.at)}" for one in turns if one.before]
    now = plain(state.operator if role == "operator" else state.assistant)
    if turns and not named:
        now += f" from {clock(state, turns[0].at)}"
    return ", then ".join([*named, now])


def signed_by(state: CaseState) -> str:
    """Who signed, and for whom where others operated too, or alone."""
    name = signer(state) or ""
    who = plain(name) or "an operator whose name was not given"
    worked = operators(state)
    others = [plain(one) for one in worked if one != name]
    if not others:
        return who
    did = "" if name in worked else ", who did not operate,"
    return f"{who}{did} for the work of {' and '.join([who] * (not did) + others)}"


def of_another_name(state: CaseState, seal: Seal) -> str:
    """That a key of another name than that of who signed was used; empty where it was not.

    The name of a certificate is what stands in it as the common name.
    """
    name = signer(state)
    if not seal.jws or name is None or same_name(seal.by or "", name):
        return ""
    return f"; THE KEY IS OF ANOTHER NAME than who signed, {plain(name)}"


def same_name(of_key: str, name: str) -> bool:
    """Whether a key's name is a person's: alike but for case and spaces."""
    common = (part[3:] for part in of_key.split(",") if part.upper().startswith("CN="))
    wanted = " ".join(name.split()).casefold()
    return wanted in {" ".join(one.split()).casefold() for one in (of_key, *common)}
