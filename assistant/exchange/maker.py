"""What every FHIR resource of a case is made with: identifiers, references, who, where."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from uuid import UUID, uuid5

from assistant.exchange import codes
from assistant.exchange.narrative import WITHOUT, narrative
from assistant.progress.people import first_operator, operators
from assistant.progress.state import CASE, CaseState
from assistant.protocol.moment import Moment
from assistant.report.marks import plain

Resource = dict[str, Any]

NAMESPACE = uuid5(UUID(int=0), "urn:fillwarm:exchange")

PATIENT, PROGRAM, JOURNAL, TOOTH = "patient", "program", "journal", "tooth"
ENCOUNTER = "encounter"
OPERATOR, CHAIRSIDE = "operator", "chairside assistant"


@dataclass(frozen=True, slots=True)
class Maker:
    """A case, and the names of its resources.

    A name is a UUID (version 5, RFC 4122) of the case code, the moment it was opened and a
    local key such as ``entry/12``: the same case gives the same names whenever it is
    exported, and a later export of it names the same things alike.
    """

    state: CaseState
    head_hash: str

    def id(self, key: str) -> str:
        """Logical id of the resource with that local key."""
        case = json.dumps([self.state.case_code, self.state.opened.wall.isoformat()])
        return str(uuid5(uuid5(NAMESPACE, case), key))

    def url(self, key: str) -> str:
        """``fullUrl`` of the resource with that local key."""
        return f"urn:uuid:{self.id(key)}"

    def ref(self, key: str, display: str | None = None) -> dict[str, str]:
        """A Reference to it, within the bundle."""
        return {"reference": self.url(key)} | ({"display": display} if display else {})

    def resource(self, kind: str, key: str, **elements: object) -> Resource:
        """A resource with id and narrative; elements that are None or empty are left out."""
        meta = {"meta": {"security": [codes.TEST_DATA]}} if self.state.demo else {}
        kept = {name: one for name, one in elements.items() if one not in (None, [], "", {})}
        text = {} if kind in WITHOUT else {"text": narrative(kind, meta | kept)}
        return {"resourceType": kind, "id": self.id(key), **meta, **text, **kept}

    def person(self, by: str) -> dict[str, str]:
        """The role whose entry it was; names stand only with the operator's."""
        if by in operators(self.state):
            return self.ref(self.operator_key(by))
        return self.ref(CHAIRSIDE)

    def operator_key(self, name: str) -> str:
        """The local key of an operator's role; the first one's was there before takeovers."""
        return OPERATOR if name == first_operator(self.state) else f"{OPERATOR}/{name}"

    def procedure(self, track: str) -> dict[str, str]:
        """The procedure a track belongs to; the tooth's for a canal named no longer."""
        known = {canal.name for canal in self.state.canals}
        return self.ref(f"canal/{track}" if track in known else TOOTH)

    def site(self, track: str) -> dict[str, Any]:
        """The tooth, and the canal where there is one."""
        canal = None if track == CASE else plain(track)
        return codes.tooth_site(self.state.tooth, canal)

    @property
    def settled(self) -> str:
        """Status of what stands: final once the note is signed."""
        return "final" if self.state.signed else "preliminary"


def when(at: Moment) -> str:
    """A FHIR dateTime or instant: wall time with its offset."""
    return at.wall.isoformat()


def notes(texts: Iterable[str]) -> list[dict[str, str]]:
    """Annotations, one a text."""
    return [{"text": text} for text in texts if text]
