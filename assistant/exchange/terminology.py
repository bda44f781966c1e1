"""The code systems of this program, to be published, and maps from its words to R4's.

What a protocol names (quantities, answers, rules) is a fragment: another protocol has others.
Systems are ``urn:fillwarm:NAME`` unless a practice gives a base URL, under which they are
``BASE/CodeSystem/fillwarm-NAME`` and, for identifiers, ``BASE/NamingSystem/fillwarm-NAME``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

from assistant.exchange import codes
from assistant.exchange.narrative import div
from assistant.protocol.model import Protocol

_URN = "urn:fillwarm:"
_IDENTIFIERS = {codes.CASE_CODE, codes.JOURNAL_HASH}
_PUBLISHED = re.compile(r"(https?://\S+)/(?:CodeSystem|NamingSystem)/fillwarm-([a-z0-9-]+)")
BASE = re.compile(r"https?://[^\s?#]*[^\s?#/]")
"""What a base URL looks like: no query, no slash at its end."""

SEVERITY, STANDING = f"{_URN}severity", f"{_URN}standing"


def published(found: Any, base: str | None) -> Any:
    """The same with this program's systems under ``base``; unchanged without one."""
    return found if base is None else _mapped(found, lambda system: _under(base, system))


def as_urn(found: Any) -> Any:
    """Undoes :func:`published`; systems under more than one base stay as they are."""
    bases: set[str] = set()

    def urn(system: str) -> str:
        if (there := _PUBLISHED.fullmatch(system)) is None:
            return system
        bases.add(there[1])
        return _URN + there[2]

    plain = _mapped(found, urn)
    return plain if len(bases) <= 1 else found


def _under(base: str, system: str) -> str:
    if not system.startswith(_URN):
        return system
    kind = "NamingSystem" if system in _IDENTIFIERS else "CodeSystem"
    return f"{base}/{kind}/fillwarm-{system.removeprefix(_URN)}"


def _mapped(found: Any, change: Any) -> Any:
    if isinstance(found, list):
        return [_mapped(one, change) for one in found]
    if not isinstance(found, dict):
        return found
    return {
        name: change(one)
        if name in {"system", "source", "target"} and isinstance(one, str)
        else _mapped(one, change)
        for name, one in found.items()
    }


# -- what is published ----------------------------------------------------------


def resources(protocols: Iterable[Protocol], base: str | None) -> dict[str, dict[str, Any]]:
    """CodeSystems and ConceptMaps of these protocols, by the name of their file."""
    protocols = list(protocols)
    steps = [step for one in protocols for step in one.steps()]
    found = [
        _system(codes.PROCEDURE, "Procedures", {one.id: one.title for one in protocols}),
        _system(codes.QUANTITY, "Quantities", {s.expect.quantity: s.title for s in steps}),
        _system(
            codes.OPTION,
            "Answers",
            {o.id: o.id.replace("_", " ") for s in steps for o in s.options} | {"done": "done"},
        ),
        _system(
            codes.RULE,
            "Safety rules",
            {rule.id: rule.id.replace("-", " ") for one in protocols for rule in one.rules},
        ),
        _system(codes.COMPUTED, "Computed values", codes.COMPUTED_NAMES, whole=True),
        _system(codes.ORIGIN, "Origins of values", codes.ORIGINS, whole=True),
        _system(SEVERITY, "Severities of rules", {s: s for s in codes.SEVERITY}, whole=True),
        _system(STANDING, "What became of an entry", {s: s for s in _STATUS}, whole=True),
        _map(
            SEVERITY,
            "http://hl7.org/fhir/detectedissue-severity",
            {word: (code, _ORDER) for word, code in codes.SEVERITY.items()},
        ),
        _map(STANDING, "http://hl7.org/fhir/observation-status", _STATUS),
    ]
    named = [(f"{one['resourceType']}-{one['id']}.json", one) for one in found]
    return {name: _with_url(published(one, base), base) for name, one in named}


_ORDER = "The order is kept, not the meaning: ours says how soon it must be heard."
_STATUS = {
    "standing": ("final", "preliminary until the note is signed"),
    "superseded": ("final", "until that part of the filling was done again"),
    "undone": ("entered-in-error", "taken back"),
    "replaced": ("entered-in-error", "by a correction; final where the step was done again"),
}


def _with_url(found: dict[str, Any], base: str | None) -> dict[str, Any]:
    kind, name = found["resourceType"], found["id"]
    ours = _URN + name.removeprefix("fillwarm-")
    head = {"resourceType": kind, "id": name, "text": found["text"]}
    return {**head, "url": f"{base}/{kind}/{name}" if base else ours, **found}


def _system(
    system: str, title: str, concepts: Mapping[str, str], *, whole: bool = False
) -> dict[str, Any]:
    told = [title, *(f"{code}: {text}" for code, text in concepts.items())]
    return {
        **_head("CodeSystem", system.removeprefix(_URN), title, told),
        "caseSensitive": True,
        "content": "complete" if whole else "fragment",
        "count": len(concepts),
        "concept": [{"code": code, "display": text} for code, text in concepts.items()],
    }


def _map(source: str, target: str, pairs: Mapping[str, tuple[str, str]]) -> dict[str, Any]:
    name = f"{source.removeprefix(_URN)}-map"
    told = [f"{word}: {code}, {why}" for word, (code, why) in pairs.items()]
    elements = [
        {"code": word, "target": [{"code": code, "equivalence": "inexact", "comment": why}]}
        for word, (code, why) in pairs.items()
    ]
    group = {"source": source, "target": target, "element": elements}
    return {**_head("ConceptMap", name, f"To {target}", told), "group": [group]}


def _head(kind: str, name: str, title: str, told: list[str]) -> dict[str, Any]:
    plain = "".join(word.capitalize() for word in name.split("-"))
    return {
        "resourceType": kind,
        "id": f"fillwarm-{name}",
        "text": {"status": "generated", "div": div(told)},
        "name": f"Fillwarm{plain}",
        "title": title,
        "status": "active",
    }
