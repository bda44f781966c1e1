"""Whether a record or a bundle is what it claims to be, and where not.

A bundle is read by ``fhir.resources`` (its R4B models), then held to R4 (:mod:`.r4`); its
references must lead to a resource of an allowed type in the same bundle, teeth must be of
ISO 3950 and units of those that this program writes. Loading the models takes a third of
a second, so it is done here and nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, NamedTuple

from pydantic import ValidationError

from assistant.canal import teeth
from assistant.errors import InputFileError
from assistant.exchange import codes, r4
from assistant.exchange.r4 import Finding
from assistant.exchange.untrusted import parse_json
from assistant.extras import need
from assistant.report.record_schema import CaseRecord

Kind = Literal["record", "bundle"]

MOST = 50
"""So many findings are told; a file with more is a wrong file."""


class Checked(NamedTuple):
    """What a file is, and what is wrong with it; nothing if there is nothing."""

    kind: Kind
    findings: list[Finding]


def check(raw: bytes, name: Path) -> Checked:
    """Check a ``record.json`` or a FHIR bundle.

    Raises:
        InputFileError: no JSON, or JSON of something else.
    """
    found = parse_json(raw, name)
    kind = kind_of(found, name)
    wrong = record_findings(raw) if kind == "record" else bundle_findings(found)
    return Checked(kind, wrong[:MOST])


def kind_of(found: Any, name: Path) -> Kind:
    """Which of the two a JSON value is meant to be.

    Raises:
        InputFileError: neither.
    """
    if isinstance(found, dict) and found.get("resourceType") == "Bundle":
        return "bundle"
    if isinstance(found, dict) and "schema_version" in found:
        return "record"
    raise InputFileError(
        f"{name} is neither a record of a case nor a FHIR bundle; give one that "
        "fillwarm export made."
    )


def record_findings(raw: bytes) -> list[Finding]:
    """What in the bytes of a ``record.json`` is not a :class:`CaseRecord`."""
    try:
        CaseRecord.model_validate_json(raw)
    except ValidationError as bad:
        return [_of_pydantic(error, "record") for error in bad.errors(include_url=False)]
    return []


def bundle_findings(found: dict[str, Any]) -> list[Finding]:
    """What in a bundle is wrong. See the module docstring."""
    wrong = [*_by_library(found), *r4.complaints(found, "Bundle")]
    # What follows takes the shape for granted.
    return list(dict.fromkeys(wrong)) or [*_linked(found), *_coded(found, "Bundle")]


def _by_library(found: dict[str, Any]) -> Iterator[Finding]:
    need("exchange", "Checking a bundle")
    from fhir.resources.R4B.bundle import Bundle  # noqa: PLC0415 - see the module docstring

    try:
        Bundle.model_validate(found)
    except ValidationError as bad:
        yield from (_of_pydantic(error, "Bundle") for error in bad.errors(include_url=False))
    except Exception as bad:  # of the library's own, over what it does not reckon with
        yield Finding("Bundle", f"it cannot be read as FHIR ({bad!s:.80})")


def _of_pydantic(error: Any, root: str) -> Finding:
    where = root
    for part in error["loc"]:
        where += f"[{part}]" if isinstance(part, int) else f".{part}"
    return Finding(where, str(error["msg"]).splitlines()[0])


def resources(found: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Path and resource of each entry of a bundle that passed :mod:`.r4`."""
    for at, entry in enumerate(found.get("entry", [])):
        if isinstance(resource := entry.get("resource"), dict):
            yield f"Bundle.entry[{at}].resource", resource


def _linked(found: dict[str, Any]) -> Iterator[Finding]:
    kinds: dict[str, str] = {}
    for at, entry in enumerate(found.get("entry", [])):
        here, url = f"Bundle.entry[{at}]", str(entry.get("fullUrl"))
        resource = entry.get("resource")
        if "fullUrl" not in entry or resource is None:
            yield Finding(here, "an entry has a fullUrl and a resource")
            continue
        if url in kinds:
            yield Finding(f"{here}.fullUrl", "another entry has the same")
        name = resource.get("id")
        if url.startswith("urn:uuid:") and name not in (None, url.removeprefix("urn:uuid:")):
            yield Finding(f"{here}.fullUrl", "it is not that of the resource's id")
        kinds[url] = str(resource.get("resourceType"))
    for where, resource in resources(found):
        kind = str(resource.get("resourceType"))
        for here, target, allowed in r4.references(resource, kind, where):
            if target not in kinds:
                yield Finding(here, "it leads to nothing in this bundle")
            elif allowed and kinds[target] not in allowed.split("|"):
                yield Finding(here, f"it leads to a {kinds[target]}, not to a {allowed}")


def _coded(found: Any, where: str) -> Iterator[Finding]:
    if isinstance(found, list):
        for at, item in enumerate(found):
            yield from _coded(item, f"{where}[{at}]")
    if not isinstance(found, dict):
        return
    system, code = found.get("system"), found.get("code")
    if system == codes.UCUM and not (isinstance(code, str) and code in codes.UNITS):
        yield Finding(where, f"{code!r:.40} is not a unit of this program")
    if system == codes.ISO_3950 and not _is_tooth(code):
        yield Finding(where, f"{code!r:.40} is no permanent tooth of ISO 3950")
    for name, one in found.items():
        yield from _coded(one, f"{where}.{name}")


def _is_tooth(code: object) -> bool:
    try:
        # Only the two digits themselves: int() would also take " 24" and other scripts.
        return isinstance(code, str) and str(teeth.parse_fdi(int(code)).fdi) == code
    except ValueError:
        return False
