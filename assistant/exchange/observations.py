"""Entries of a case, and what is computed from them, as FHIR Observations.

One Observation an entry, undone and corrected ones too, since warnings point at them:

==================================  =========================================
the entry                           status
==================================  =========================================
stands, note signed                 ``final``
stands, note not signed             ``preliminary``
replaced, the step was done again   as one that stands, with a note
replaced by a correction, undone    ``entered-in-error``, with a note
==================================  =========================================

What the program computed from entries is an Observation with ``method`` and
``derivedFrom``, made by the Device that is the program: depth limit, what the paper
points agree on, tip after the cut back, level of the fill, apical seal, and for each heat
cycle what conduction alone predicts. Nothing of that was measured, no temperature least.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any

from assistant.canal import lengths
from assistant.canal.heat_live import LiveHeat
from assistant.exchange import codes
from assistant.exchange.codes import COUNT, KELVIN, MM, SECOND, Unit, amount, concept, span
from assistant.exchange.maker import ENCOUNTER, PATIENT, PROGRAM, Maker, Resource, notes, when
from assistant.progress import facts
from assistant.progress.entries import Entry
from assistant.progress.facts import number, text_of
from assistant.protocol.roles import TOPS, Role
from assistant.report import rounds
from assistant.report.computed import computed
from assistant.report.marks import entry_text, place, plain

CATEGORY = {
    "coding": [
        {
            "system": "http://terminology.hl7.org/CodeSystem/observation-category",
            "code": "procedure",
            "display": "Procedure",
        }
    ]
}

_CODE = re.compile(r"[^\s]+(\s[^\s]+)*")
_LEVELS = TOPS | {Role.REMOVED_TO, Role.INCREMENT}


def of_entries(make: Maker) -> Iterator[Resource]:
    """An Observation for each entry, in order."""
    for entry in make.state.entries:
        yield _entry(make, entry)


def of_computed(make: Maker) -> Iterator[Resource]:
    """Observations of what is computed for each canal, in order."""
    for track in make.state.canals:
        yield from _lengths(make, track.name)
        yield from _levels(make, track.name)
        yield from _heat(make, track.name)


def _entry(make: Maker, entry: Entry) -> Resource:
    state = make.state
    what = place(state, entry.track, entry.step, entry.round)
    timed = entry.origin != "said"
    return make.resource(
        "Observation",
        f"entry/{entry.seq}",
        partOf=[make.procedure(entry.track)],
        status=_status(make, entry),
        category=[CATEGORY],
        code=concept(codes.QUANTITY, entry.quantity, what),
        subject=make.ref(PATIENT),
        encounter=make.ref(ENCOUNTER),
        effectiveDateTime=when(entry.at),
        performer=[make.person(entry.by)],
        **_value(entry, state.kind(entry)),
        note=notes(_remarks(make, entry)),
        bodySite=make.site(entry.track),
        method=concept(codes.ORIGIN, entry.origin, codes.ORIGINS[entry.origin]),
        device=make.ref(PROGRAM) if timed else None,
    )


def _status(make: Maker, entry: Entry) -> str:
    successor = rounds.replacement(make.state, entry)
    corrected = successor is not None and successor.correction
    wrong = entry.standing == "undone" or corrected
    return "entered-in-error" if wrong else make.settled


def _value(entry: Entry, kind: str | None) -> dict[str, Any]:
    value = entry.value
    if isinstance(value, tuple):
        return {"valueString": plain(", ".join(value))}
    if entry.quantity == "signature":
        return {"valueString": plain(str(value)) or "(no name given)"}
    if isinstance(value, str):
        text = plain(value.replace("_", " ")) or "(empty)"
        coded = _CODE.fullmatch(value) and plain(value) == value
        return {
            "valueCodeableConcept": concept(codes.OPTION, value, text)
            if coded
            else {"text": text}
        }
    if kind == "tooth":
        return {"valueCodeableConcept": codes.tooth_site(int(value))}
    return {"valueQuantity": amount(value, codes.UNIT_OF.get(kind))}


def _remarks(make: Maker, entry: Entry) -> Iterator[str]:
    state = make.state
    for warning in state.warnings:
        if warning.entry == entry.seq:
            yield plain(f"Warning ({warning.severity}): {warning.text}")
    if entry.confirmed:
        yield "Confirmed explicitly."
    if entry.unheard:
        yield "Not read back to the room."
    if entry.cut_short:
        yield "Ended before its time."
    if entry.replaces is not None:
        old = state.entries[entry.replaces - 1]
        why = "a correction" if entry.correction else "the step was done again"
        yield f"Stands in for {entry_text(state, old)}: {why}."
    if (successor := rounds.replacement(state, entry)) is not None:
        why = "corrected to" if successor.correction else "done again, then"
        yield f"Replaced: {why} {entry_text(state, successor)}."
    elif entry.standing == "undone":
        yield "Taken back."
    elif entry.standing == "superseded":
        yield "That part of the filling was done again later."


# -- what is computed ---------------------------------------------------------


def _computed(
    make: Maker,
    canal: str,
    key: str,
    text: str,
    basis: Sequence[Entry | None],
    method: str,
    **value: object,
) -> Resource:
    entries = sorted({entry.seq: entry for entry in basis if entry}.values(), key=_seq)
    newest = max(entries, key=lambda entry: entry.at.wall)
    return make.resource(
        "Observation",
        f"computed/{canal}/{key}",
        partOf=[make.procedure(canal)],
        status=make.settled,
        category=[CATEGORY],
        code=concept(codes.COMPUTED, key.split("/", maxsplit=1)[0], text),
        subject=make.ref(PATIENT),
        encounter=make.ref(ENCOUNTER),
        effectiveDateTime=when(newest.at),
        bodySite=make.site(canal),
        method={"text": f"Computed by the program: {method}."},
        device=make.ref(PROGRAM),
        derivedFrom=[make.ref(f"entry/{entry.seq}") for entry in entries],
        **value,
    )


def _seq(entry: Entry) -> int:
    return entry.seq


def _mm(value: float | None) -> dict[str, object] | None:
    return None if value is None else {"valueQuantity": amount(value, MM)}


def _lengths(make: Maker, canal: str) -> Iterator[Resource]:
    state = make.state
    length = _length(make, canal)
    if (value := _mm(facts.depth_limit_mm(state, canal))) and length:
        short = text_of(state.protocol.limit("short_of_wl_mm"))
        how = f"the working length less {short} mm, the protocol's limit"
        name = "Deepest allowed plugger or heat carrier"
        yield _computed(make, canal, "depth-limit", name, [length], how, **value)
    if readings := facts.readings_mm(state, canal):
        found = lengths.final_length_mm(readings)
        every = state.in_sequence(canal, Role.PAPER_POINT)
        basis = [one for one in every if facts.number(one) is not None][-len(readings) :]
        component = [
            _part(
                "spread", "Spread of the readings", valueQuantity=amount(found.spread_mm, MM)
            ),
            _part("readings", "Number of readings", valueQuantity=amount(found.n, COUNT)),
        ]
        yield _computed(
            make,
            canal,
            "paper-points",
            "Length by the paper points that count",
            basis,
            "median of the newest readings",
            valueQuantity=amount(found.centre_mm, MM),
            component=component,
        )
    if value := _mm(facts.new_tip_mm(state, canal)):
        parts = (Role.CONE_SIZE, Role.CONE_TAPER, Role.CUT_BACK)
        cut = [state.last(canal, role) for role in parts]
        how = "size of the cone and taper times what was cut off"
        name = "Tip of the master cone after the cut back"
        yield _computed(make, canal, "new-tip", name, cut, how, **value)
    seal, post = facts.apical_seal_mm(state, canal), state.newest(canal, Role.POST_LEVEL)
    if value := _mm(seal):
        name, how = "Apical seal", "the working length less the post level"
        yield _computed(make, canal, "apical-seal", name, [length, post], how, **value)


def _length(make: Maker, canal: str) -> Entry | None:
    """The entry whose length is in force, as :func:`.facts.wl_mm` has it."""
    final = make.state.last(canal, Role.FINAL_LENGTH)
    if final is not None and number(final) is not None:
        return final
    return make.state.last(canal, Role.WORKING_LENGTH)


def _levels(make: Maker, canal: str) -> Iterator[Resource]:
    how = "the last compaction or removal less the increments dictated since; "
    how += "their shrinking is not known"
    basis = [e for e in make.state.in_sequence(canal) if make.state.role(e) in _LEVELS]
    basis = [e for e in basis if number(e) is not None]
    for one in rounds.increments(make.state, canal):
        entry = one.values.get(Role.INCREMENT)
        if entry is None or one.level_mm is None:
            continue
        before = [e for e in basis if make.state.place(e) <= make.state.place(entry)]
        name = f"Top of the fill after increment {one.number}"
        key = f"increment-level/{one.number}"
        level = {"valueQuantity": amount(one.level_mm, MM)}
        yield _computed(make, canal, key, name, before, how, **level)
    if (value := _mm(facts.fill_top_mm(make.state, canal))) and basis:
        yield _computed(make, canal, "fill-level", "Top of the fill", basis, how, **value)


def _heat(make: Maker, canal: str) -> Iterator[Resource]:
    wall = make.state.protocol.limits.root_wall_mm
    done = {one.number: one.heat for one in computed(make.state, canal).done}
    for one in rounds.cycles(make.state, canal):
        if (heat := done.get(one.number)) is None:
            continue
        assumed = "" if wall is None else f", a root wall of {text_of(wall.value)} mm assumed"
        edge = "" if heat.inside else "; outside the table computed beforehand, a hint only"
        timed = [e for e in one.acts.get(Role.HEAT, ()) if e.standing == "standing"]
        yield _computed(
            make,
            canal,
            f"heat/{one.number}",
            f"Heat of cycle {one.number}, computed, not measured",
            [one.values.get(Role.HEAT_DEPTH), *timed, _length(make, canal)],
            f"heat conduction alone, over the range of properties published{assumed}{edge}",
            component=list(_heat_parts(heat)),
        )


def _heat_parts(heat: LiveHeat) -> Iterator[dict[str, Any]]:
    parts: tuple[tuple[str, str, Any, Unit], ...] = (
        ("softened", "Softened below the carrier", heat.softened_mm, MM),
        ("firm-after", "Firm after the carrier was taken out", heat.cool_s, SECOND),
        ("surface-rise", "Largest temperature rise, root surface", heat.surface_rise_c, KELVIN),
    )
    for code, text, interval, unit in parts:
        yield _part(code, text, valueRange=span(interval.low, interval.high, unit))


def _part(code: str, text: str, **value: object) -> dict[str, Any]:
    return {"code": concept(codes.COMPUTED, code, text), **value}
