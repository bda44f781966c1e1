"""A case as a bundle of HL7 FHIR R4 (4.0.1).

As one of three kinds of bundle: a ``collection``, which claims no more than that its
resources belong together; a ``document``, which begins with a Composition that a person
attests once the note is signed (:mod:`.document`); a ``transaction``, which a server takes
in as it is.

==================================  =======================================================
of the case                         in the bundle
==================================  =======================================================
the patient                         Patient with the case code as its only content
the sitting                         Encounter, ambulatory
operator, chairside assistant       Practitioner with the operator's name, PractitionerRole
the work on the tooth               Procedure; one more a canal, ``partOf`` it
carrier, pluggers, the program      Device: a kind, no make
entries, what is computed           Observation, see :mod:`.observations`
warnings                            DetectedIssue; severity as :data:`.codes.SEVERITY`
journal                             Binary, and Provenance that names its SHA-256
==================================  =======================================================

A Provenance carries a digital signature where the head of the journal was signed with a
key: that JWS. A hash is none, and neither is a spoken "sign the note", so the hash stands as
the identifier of the source and the operator as attester.
Complications, outcome and reason stay out: nobody dictated them.

Resources are plain data. ``check.py`` has the library ``fhir.resources`` read them,
whose models are of R4B (4.3.0); ``r4.py`` therefore also holds them to the elements and
value domains of R4, which R4B shares for all resources used here. Codes and units:
:mod:`.codes`. The bytes are made here and not by the library, so that the same case gives
the same bytes under any version of it.
"""

from __future__ import annotations

import base64
from collections.abc import Iterator
from typing import Literal

from assistant.exchange import codes
from assistant.exchange.codes import concept
from assistant.exchange.document import composition
from assistant.exchange.maker import (
    CHAIRSIDE,
    ENCOUNTER,
    JOURNAL,
    OPERATOR,
    PATIENT,
    PROGRAM,
    TOOTH,
    Maker,
    Resource,
    notes,
    when,
)
from assistant.exchange.observations import of_computed, of_entries
from assistant.exchange.terminology import published
from assistant.exchange.whole import WholeCase, replayable
from assistant.progress.entries import Warning
from assistant.progress.people import operators, signer
from assistant.progress.state import CASE
from assistant.report.computed import computed, lines
from assistant.report.conditions import condition_rows
from assistant.report.marks import change_text, newest_moment, place, plain
from assistant.report.persons import in_turn
from assistant.report.record import json_text
from assistant.report.statement import DEMO, STATEMENT
from assistant.report.visits import visit_rows

SIGNATURE = "urn:iso-astm:E1762-95:2013"
"""Where FHIR takes the kinds of signatures from; the code is "Author's Signature"."""
PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"


Kind = Literal["collection", "document", "transaction"]


def bundle_text(
    case: WholeCase,
    *,
    with_journal: bool = True,
    kind: Kind = "collection",
    base: str | None = None,
) -> str:
    """The bundle as it is written to a file, its systems under ``base`` if there is one.

    Raises:
        RecordDamaged: the journal holds values that nothing can be computed with.
    """
    with replayable(f"case {case.state.case_code!r}"):
        found = bundle(case, with_journal=with_journal, kind=kind)
        return json_text(published(found, base))


def bundle(
    case: WholeCase, *, with_journal: bool = True, kind: Kind = "collection"
) -> Resource:
    """The bundle of a case as plain data; the same case gives the same."""
    make = Maker(case.state, case.head_hash)
    clinical = [*_procedures(make), *of_entries(make), *of_computed(make), *_issues(make)]
    found = [
        *([composition(make, clinical)] if kind == "document" else []),
        *_people(make),
        _encounter(make),
        *_devices(make),
        *clinical,
        _provenance(make, clinical, with_journal),
    ]
    if with_journal:
        data = base64.b64encode(case.journal).decode()
        key = f"{JOURNAL}/{make.head_hash}"
        found.append(make.resource("Binary", key, contentType=codes.NDJSON, data=data))
    key = f"bundle/{make.head_hash}/{with_journal}"
    key += "" if kind == "collection" else f"/{kind}"
    return make.resource(
        "Bundle",
        key,
        identifier={"system": "urn:ietf:rfc:3986", "value": make.url(key)},
        type=kind,
        timestamp=when(newest_moment(case.state)),
        entry=[_entry(one, kind) for one in found],
    )


def _entry(resource: Resource, kind: Kind) -> dict[str, object]:
    entry: dict[str, object] = {"fullUrl": f"urn:uuid:{resource['id']}", "resource": resource}
    if kind == "transaction":
        entry["request"] = {"method": "POST", "url": resource["resourceType"]}
    return entry


# -- who and with what --------------------------------------------------------


def _people(make: Maker) -> Iterator[Resource]:
    state = make.state
    code = {"system": codes.CASE_CODE, "value": plain(state.case_code) or "(none)"}
    named = {"type": {"text": "Case code, a pseudonym"}, **code}
    yield make.resource("Patient", PATIENT, identifier=[named])
    worked = operators(state)
    signed = signer(state)
    for one in dict.fromkeys((*worked, signed if signed is not None else worked[0])):
        key = make.operator_key(one)
        person = key.replace(OPERATOR, "practitioner")
        name = plain(one) or "(no name given)"
        yield make.resource("Practitioner", person, name=[{"text": name}])
        yield make.resource(
            "PractitionerRole",
            key,
            practitioner=make.ref(person, name),
            code=[{"text": "Operator" if one in worked else "Signed without operating"}],
        )
    if any(state.person_role(e) == "chairside" for e in state.entries):
        yield make.resource(
            "PractitionerRole", CHAIRSIDE, code=[{"text": "Chairside assistant"}]
        )


def _encounter(make: Maker) -> Resource:
    state = make.state
    end = {"end": when(state.signed)} if state.signed else {}
    return make.resource(
        "Encounter",
        ENCOUNTER,
        **{"class": codes.AMBULATORY},
        status="finished" if state.signed else "in-progress",
        subject=make.ref(PATIENT),
        participant=[{"individual": make.ref(OPERATOR)}],
        period={"start": when(state.opened), **end},
    )


def _devices(make: Maker) -> Iterator[Resource]:
    yield _device(make, PROGRAM, "fillwarm, a voice-driven procedure aid; not a medical device")
    used = [kind for track in make.state.canals for kind in _used(make, track.name)]
    for kind in dict.fromkeys(used):
        yield _device(make, f"device/{kind}", kind)


def _device(make: Maker, key: str, kind: str) -> Resource:
    name = {"name": kind, "type": "user-friendly-name"}
    return make.resource("Device", key, deviceName=[name], type={"text": kind})


def _used(make: Maker, canal: str) -> list[str]:
    """Kinds of instruments that the standing entries of a canal tell of, in order."""
    kinds = [codes.DEVICES.get(make.state.role(e)) for e in make.state.standing(canal)]
    return list(dict.fromkeys(kind for kind in kinds if kind))


# -- what was done ------------------------------------------------------------


def _procedures(make: Maker) -> Iterator[Resource]:
    state = make.state
    end = {"end": when(state.signed)} if state.signed else {}
    code = concept(codes.PROCEDURE, state.protocol.id, _title(make))
    yield make.resource(
        "Procedure",
        TOOTH,
        status=_status(make),
        code=code,
        subject=make.ref(PATIENT),
        encounter=make.ref(ENCOUNTER),
        performedPeriod={"start": when(state.opened), **end},
        recorder=make.ref(OPERATOR),
        performer=[{"actor": make.ref(OPERATOR)}],
        bodySite=[make.site(CASE)],
        note=[
            *notes(_about_case(make)),
            *_changes(make),
            *_remarks(make),
            *_addenda(make),
        ],
    )
    for track in state.canals:
        times = [entry.at for entry in state.entries if entry.track == track.name]
        period = {"start": when(times[0])} if times else {}
        if times and state.signed:
            period["end"] = when(times[-1])
        yield make.resource(
            "Procedure",
            f"canal/{track.name}",
            partOf=[make.ref(TOOTH)],
            status=_status(make),
            code=code,
            subject=make.ref(PATIENT),
            encounter=make.ref(ENCOUNTER),
            performedPeriod=period,
            recorder=make.ref(OPERATOR),
            performer=[{"actor": make.ref(OPERATOR)}],
            bodySite=[make.site(track.name)],
            note=notes(_about_canal(make, track.name)),
            usedReference=[make.ref(f"device/{k}", k) for k in _used(make, track.name)],
        )


def _status(make: Maker) -> str:
    return "completed" if make.state.signed else "in-progress"


def _title(make: Maker) -> str:
    return f"Root canal filling: {plain(make.state.protocol.title)}"


def _about_case(make: Maker) -> Iterator[str]:
    state = make.state
    yield from (_warned(make, one) for one in state.warnings)
    if state.demo:
        yield DEMO
    yield STATEMENT
    if state.signed is None:
        yield "Not signed."
    for left in state.skipped:
        yield plain(
            f"Skipped: {place(state, left.track, left.step, left.round)}: {left.reason}"
        )
    yield from (
        f"{row.label}: {row.text}" for row in (*visit_rows(state), *condition_rows(state))
    )
    for role in dict.fromkeys(one.role for one in state.takeovers):
        yield f"{role.capitalize()}: {in_turn(state, role)}."
    for at, text in state.interruptions:
        yield plain(f"{when(at)}: {text}")


def _about_canal(make: Maker, canal: str) -> Iterator[str]:
    yield from (_warned(make, one) for one in make.state.warnings if one.track == canal)
    for line in lines(computed(make.state, canal)):
        yield plain(f"Computed, not measured: {line}")


def _changes(make: Maker) -> list[dict[str, str]]:
    """What was otherwise than taken down, and what was done again; what was done before and
    counts no more is an Observation that says so."""
    return [
        {
            "authorString": plain(change.by) or "?",
            "time": when(change.at),
            "text": change_text(change),
        }
        for change in make.state.changes
    ]


def _remarks(make: Maker) -> list[dict[str, str]]:
    return [
        {
            "authorString": plain(r.by) or "?",
            "time": when(r.at),
            "text": f"Remark, as dictated, not checked: {plain(r.text) or '?'}",
        }
        for r in make.state.dictated
        if r.standing == "standing"
    ]


def _addenda(make: Maker) -> list[dict[str, str]]:
    added = make.state.addenda
    return [
        {"authorString": plain(a.by) or "?", "time": when(a.at), "text": plain(a.text) or "?"}
        for a in added
    ]


def _warned(make: Maker, warning: Warning) -> str:
    where = place(make.state, warning.track, warning.step)
    answer = warning.answer or ("waits for an answer" if warning.open else "no answer asked")
    return plain(f"Warning ({warning.severity}), {where}: {warning.text} Answer: {answer}.")


def _issues(make: Maker) -> Iterator[Resource]:
    for warning in make.state.warnings:
        about = None if warning.entry is None else make.ref(f"entry/{warning.entry}")
        answered = None
        if warning.answer is not None:
            answered = [{"action": {"text": plain(warning.answer) or "?"}}]
        yield make.resource(
            "DetectedIssue",
            f"warning/{warning.seq}",
            status=make.settled,
            code=concept(codes.RULE, warning.rule, warning.rule),
            severity=codes.SEVERITY.get(warning.severity, "low"),
            patient=make.ref(PATIENT),
            identifiedDateTime=when(warning.at),
            author=make.ref(PROGRAM),
            implicated=[about or make.procedure(warning.track)],
            detail=_warned(make, warning),
            mitigation=answered,
        )


# -- where it comes from ------------------------------------------------------


def _provenance(make: Maker, clinical: list[Resource], with_journal: bool) -> Resource:
    state = make.state
    source: dict[str, object] = {
        "identifier": {"system": codes.JOURNAL_HASH, "value": make.head_hash},
        "display": "Journal of the case; SHA-256 of its last line, which stands for all of it",
    }
    if with_journal:
        source = {"reference": make.url(f"{JOURNAL}/{make.head_hash}"), **source}
    agents = [_agent(make, "author", OPERATOR), _agent(make, "assembler", PROGRAM)]
    if state.signed:
        agents.append(_agent(make, "attester", make.operator_key(signer(state) or "")))
    end = {"end": when(state.signed)} if state.signed else {}
    return make.resource(
        "Provenance",
        f"provenance/{make.head_hash}",
        target=[{"reference": f"urn:uuid:{one['id']}"} for one in clinical],
        occurredPeriod={"start": when(state.opened), **end},
        recorded=when(newest_moment(state)),
        agent=agents,
        entity=[{"role": "source", "what": source}],
        signature=_signatures(make) or None,
    )


def _signatures(make: Maker) -> list[dict[str, object]]:
    """The journal's signatures, as they stand in it; what each is over is its own payload."""
    return [
        {
            "type": [{"system": SIGNATURE, "code": "1.2.840.10065.1.12.1.1"}],
            "when": when(seal.at),
            "who": make.ref(OPERATOR),
            "targetFormat": codes.NDJSON,
            "sigFormat": "application/jose",
            "data": base64.b64encode(seal.jws.encode()).decode(),
        }
        for seal in make.state.seals
        if seal.jws
    ]


def _agent(make: Maker, role: str, key: str) -> dict[str, object]:
    kind = {"coding": [{"system": PARTICIPANT, "code": role}], "text": role}
    return {"type": kind, "who": make.ref(key)}
