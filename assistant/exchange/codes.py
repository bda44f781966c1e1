"""Codes and units that stand for what a case holds, and where each is drawn from.

- Units: UCUM, the Unified Code for Units of Measure. Instrument sizes are hundredths of a
  millimetre, which UCUM writes ``10.um``; a taper is ``mm/mm``. A temperature rise is in
  kelvin: UCUM's ``Cel`` has an offset, so a rise of 5 ``Cel`` would read as 278.15 K.
- Teeth: ISO 3950, with the URI that HL7 FHIR R4 uses for it.
- The type of the document: LOINC. Everything else is named by this program, under
  ``urn:fillwarm:`` (:mod:`.terminology`). No SNOMED CT codes: those for filling a root canal
  could not be checked here, and a wrong one is worse than text.

Codes and value domains of HL7 FHIR R4 (4.0.1) are from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import Any, Final, NamedTuple

from assistant.canal import teeth
from assistant.protocol.roles import Role

UCUM = "http://unitsofmeasure.org"
ISO_3950 = "urn:iso:std:iso:3950"
CASE_CODE = "urn:fillwarm:case-code"
JOURNAL_HASH = "urn:fillwarm:journal-sha256"
PROCEDURE = "urn:fillwarm:procedure"
QUANTITY = "urn:fillwarm:quantity"
COMPUTED = "urn:fillwarm:computed"
OPTION = "urn:fillwarm:option"
ORIGIN = "urn:fillwarm:origin"
RULE = "urn:fillwarm:rule"

TEST_DATA: Final = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-ActReason",
    "code": "HTEST",
    "display": "test health data",
}
"""Security label of R4 for data that is of no real patient."""

AMBULATORY: Final = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode",
    "code": "AMB",
    "display": "ambulatory",
}

PROCEDURE_NOTE: Final = {
    "coding": [{"system": "http://loinc.org", "code": "28570-0", "display": "Procedure note"}],
    "text": "Procedure note",
}
"""LOINC 28570-0 is in R4's own value set of document types; LOINC may be used without fee."""

NDJSON = "application/x-ndjson"
"""Media type of the journal: one JSON object a line."""


class Unit(NamedTuple):
    """A unit: how it is written for people, and its UCUM code."""

    text: str
    code: str


MM = Unit("mm", "mm")
SECOND = Unit("s", "s")
SIZE = Unit("ISO size (1/100 mm)", "10.um")
TAPER = Unit("mm per mm", "mm/mm")
KELVIN = Unit("K", "K")
COUNT = Unit("", "1")

UNITS: Final = frozenset(unit.code for unit in (MM, SECOND, SIZE, TAPER, KELVIN, COUNT))
"""Every UCUM code this program writes."""


UNIT_OF: Final[Mapping[str | None, Unit]] = {
    "mm": MM,
    "s": SECOND,
    "size": SIZE,
    "taper": TAPER,
}
"""The unit of a value by its kind, as in the record; other kinds have none."""


SEVERITY: Final[Mapping[str, str]] = {
    "urgent": "high",
    "alert": "moderate",
    "caution": "low",
    "confirm": "low",
}
"""Severity of a rule as DetectedIssue.severity. It keeps the order, not the meaning: R4's
``high`` speaks of lasting injury, ours says how soon the clinician must hear of it. The
rule's own word stands in the issue's text."""

ORIGINS: Final[Mapping[str, str]] = {
    "said": "dictated, or given by key or pedal",
    "computed": "computed by the program and accepted by the operator",
    "timed": "timed by the program",
}

COMPUTED_NAMES: Final[Mapping[str, str]] = {
    "depth-limit": "Deepest allowed plugger or heat carrier",
    "paper-points": "Length by the paper points that count",
    "spread": "Spread of the readings",
    "readings": "Number of readings",
    "new-tip": "Tip of the master cone after the cut back",
    "apical-seal": "Apical seal",
    "increment-level": "Top of the fill after an increment",
    "fill-level": "Top of the fill",
    "heat": "Heat of a cycle, computed, not measured",
    "softened": "Softened below the carrier",
    "firm-after": "Firm after the carrier was taken out",
    "surface-rise": "Largest temperature rise, root surface",
}

CARRIER = "heat carrier"
DEVICES: Final[Mapping[Role | None, str]] = {
    Role.CORONAL_PLUGGER: "coronal plugger",
    Role.MIDDLE_PLUGGER: "middle plugger",
    Role.APICAL_PLUGGER: "apical plugger",
    Role.COMPACTION: "plugger",
    Role.HEAT_FIT: CARRIER,
    Role.HEAT: CARRIER,
    Role.HEAT_DEPTH: CARRIER,
}
"""The instrument that an entry of a role tells of: a kind, never a make."""


def concept(system: str, code: str, text: str) -> dict[str, Any]:
    """A CodeableConcept of one code; the text says more than the code where it can."""
    return {"coding": [{"system": system, "code": code}], "text": text}


def amount(value: float, unit: Unit | None) -> dict[str, Any]:
    """A Quantity; only its value where the unit is not known."""
    if unit is None:
        return {"value": value}
    text = {"unit": unit.text} if unit.text else {}
    return {"value": value, **text, "system": UCUM, "code": unit.code}


def span(low: float, high: float, unit: Unit) -> dict[str, Any]:
    """A Range, ends to 0.01: what is interpolated has no more digits that mean anything,
    and the last ones differ between processors. An end without bound is left out."""
    ends = {"low": low, "high": high}
    return {name: amount(round(end, 2), unit) for name, end in ends.items() if isfinite(end)}


def tooth_site(fdi: int | None, canal: str | None = None) -> dict[str, Any]:
    """Where: the tooth by ISO 3950, the canal as text (no code system for it is known)."""
    where = f"{canal} canal" if canal else "tooth not named yet"
    if fdi is None:
        return {"text": where}
    tooth = teeth.parse_fdi(fdi)
    coding = [{"system": ISO_3950, "code": str(tooth.fdi), "display": tooth.name}]
    named = f"tooth {tooth.fdi}, {tooth.name}"
    return {"coding": coding, "text": f"{canal} canal of {named}" if canal else named}
