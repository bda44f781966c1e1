"""What follows from a state: lengths in force, limits, the level of the fill, branches.

Nothing here is stored; it is computed again from the entries whenever it is
asked for, so a correction reaches everything that depends on it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from assistant.canal import instruments, lengths, teeth
from assistant.progress.entries import Entry
from assistant.progress.intents import Scalar
from assistant.progress.state import CaseState
from assistant.protocol.expect import SuggestionName, Timed
from assistant.protocol.limits import NotGivenError
from assistant.protocol.model import FactName, Option, Protocol, Step
from assistant.protocol.roles import TOPS, Role

UNKNOWN = "unknown"
"""Stands for a value that is not there, in what is said and written."""

EPSILON_MM = 1e-6
"""Lengths are exact to 0.1 mm; comparisons must not trip over the binary fraction."""


def as_number(value: Scalar) -> float | None:
    """A value if it is a number, else None."""
    return None if isinstance(value, str | tuple) else float(value)


def number(entry: Entry | None) -> float | None:
    """The value of an entry if it is a number, else None."""
    return None if entry is None else as_number(entry.value)


def planned_s(state: CaseState, entry: Entry) -> float | None:
    """How long a timed act was to take: what its timer counted to, else its step's limit;
    None of what is not timed."""
    expect = state.protocol.by_id[entry.step].expect
    if not isinstance(expect, Timed):
        return None
    return entry.target_s or state.protocol.limit(expect.limit)


def wl_mm(state: CaseState, track: str) -> float | None:
    """Length that is filled: the final working length if there is one, else the
    provisional; of a canal that joins another no more than down to the junction."""
    final = number(state.last(track, Role.FINAL_LENGTH))
    length = final if final is not None else number(state.last(track, Role.WORKING_LENGTH))
    joins = state.track(track).joins if track in {t.name for t in state.tracks} else None
    known = [mm for mm in (length, joins.at_mm if joins else None) if mm is not None]
    return min(known, default=None)


def wl_is_final(state: CaseState, track: str) -> bool:
    """Whether the working length in force is the final one."""
    return state.newest(track, Role.FINAL_LENGTH) is not None


def depth_limit_mm(state: CaseState, track: str) -> float | None:
    """Deepest allowed plugger or heat-carrier depth, None while no length is known."""
    wl, short = wl_mm(state, track), state.protocol.limits.short_of_wl_mm
    if wl is None or short is None:
        return None
    return lengths.depth_limit_mm(wl, short.value)


def readings_mm(state: CaseState, track: str) -> tuple[float, ...]:
    """The newest paper-point readings, as many as the protocol wants to agree.

    Only the newest count: after a disagreement, a fresh run of readings can
    agree even though a stray one stays on the record.
    """
    every = [number(entry) for entry in state.in_sequence(track, Role.PAPER_POINT)]
    return newest_readings(state.protocol, [value for value in every if value is not None])


def newest_readings(protocol: Protocol, every: Sequence[float]) -> tuple[float, ...]:
    """Of readings in their order those that count: as many as ought to agree, or all
    where the protocol does not say how many."""
    wanted = protocol.limits.readings_min
    return tuple(every if wanted is None else every[-int(wanted.value) :])


def readings_done(protocol: Protocol, readings: Sequence[float]) -> bool:
    """Whether those that count are as many as ought to agree, and do, as far as the
    protocol says so."""
    wanted, within = protocol.limits.readings_min, protocol.limits.readings_agree_mm
    if not readings or (wanted is not None and len(readings) < wanted.value):
        return False
    return within is None or lengths.readings_agree(readings, within.value)


def apex_locator_mm(state: CaseState, track: str) -> float | None:
    """What the electronic apex locator gave, None if nothing or nothing yet."""
    return number(state.last(track, Role.APEX_LOCATOR))


def fill_top_mm(state: CaseState, track: str, before: int | None = None) -> float | None:
    """Depth of the top of the fill, by what was dictated so far; None before the sear.

    The sear, each compaction and a removal set it, each backfill increment raises it by
    its length (compaction shrinks it a little; that is not computed here). A
    value corrected late counts in its own place. ``before`` ends the account
    at that place (:meth:`CaseState.place`) of the sequence.
    """
    top: float | None = None
    for entry in state.in_sequence(track):
        value = number(entry)
        if value is None:
            continue
        if before is not None and state.place(entry) >= before:
            break
        role = state.role(entry)
        if role in TOPS or role is Role.REMOVED_TO:
            top = value
        elif role is Role.INCREMENT and top is not None:
            top = lengths.level_after_increment_mm(top, value)
    return top


def cycle_top_mm(state: CaseState, track: str, round_: int) -> float | None:
    """Depth of the fill that a downpack cycle began on, in whatever order its depths were
    told: where the cycle before left it, or a removal since; else where the cone was seared
    or cut off."""
    compacted = [e for e in state.in_sequence(track, Role.COMPACTION) if e.round < round_]
    started = (state.last(track, role) for role in (Role.SEAR, Role.CUT_OFF))
    tops = [e for e in (*reversed(compacted), *started) if number(e) is not None]
    left, removed = tops[0] if tops else None, state.last(track, Role.REMOVED_TO)
    if removed is not None:
        place = state.place(removed)
        begun = (e for role in CYCLE for e in state.in_sequence(track, role))
        after = all(state.place(e) > place for e in begun if e.round == round_)
        if after and (left is None or state.place(left) < place):
            left = removed
    return number(left)


CYCLE = (Role.HEAT, Role.HEAT_DEPTH, Role.COMPACTION, Role.PRESS)
"""What is told of one downpack cycle."""


def fill_before_mm(
    state: CaseState, track: str, step: Step, round_: int, place: int | None
) -> float | None:
    """Depth of the fill that a depth was told on: of a cycle that on which it began, else
    by what stands before its place."""
    if step.role in {Role.HEAT_DEPTH, Role.COMPACTION}:
        return cycle_top_mm(state, track, round_)
    return fill_top_mm(state, track, place)


PLUGGERS = (Role.CORONAL_PLUGGER, Role.MIDDLE_PLUGGER, Role.APICAL_PLUGGER)
"""In the order of how deep they go."""


def out_of_order(state: CaseState, track: str, step: Step, depth_mm: float) -> Entry | None:
    """The fitted plugger that goes less deep than one before it, were ``depth_mm`` that of
    ``step``; None where the order holds."""
    if step.role not in PLUGGERS:
        return None
    here = PLUGGERS.index(step.role)
    for i, role in enumerate(PLUGGERS):
        entry = state.last(track, role)
        other = number(entry)
        if other is None or i == here:
            continue
        shallow, deep = (other, depth_mm) if i < here else (depth_mm, other)
        if shallow > deep + EPSILON_MM:
            return entry
    return None


def advance_mm(state: CaseState, track: str, depth_mm: float, round_: int) -> float | None:
    """How far the heat carrier went into the fill of its cycle."""
    top = cycle_top_mm(state, track, round_)
    return None if top is None else lengths.round_mm(depth_mm - top)


def apical_seal_mm(state: CaseState, track: str) -> float | None:
    """Length of the fill left under a post, None while no post level is known."""
    wl, level = wl_mm(state, track), number(state.newest(track, Role.POST_LEVEL))
    return None if wl is None or level is None else lengths.apical_seal_mm(wl, level)


def new_tip_mm(state: CaseState, track: str) -> float | None:
    """Tip diameter of the master cone after the cut back, mm: D0 + taper x cut, or by the
    table of the practice's own point.

    None while something is unknown, or for a size that points are not made in.
    """
    size = number(state.last(track, Role.CONE_SIZE))
    taper = number(state.last(track, Role.CONE_TAPER))
    cut = number(state.last(track, Role.CUT_BACK))
    if size is None or taper is None or cut is None:
        return None
    own = state.instruments and state.instruments.point(int(size), taper)
    try:
        if own:
            return own.cut_back(cut).tip_mm
        return instruments.tip_after_cut_mm(int(size), taper, cut)
    except ValueError:
        return None  # a size points are not made in: no tip to compute


def handbook_plausible(state: CaseState, length_mm: float) -> bool:
    """Whether a length is believable for this tooth; True while the tooth is unknown."""
    if state.tooth is None:
        return True
    return teeth.length_plausible(teeth.parse_fdi(state.tooth), length_mm)


def odd_canals(state: CaseState, named: Scalar) -> str | None:
    """What is odd about the canals named for this tooth: the first that handbooks do
    not give it, else those that do not go together; or None."""
    if state.tooth is None or not isinstance(named, tuple):
        return None
    tooth = teeth.parse_fdi(state.tooth)
    possible = teeth.possible_canals(tooth)
    if (odd := next((canal for canal in named if canal not in possible), None)) is not None:
        return f"{odd} canal"
    clashing = teeth.clashing_canals(tooth, named)
    return f"{' and '.join(clashing)} together" if clashing else None


def suggestion(state: CaseState, track: str, name: SuggestionName) -> float | None:
    """The value the program offers at a step, None when it lacks the data."""
    if name == "final_length":
        readings = readings_mm(state, track)
        if not readings:  # no paper point could be read: the other reading there is
            return apex_locator_mm(state, track)
        return lengths.final_length_mm(readings).centre_mm
    cone = number(state.last(track, Role.CONE_LENGTH))
    wl = wl_mm(state, track)
    if cone is None or wl is None:
        return None
    # A cone that is short cannot be cut to length; the cone-short rule says so.
    return max(0.0, lengths.cut_back_mm(cone, wl))


def holds(state: CaseState, track: str) -> Callable[[str], bool]:
    """The facts of one canal, by name, for the step machine.

    A fact about something unknown (a skipped depth, a limit that is not given) is
    false, so that no loop can trap a canal whose numbers are missing.
    """
    limits = state.protocol.limit

    def readings_wanted() -> bool:
        return len(readings_mm(state, track)) < limits("readings_min")

    def readings_disagree() -> bool:
        readings = readings_mm(state, track)
        return bool(readings) and not lengths.readings_agree(
            readings, limits("readings_agree_mm")
        )

    def downpack_short() -> bool:
        depth = number(state.last(track, Role.COMPACTION))
        limit = depth_limit_mm(state, track)
        if depth is None or limit is None:
            return False
        return depth < limit - limits("at_limit_within_mm") - EPSILON_MM

    def backfill_short() -> bool:
        top = fill_top_mm(state, track)
        coronal = number(state.last(track, Role.CORONAL_LEVEL))
        if top is None or coronal is None:
            return False
        return top > coronal + limits("level_within_mm") + EPSILON_MM

    def post_planned() -> bool:
        entry = state.last(track, Role.POST_PLANNED)
        return entry is not None and entry.value == "yes"

    table: dict[FactName, Callable[[], bool]] = {
        "always": lambda: True,
        "readings_wanted": readings_wanted,
        "readings_disagree": readings_disagree,
        "downpack_short": downpack_short,
        "downpack_complete": lambda: not downpack_short(),
        "backfill_short": backfill_short,
        "backfill_complete": lambda: not backfill_short(),
        "post_planned": post_planned,
    }

    def fact(name: str) -> bool:
        try:
            return table[name]()  # type: ignore[index]
        except NotGivenError:
            return False

    return fact


def option_of(step: Step, option: str) -> Option | None:
    """The step's option of that id, or None."""
    return next((o for o in step.options if o.id == option), None)


def stays(step: Step, option: str) -> bool:
    """Whether choosing this option asks the same step again."""
    found = option_of(step, option)
    return found is not None and found.to is not None and step.target(found.to) == step.id


def text_of(value: float | None) -> str:
    """A number as it is written and said: no trailing zero, "unknown" for None.

    To ``EPSILON_MM``: what is read back is the value that is on record, however many
    digits it was typed with.
    """
    if value is None:
        return UNKNOWN
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
