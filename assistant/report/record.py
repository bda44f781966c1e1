"""The machine-readable record of a case, as plain data.

Its shape is :class:`CaseRecord`, in ``record_schema.py``.
"""

from __future__ import annotations

import json
from typing import Any

from assistant.canal import lengths, teeth
from assistant.progress.beside import standing_condition
from assistant.progress.entries import Entry
from assistant.progress.facts import (
    apical_seal_mm,
    depth_limit_mm,
    fill_top_mm,
    new_tip_mm,
    number,
    planned_s,
    readings_mm,
    wl_is_final,
    wl_mm,
)
from assistant.progress.people import operators, signer
from assistant.progress.state import CASE, CaseState, Track
from assistant.protocol.roles import Role
from assistant.report import rounds
from assistant.report.marks import newest_moment
from assistant.report.record_schema import SCHEMA_VERSION, CaseRecord, json_schema
from assistant.report.statement import STATEMENT

__all__ = ["CaseRecord", "as_record", "json_schema", "json_text"]


def as_record(state: CaseState, head_hash: str) -> dict[str, Any]:
    """The record of a case as plain data for ``json.dumps``; a :class:`CaseRecord`.

    Raises:
        pydantic.ValidationError: ``head_hash`` is not 64 hexadecimal digits.
    """
    last = newest_moment(state).wall
    worked_until = state.signed.wall if state.signed else last
    plain = {
        "schema_version": SCHEMA_VERSION,
        "demonstration": state.demo,
        "statement": STATEMENT,
        "case_code": state.case_code,
        "operator": state.operator,
        "opened_at": state.opened.wall,
        "last_at": last,
        "signed_at": state.signed.wall if state.signed else None,
        "signed_by": signer(state),
        "signed_for": [one for one in operators(state) if one != signer(state)]
        if state.signed
        else [],
        "assistant": state.assistant or None,
        "takeovers": [
            {"at": one.at.wall, **one.model_dump(include={"role", "name", "before"})}
            for one in state.takeovers
        ],
        "duration_s": (worked_until - state.opened.wall).total_seconds(),
        "head_hash": head_hash,
        "protocol": _protocol(state),
        "tooth": _tooth(state.tooth),
        "canals": [_canal(state, track) for track in state.canals],
        "entries": [_entry(state, entry) for entry in state.entries],
        "timings": [_timing(state, e) for e in state.entries if e.origin == "timed"],
        "warnings": [
            {
                "canal": _canal_name(w.track),
                "at": w.at.wall,
                "open": w.open,
                **w.model_dump(
                    include={"seq", "rule", "severity", "text", "step", "entry", "answer"}
                ),
            }
            for w in state.warnings
        ],
        "skipped": [
            {
                "canal": _canal_name(s.track),
                "at": s.at.wall,
                **s.model_dump(include={"step", "round", "reason"}),
            }
            for s in state.skipped
        ],
        "rejected": [
            {
                "canal": _canal_name(r.track),
                "at": r.at.wall,
                **r.model_dump(include={"step", "text", "reason"}),
            }
            for r in state.rejected
        ],
        "conditions": [
            {
                "at": n.at.wall,
                "stands": standing_condition(state, n.condition) is n,
                **n.model_dump(exclude={"at"}),
            }
            for n in state.conditions
        ],
        "visits": [
            {
                "began_at": v.began.wall,
                "ended_at": v.ended.wall,
                **v.model_dump(exclude={"began", "ended", "heard"}),
            }
            for v in state.visits
        ],
        "remarks": [
            {
                "canal": _canal_name(r.track),
                "at": r.at.wall,
                **r.model_dump(exclude={"track", "at"}),
            }
            for r in state.dictated
        ],
        "changes": [
            {
                "at": change.at.wall,
                "superseded": list(change.superseded),
                **change.model_dump(
                    include={"what", "canal", "to", "tooth", "mm", "reason", "by"}
                ),
            }
            for change in state.changes
        ],
        "pending": _pending(state),
        "addenda": [{"text": a.text, "by": a.by, "at": a.at.wall} for a in state.addenda],
        "interruptions": [{"at": at.wall, "text": text} for at, text in state.interruptions],
    }
    return CaseRecord.model_validate(plain).model_dump(mode="json")


def json_text(data: dict[str, Any]) -> str:
    """JSON as all files of a case are written: UTF-8, two spaces, a newline at the end."""
    return json.dumps(data, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def _canal_name(track: str) -> str | None:
    return None if track == CASE else track


def _plain_value(value: object) -> object:
    return list(value) if isinstance(value, tuple) else value


def _protocol(state: CaseState) -> dict[str, object]:
    limits: list[dict[str, object]] = [
        {"name": name, "value": limit.value, "source": limit.source}
        for name, limit in state.protocol.limits.given()
    ]
    about = state.protocol.model_dump(include={"id", "title", "version"})
    return {**about, "limits": limits}


def _tooth(fdi: int | None) -> dict[str, object] | None:
    if fdi is None:
        return None
    tooth = teeth.parse_fdi(fdi)
    return {"fdi": tooth.fdi, "universal": tooth.universal, "name": tooth.name}


def _entry(state: CaseState, entry: Entry) -> dict[str, object]:
    successor = rounds.replacement(state, entry)
    kept = {"seq", "step", "quantity", "round", "origin", "standing", "confirmed"}
    kept |= {"read_back", "cut_short", "by"}
    return {
        **entry.model_dump(include=kept),
        "canal": _canal_name(entry.track),
        "kind": state.kind(entry),
        "value": _plain_value(entry.value),
        "replaced_by": successor.seq if successor else None,
        "role": state.person_role(entry),
        "at": entry.at.wall,
        "clock_s": entry.at.mono_s,
        "heard": entry.heard.model_dump(exclude={"began"}),
    }


def _timing(state: CaseState, entry: Entry) -> dict[str, object]:
    return {
        **entry.model_dump(include={"step", "round", "cut_short", "standing", "delay_s"}),
        "canal": _canal_name(entry.track),
        "entry": entry.seq,
        "duration_s": entry.value,
        "planned_s": planned_s(state, entry),
        "ended_at": entry.at.wall,
    }


def _pending(state: CaseState) -> dict[str, object] | None:
    pending = state.pending
    if pending is None:
        return None
    return {
        **pending.model_dump(include={"kind", "quantity", "why"}),
        "value": _plain_value(pending.value),
        "rival": None if pending.rival is None else _plain_value(pending.rival),
        "heard": pending.heard.model_dump(exclude={"began"}),
    }


def _canal(state: CaseState, track: Track) -> dict[str, object]:
    canal = track.name
    readings = readings_mm(state, canal)
    return {
        "name": canal,
        "step": track.step,
        "closed": track.closed,
        "joins": track.joins and track.joins.model_dump(),
        "working_length_mm": wl_mm(state, canal),
        "working_length_final": wl_is_final(state, canal),
        "depth_limit_mm": depth_limit_mm(state, canal),
        "readings": lengths.final_length_mm(readings)._asdict() if readings else None,
        "new_tip_mm": new_tip_mm(state, canal),
        "cones_refitted": len(rounds.cone_refits(state, canal)),
        "downpack_cycles": sum(bool(o.acts or o.values) for o in rounds.cycles(state, canal)),
        "fill_levels": [
            {
                "increment": one.number,
                "length_mm": number(one.values.get(Role.INCREMENT)),
                "level_mm": one.level_mm,
            }
            for one in rounds.increments(state, canal)
            if one.values or one.acts
        ],
        "fill_level_mm": fill_top_mm(state, canal),
        "apical_seal_mm": apical_seal_mm(state, canal),
    }
