"""What a person reads of a resource: its narrative, made of its own elements.

``generated``: it says nothing that the elements do not, and leaves out none that matter.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from html import escape
from typing import Any

from assistant.exchange.codes import TEST_DATA

XHTML = "http://www.w3.org/1999/xhtml"
WITHOUT = frozenset({"Binary", "Bundle"})
"""Kinds of resource that have none."""

_SKIPPED = frozenset({"resourceType", "id", "system", "category", "security"})


def narrative(kind: str, elements: Mapping[str, Any]) -> dict[str, str]:
    """The Narrative of a resource."""
    demo = elements.get("meta", {}).get("security") == [TEST_DATA]
    told = [f"{kind}{', invented demonstration data' if demo else ''}"]
    told += [f"{name}: {text}" for name, text in _lines(elements)]
    return {"status": "generated", "div": div(told)}


def div(paragraphs: Iterable[str]) -> str:
    """XHTML with these texts as paragraphs."""
    body = "".join(f"<p>{escape(text, quote=False)}</p>" for text in paragraphs)
    return f'<div xmlns="{XHTML}">{body}</div>'


def _lines(elements: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    for name, value in elements.items():
        if name in _SKIPPED or name == "meta":
            continue
        for one in value if isinstance(value, list) else [value]:
            if text := told(one):
                yield name, text


def told(value: Any) -> str:
    """A value in words: of a concept its text, of a quantity value and unit."""
    if not isinstance(value, dict):
        return value if isinstance(value, str) else str(value)
    if "reference" in value:
        return str(value.get("display", ""))
    for name in ("text", "display"):
        if isinstance(value.get(name), str):
            return str(value[name])
    if "value" in value:
        return f"{value['value']} {value.get('unit', '')}".strip()
    parts = [
        f"{name} {text}"
        for name, one in value.items()
        if name not in _SKIPPED
        for text in [
            ", ".join(filter(None, map(told, one if isinstance(one, list) else [one])))
        ]
        if text
    ]
    return "; ".join(parts)
