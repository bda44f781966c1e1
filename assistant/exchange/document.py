"""The Composition that a document bundle begins with: the note, in sections.

Its attester is the operator once the note is signed; the signature was spoken, and what it
covers is the journal, whose hash the Provenance beside it names.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from assistant.exchange import codes
from assistant.exchange.maker import ENCOUNTER, OPERATOR, PATIENT, Maker, Resource, when
from assistant.exchange.narrative import div
from assistant.report.marks import newest_moment, plain, track_title
from assistant.report.note import note


def composition(make: Maker, clinical: Sequence[Resource]) -> Resource:
    """The Composition about these resources."""
    state, chart = make.state, note(make.state, make.head_hash)
    attested = None
    if state.signed:
        attested = [{"mode": "legal", "time": when(state.signed), "party": make.ref(OPERATOR)}]
    about = {
        canal.name: [f"{row.label}: {row.text}" for row in canal.rows] for canal in chart.canals
    }
    issues = _of(clinical, "DetectedIssue")
    sections = [_section("Warnings", chart.warnings or ("none",), issues)]
    case = [f"{row.label}: {row.text}" for row in (*chart.head, *chart.summary, *chart.case)]
    canals = {make.url(f"canal/{track.name}"): track.name for track in state.canals}
    parts: dict[str | None, list[Resource]] = {}
    for one in clinical:
        if one["resourceType"] != "DetectedIssue":
            whole = one.get("partOf", [{"reference": f"urn:uuid:{one['id']}"}])
            here = canals.get(f"urn:uuid:{one['id']}") or canals.get(whole[0]["reference"])
            parts.setdefault(here, []).append(one)
    sections.append(_section("Case", case, parts.pop(None, [])))
    for track in state.canals:
        title = track_title(track.name)
        sections.append(_section(title, about[title], parts.get(track.name, [])))
    return make.resource(
        "Composition",
        f"composition/{make.head_hash}",
        status=make.settled,
        type=codes.PROCEDURE_NOTE,
        subject=make.ref(PATIENT),
        encounter=make.ref(ENCOUNTER),
        date=when(newest_moment(state)),
        author=[make.ref(OPERATOR, plain(state.operator) or None)],
        title=chart.title,
        attester=attested,
        section=sections,
    )


def _section(title: str, told: Sequence[str], about: Sequence[Resource]) -> dict[str, Any]:
    text = {"text": {"status": "generated", "div": div(told)}}
    entries = [{"reference": f"urn:uuid:{one['id']}"} for one in about]
    return {"title": title, **text, **({"entry": entries} if entries else {})}


def _of(found: Sequence[Resource], kind: str) -> list[Resource]:
    return [one for one in found if one["resourceType"] == kind]
