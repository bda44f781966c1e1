"""Sentences with fields in braces: which fields there are, and that no other is used."""

from __future__ import annotations

import string
from typing import Annotated

from pydantic import AfterValidator, Field

FIELDS = frozenset(
    {
        "canal",
        "tooth",
        "wl",
        "limit",
        "limit_high",
        "value",
        "suggestion",
        "round",
        "coronal_level",
        "readings",
        "cone",
        "tip",
        "press_s",
        "step",
        "post_level",
        "top",
        "between",
        "cone_seat",
        "try_plugger",
        "heat_to",
        "plugger_to",
        "plugger",
        "cycles_left",
        "increment",
        "volume",
        "firm_s",
        "heat_max_s",
        "wait_s",
        "cardiac_device",
    }
)
"""Names a prompt or warning may use in braces; filled by ``progress/fields.py``."""


def names_in(template: str) -> frozenset[str]:
    """The fields that a template uses."""
    parts = string.Formatter().parse(template)
    return frozenset(name for _, name, _, _ in parts if name is not None)


def check_fields(text: str) -> str:
    """Return a template if its braces can be filled.

    Raises:
        ValueError: a field that is not in :data:`FIELDS`, or unbalanced braces.
    """
    parts = [part for part in string.Formatter().parse(text) if part[1] is not None]
    if any(spec or conversion for _, _, spec, conversion in parts):
        raise ValueError("a field in braces is a name alone, without ':' or '!'")
    if unknown := names_in(text) - FIELDS:
        raise ValueError(
            f"field {{{sorted(unknown)[0]}}} is not one of {', '.join(sorted(FIELDS))}"
        )
    return text


Template = Annotated[str, Field(min_length=1), AfterValidator(check_fields)]
"""A sentence to say, with fields in braces."""
