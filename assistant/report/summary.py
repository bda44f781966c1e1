"""Each canal in a few lines, as a chart has it; the rows in full stand in :mod:`.rows`."""

from __future__ import annotations

from collections.abc import Iterator

from assistant.progress.entries import Entry
from assistant.progress.facts import fill_top_mm, new_tip_mm, text_of, wl_is_final
from assistant.progress.state import CaseState
from assistant.protocol.roles import Role
from assistant.report import rounds
from assistant.report.found import found
from assistant.report.marks import UNRECORDED, marked, plain, track_title
from assistant.report.rows import NoteRow, joined, stands_at


def summary_row(state: CaseState, canal: str) -> NoteRow:
    """What was done in a canal; whatever the technique asks and nobody gave is missing."""
    return NoteRow(track_title(canal), "; ".join(_parts(state, canal)) + ".")


def _parts(state: CaseState, canal: str) -> Iterator[str]:
    here = state.track(canal)
    if here.closed is not None:
        yield f"NOT THERE: {plain(here.closed)}"
        return
    if not here.finished:
        yield f"NOT FINISHED, stands at: {stands_at(state, here)}"
    if here.joins is not None:
        yield f"joins {joined(here.joins)}"
    final = wl_is_final(state, canal)
    length = state.newest(canal, Role.FINAL_LENGTH if final else Role.WORKING_LENGTH)
    point = state.newest(canal, Role.REFERENCE_POINT)
    yield (
        f"{'' if final else 'provisional '}working length {_given(state, length)}"
        f" from {_given(state, point)}"
    )
    yield from _listed(state, canal, "prepared to", Role.APICAL_SIZE, Role.TAPER)
    yield from _listed(state, canal, "master cone", Role.CONE_SIZE, Role.CONE_TAPER)
    tip = new_tip_mm(state, canal)
    cut = "" if tip is None else f" (tip then {tip:.2f} mm, computed)"
    yield from (part + cut for part in _listed(state, canal, "cut back", Role.CUT_BACK))
    yield from _listed(state, canal, "sealer coat complete:", Role.SEALER)
    cycles = [one for one in rounds.cycles(state, canal) if one.values or one.acts]
    if _asks(state, Role.HEAT):
        top = state.newest(canal, Role.COMPACTION)
        yield f"downpack: {len(cycles)} cycles, last to {_given(state, top)}"
    increments = [one for one in rounds.increments(state, canal) if one.values or one.acts]
    if _asks(state, Role.INCREMENT) and state.newest(canal, Role.POST_LEVEL) is None:
        level = fill_top_mm(state, canal) if increments else None
        filled = "" if level is None else f", fill at {text_of(level)} mm (computed)"
        yield f"backfill: {len(increments)} increments{filled}"
    yield from _listed(state, canal, "stopped at the post level,", Role.POST_LEVEL, asked=False)
    yield from _listed(state, canal, "level reached:", Role.FILL_LEVEL, asked=False)
    if findings := [title for title, _ in found(state, canal)]:
        yield f"found: {', '.join(findings).lower()}"
    if skipped := [one for one in state.skipped if one.track == canal]:
        titles = dict.fromkeys(state.protocol.by_id[one.step].title for one in skipped)
        yield f"skipped: {', '.join(titles)}"


def _listed(
    state: CaseState, canal: str, words: str, *roles: Role, asked: bool = True
) -> Iterator[str]:
    """The values of some roles; what was ``asked`` and not given is told to be missing."""
    given = [state.newest(canal, role) for role in roles if _asks(state, role)]
    if any(given) or (asked and given):
        yield f"{words} {' '.join(_given(state, entry) for entry in given)}"


def _given(state: CaseState, entry: Entry | None) -> str:
    return marked(state, entry) if entry else UNRECORDED


def _asks(state: CaseState, role: Role) -> bool:
    return any(step.role is role for step in state.protocol.canal)
