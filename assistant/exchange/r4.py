"""What HL7 FHIR R4 (4.0.1) lets stand in the resources that a case is exported as.

The library ``fhir.resources`` no longer has models of R4, only of R4B (4.3.0) and later.
Here are the elements of R4 and the closed value domains of those used, so that nothing
of a later version slips in, and so that a bundle is checked where the library is lax
(domains, reference targets). From memory; a test compares it with the R4B models.

A type is a table of elements. ``*`` may repeat, ``!`` must be there. ``Ref:A|B`` is a
Reference to one of these. A type that has no table here is only looked through.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, Final, NamedTuple


class Finding(NamedTuple):
    """What is wrong in a file, and where in it."""

    where: str
    what: str


def _elements(text: str) -> dict[str, str]:
    return dict(part.split("=") for part in text.split())


_RESOURCE = "id=id meta=Meta implicitRules=uri language=code "
_BACKBONE = "id=string extension=Extension* modifierExtension=Extension* "
_DATA = "id=string extension=Extension* "
_DOMAIN = _RESOURCE + (
    "text=Narrative contained=Resource* extension=Extension* modifierExtension=Extension* "
    "identifier=Identifier* "
)
_ANYONE = "Practitioner|PractitionerRole|Organization|Patient|RelatedPerson|"
_VALUES = (
    "valueQuantity=Quantity valueCodeableConcept=CodeableConcept valueString=string "
    "valueBoolean=boolean valueInteger=integer valueRange=Range valueRatio=Ratio "
    "valueSampledData=SampledData valueTime=time valueDateTime=dateTime valuePeriod=Period "
)
_QUANTITY = "value=decimal unit=string system=uri code=code "

ELEMENTS: Final[dict[str, dict[str, str]]] = {
    name: _elements(text)
    for name, text in {
        "Bundle": _RESOURCE + "identifier=Identifier type=code! timestamp=instant "
        "total=unsignedInt link=BundleLink* entry=Bundle.entry* signature=Signature",
        "Bundle.entry": _BACKBONE + "link=BundleLink* fullUrl=uri resource=Resource "
        "search=Search request=Bundle.entry.request response=Response",
        "Bundle.entry.request": _BACKBONE + "method=code! url=uri! ifNoneMatch=string "
        "ifModifiedSince=instant ifMatch=string ifNoneExist=string",
        "Composition": _DOMAIN.replace("Identifier*", "Identifier") + "status=code! "
        "type=CodeableConcept! category=CodeableConcept* subject=Ref: encounter=Ref:Encounter "
        f"date=dateTime! author=Ref:{_ANYONE}Device*! title=string! confidentiality=code "
        "attester=Composition.attester* custodian=Ref:Organization relatesTo=RelatesTo* "
        "event=CompositionEvent* section=Composition.section*",
        "Composition.attester": _BACKBONE + "mode=code! time=dateTime "
        f"party=Ref:{_ANYONE.rstrip('|')}",
        "Composition.section": _BACKBONE + "title=string code=CodeableConcept "
        f"author=Ref:{_ANYONE}Device* focus=Ref: text=Narrative mode=code "
        "orderedBy=CodeableConcept entry=Ref:* emptyReason=CodeableConcept "
        "section=Composition.section*",
        "Encounter": _DOMAIN + "status=code! statusHistory=StatusHistory* class=Coding! "
        "classHistory=ClassHistory* type=CodeableConcept* serviceType=CodeableConcept "
        "priority=CodeableConcept subject=Ref:Patient|Group episodeOfCare=Ref:EpisodeOfCare* "
        "basedOn=Ref:CarePlan|DeviceRequest|MedicationRequest|ServiceRequest* "
        "participant=Encounter.participant* appointment=Ref:Appointment* period=Period "
        "length=Duration reasonCode=CodeableConcept* "
        "reasonReference=Ref:Condition|Procedure|Observation|ImmunizationRecommendation* "
        "diagnosis=Diagnosis* account=Ref:Account* hospitalization=Hospitalization "
        "location=EncounterLocation* serviceProvider=Ref:Organization partOf=Ref:Encounter",
        "Encounter.participant": _BACKBONE + "type=CodeableConcept* period=Period "
        "individual=Ref:Practitioner|PractitionerRole|RelatedPerson",
        "Narrative": _DATA + "status=code! div=xhtml!",
        "Patient": _DOMAIN + "active=boolean name=HumanName* telecom=ContactPoint* gender=code "
        "birthDate=date deceasedBoolean=boolean deceasedDateTime=dateTime address=Address* "
        "maritalStatus=CodeableConcept multipleBirthBoolean=boolean "
        "multipleBirthInteger=integer photo=Attachment* contact=Contact* "
        "communication=Communication* "
        "generalPractitioner=Ref:Organization|Practitioner|PractitionerRole* "
        "managingOrganization=Ref:Organization link=PatientLink*",
        "Practitioner": _DOMAIN + "active=boolean name=HumanName* telecom=ContactPoint* "
        "address=Address* gender=code birthDate=date photo=Attachment* "
        "qualification=Qualification* communication=CodeableConcept*",
        "PractitionerRole": _DOMAIN + "active=boolean period=Period "
        "practitioner=Ref:Practitioner organization=Ref:Organization code=CodeableConcept* "
        "specialty=CodeableConcept* location=Ref:Location* "
        "healthcareService=Ref:HealthcareService* telecom=ContactPoint* "
        "availableTime=AvailableTime* notAvailable=NotAvailable* "
        "availabilityExceptions=string endpoint=Ref:Endpoint*",
        "Device": _DOMAIN + "definition=Ref:DeviceDefinition udiCarrier=UdiCarrier* "
        "status=code statusReason=CodeableConcept* distinctIdentifier=string "
        "manufacturer=string manufactureDate=dateTime expirationDate=dateTime "
        "lotNumber=string serialNumber=string deviceName=Device.deviceName* "
        "modelNumber=string partNumber=string type=CodeableConcept "
        "specialization=Specialization* version=DeviceVersion* property=Property* "
        "patient=Ref:Patient owner=Ref:Organization contact=ContactPoint* "
        "location=Ref:Location url=uri note=Annotation* safety=CodeableConcept* "
        "parent=Ref:Device",
        "Device.deviceName": _BACKBONE + "name=string! type=code!",
        "Procedure": _DOMAIN + "instantiatesCanonical=canonical* instantiatesUri=uri* "
        "basedOn=Ref:CarePlan|ServiceRequest* "
        "partOf=Ref:Procedure|Observation|MedicationAdministration* status=code! "
        "statusReason=CodeableConcept category=CodeableConcept code=CodeableConcept "
        "subject=Ref:Patient|Group! encounter=Ref:Encounter performedDateTime=dateTime "
        "performedPeriod=Period performedString=string performedAge=Age "
        "performedRange=Range "
        "recorder=Ref:Patient|RelatedPerson|Practitioner|PractitionerRole "
        "asserter=Ref:Patient|RelatedPerson|Practitioner|PractitionerRole "
        "performer=Procedure.performer* location=Ref:Location reasonCode=CodeableConcept* "
        "reasonReference=Ref:Condition|Observation|Procedure|DiagnosticReport|"
        "DocumentReference* bodySite=CodeableConcept* outcome=CodeableConcept "
        "report=Ref:DiagnosticReport|DocumentReference|Composition* "
        "complication=CodeableConcept* complicationDetail=Ref:Condition* "
        "followUp=CodeableConcept* note=Annotation* focalDevice=FocalDevice* "
        "usedReference=Ref:Device|Medication|Substance* usedCode=CodeableConcept*",
        "Procedure.performer": _BACKBONE + "function=CodeableConcept "
        f"actor=Ref:{_ANYONE}Device! onBehalfOf=Ref:Organization",
        "Observation": _DOMAIN + "basedOn=Ref:CarePlan|DeviceRequest|"
        "ImmunizationRecommendation|MedicationRequest|NutritionOrder|ServiceRequest* "
        "partOf=Ref:MedicationAdministration|MedicationDispense|MedicationStatement|"
        "Procedure|Immunization|ImagingStudy* status=code! category=CodeableConcept* "
        "code=CodeableConcept! subject=Ref:Patient|Group|Device|Location focus=Ref:* "
        "encounter=Ref:Encounter effectiveDateTime=dateTime effectivePeriod=Period "
        "effectiveTiming=Timing effectiveInstant=instant issued=instant "
        f"performer=Ref:{_ANYONE}CareTeam* {_VALUES}dataAbsentReason=CodeableConcept "
        "interpretation=CodeableConcept* note=Annotation* bodySite=CodeableConcept "
        "method=CodeableConcept specimen=Ref:Specimen device=Ref:Device|DeviceMetric "
        "referenceRange=ReferenceRange* "
        "hasMember=Ref:Observation|QuestionnaireResponse|MolecularSequence* "
        "derivedFrom=Ref:DocumentReference|ImagingStudy|Media|QuestionnaireResponse|"
        "Observation|MolecularSequence* component=Observation.component*",
        "Observation.component": _BACKBONE + f"code=CodeableConcept! {_VALUES}"
        "dataAbsentReason=CodeableConcept interpretation=CodeableConcept* "
        "referenceRange=ReferenceRange*",
        "DetectedIssue": _DOMAIN + "status=code! code=CodeableConcept severity=code "
        "patient=Ref:Patient identifiedDateTime=dateTime identifiedPeriod=Period "
        "author=Ref:Practitioner|PractitionerRole|Device implicated=Ref:* "
        "evidence=Evidence* detail=string reference=uri "
        "mitigation=DetectedIssue.mitigation*",
        "DetectedIssue.mitigation": _BACKBONE + "action=CodeableConcept! date=dateTime "
        "author=Ref:Practitioner|PractitionerRole",
        "Provenance": _DOMAIN.replace("identifier=Identifier* ", "") + "target=Ref:*! "
        "occurredPeriod=Period occurredDateTime=dateTime recorded=instant! policy=uri* "
        "location=Ref:Location reason=CodeableConcept* activity=CodeableConcept "
        "agent=Provenance.agent*! entity=Provenance.entity* signature=Signature*",
        "Provenance.agent": _BACKBONE + "type=CodeableConcept role=CodeableConcept* "
        f"who=Ref:{_ANYONE}Device! onBehalfOf=Ref:{_ANYONE}Device",
        "Provenance.entity": _BACKBONE + "role=code! what=Ref:! agent=Provenance.agent*",
        "Binary": _RESOURCE + "contentType=code! securityContext=Ref: data=base64Binary",
        "Meta": _DATA + "versionId=id lastUpdated=instant source=uri profile=canonical* "
        "security=Coding* tag=Coding*",
        "Identifier": _DATA + "use=code type=CodeableConcept system=uri value=string "
        "period=Period assigner=Ref:Organization",
        "CodeableConcept": _DATA + "coding=Coding* text=string",
        "Coding": _DATA + "system=uri version=string code=code display=string "
        "userSelected=boolean",
        "Quantity": _DATA + "comparator=code " + _QUANTITY,
        "SimpleQuantity": _DATA + _QUANTITY,
        "Range": _DATA + "low=SimpleQuantity high=SimpleQuantity",
        "Period": _DATA + "start=dateTime end=dateTime",
        "Reference": _DATA + "reference=string type=uri identifier=Identifier display=string",
        "Annotation": _DATA + "authorReference=Ref:Practitioner|Patient|RelatedPerson|"
        "Organization authorString=string time=dateTime text=markdown!",
        "HumanName": _DATA + "use=code text=string family=string given=string* prefix=string* "
        "suffix=string* period=Period",
    }.items()
}
"""Elements of each type: name to type, with its marks. All elements of R4 that the type
has, not only those written by this program."""

DOMAINS: Final[dict[tuple[str, str], frozenset[str]]] = {
    where: frozenset(codes.split())
    for where, codes in {
        ("Bundle", "type"): "document message transaction transaction-response batch "
        "batch-response history searchset collection",
        ("Bundle.entry.request", "method"): "GET HEAD POST PUT DELETE PATCH",
        ("Composition", "status"): "preliminary final amended entered-in-error",
        ("Composition.attester", "mode"): "personal professional legal official",
        ("Encounter", "status"): "planned arrived triaged in-progress onleave finished "
        "cancelled entered-in-error unknown",
        ("Narrative", "status"): "generated extensions additional empty",
        ("Procedure", "status"): "preparation in-progress not-done on-hold stopped completed "
        "entered-in-error unknown",
        ("Observation", "status"): "registered preliminary final amended corrected cancelled "
        "entered-in-error unknown",
        ("DetectedIssue", "status"): "registered preliminary final amended corrected "
        "cancelled entered-in-error unknown",
        ("DetectedIssue", "severity"): "high moderate low",
        ("Device.deviceName", "type"): "udi-label-name user-friendly-name "
        "patient-reported-name manufacturer-name model-name other",
        ("Provenance.entity", "role"): "derivation revision quotation source removal",
        ("Quantity", "comparator"): "< <= >= >",
        ("Identifier", "use"): "usual official temp secondary old",
    }.items()
}
"""Required value domains: type and element, to the codes R4 has."""

_DATE = r"\d{4}(-(0[1-9]|1[0-2])(-(0[1-9]|[12]\d|3[01]))?)?"
_TIME = r"([01]\d|2[0-3]):[0-5]\d:([0-5]\d|60)(\.\d+)?"
_ZONE = r"(Z|[+-]((0\d|1[0-3]):[0-5]\d|14:00))"
_TEXT = re.compile(r"[ \r\n\t\S]+")
_FORMS: Final = {
    "id": re.compile(r"[A-Za-z0-9.-]{1,64}"),
    "code": re.compile(r"\S+( \S+)*"),
    "uri": re.compile(r"\S+"),
    "canonical": re.compile(r"\S+"),
    "dateTime": re.compile(rf"{_DATE}(T{_TIME}{_ZONE})?", re.ASCII),
    "instant": re.compile(rf"{_DATE}T{_TIME}{_ZONE}", re.ASCII),
    "base64Binary": re.compile(r"[0-9A-Za-z+/=\s]+"),
    "string": _TEXT,
    "markdown": _TEXT,
    "xhtml": re.compile(r'<div xmlns="http://www\.w3\.org/1999/xhtml">(?s:.+)</div>'),
}
_NUMBERS: Final = {"decimal": (int, float), "integer": (int,), "unsignedInt": (int,)}


def complaints(resource: dict[str, Any], where: str) -> Iterator[Finding]:
    """What in a resource is not R4. A resource of a type not in :data:`ELEMENTS` is
    not looked at."""
    kind = str(resource.get("resourceType"))
    if kind in ELEMENTS:
        body = {name: one for name, one in resource.items() if name != "resourceType"}
        yield from _object(body, kind, where)


def _object(found: dict[str, Any], kind: str, where: str) -> Iterator[Finding]:
    table = ELEMENTS[kind]
    for name, mark in table.items():
        if mark.endswith("!") and name not in found:
            yield Finding(where, f"{name} is missing")
    for name, value in found.items():
        here = f"{where}.{name}"
        mark = table.get(name.removeprefix("_"), "")
        if not mark:
            yield Finding(here, f"R4 has no such element in {kind}")
        elif name.startswith("_"):
            continue  # extensions of a primitive value: the library reads them
        elif "*" not in mark:
            yield from _one(value, mark.rstrip("!"), here, DOMAINS.get((kind, name)))
        elif not isinstance(value, list) or not value:
            yield Finding(here, "it is not a list with something in it")
        else:
            for at, item in enumerate(value):
                yield from _one(item, mark.rstrip("!*"), f"{here}[{at}]", None)


def _one(value: Any, kind: str, where: str, domain: frozenset[str] | None) -> Iterator[Finding]:
    if kind == "Resource":
        if isinstance(value, dict):
            yield from complaints(value, where)
        else:
            yield Finding(where, "it is no resource")
    elif kind in ELEMENTS or kind.startswith("Ref:"):
        if isinstance(value, dict) and value:
            yield from _object(value, "Reference" if kind.startswith("Ref:") else kind, where)
        else:
            yield Finding(where, "it is not an object with something in it")
    elif domain is not None and not (isinstance(value, str) and value in domain):
        yield Finding(where, f"{value!r:.40} is not one of {', '.join(sorted(domain))}")
    elif (form := _FORMS.get(kind)) is not None:
        if not isinstance(value, str) or not form.fullmatch(value):
            yield Finding(where, f"{value!r:.40} is no {kind}")
    elif kind in _NUMBERS:
        if isinstance(value, bool) or not isinstance(value, _NUMBERS[kind]):
            yield Finding(where, f"{value!r:.40} is no {kind}")
    elif kind == "boolean" and not isinstance(value, bool):
        yield Finding(where, f"{value!r:.40} is no boolean")


def references(found: Any, kind: str, where: str) -> Iterator[tuple[str, str, str]]:
    """References within a resource or part: where, what it points to, types allowed
    (``A|B``, or nothing for any)."""
    for name, value in found.items() if isinstance(found, dict) else ():
        mark = ELEMENTS.get(kind, {}).get(name, "").rstrip("!*")
        for at, item in enumerate(value if isinstance(value, list) else [value]):
            here = f"{where}.{name}[{at}]" if isinstance(value, list) else f"{where}.{name}"
            if not isinstance(item, dict):
                continue
            if isinstance(target := item.get("reference"), str):
                yield here, target, mark.removeprefix("Ref:") if mark.startswith("Ref:") else ""
            elif mark:
                yield from references(item, mark, here)
