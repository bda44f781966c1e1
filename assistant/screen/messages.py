"""What a page may send."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from assistant.screen.guard import NAME_CHARACTERS
from assistant.screen.port import LONGEST_LINE

MESSAGE_BYTES = 2048
"""Largest message taken from a page (and largest body of a pairing)."""


class _Message(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class TypedLine(_Message):
    """A typed line from the page."""

    kind: Literal["line"]
    text: str = Field(max_length=LONGEST_LINE)


class Tap(_Message):
    """The pedal."""

    kind: Literal["tap"]


class AskCodes(_Message):
    """Codes for one more device."""

    kind: Literal["pair"]


class Remove(_Message):
    """A paired device is to be forgotten."""

    kind: Literal["remove"]
    device: str = Field(max_length=NAME_CHARACTERS)


class FilledIn(_Message):
    """The set-up form, to be checked or, with ``begin``, to be told to the case."""

    kind: Literal["set_up"]
    set_up: dict[str, Any]
    begin: bool


MESSAGES: TypeAdapter[TypedLine | Tap | AskCodes | Remove | FilledIn] = TypeAdapter(
    TypedLine | Tap | AskCodes | Remove | FilledIn
)
