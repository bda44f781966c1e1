"""The base of every value in the core: immutable, nothing unknown let in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Self

from pydantic import BaseModel, ConfigDict

WRITTEN: Mapping[str, bool] = {"written": True}
"""Validation context of what a journal holds: it was checked when the case was opened, by
the version of then, and is read as it stands."""


class Frozen(BaseModel):
    """Base of every value in the core: immutable, nothing unknown let in."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    def model_copy(
        self, *, update: Mapping[str, Any] | None = None, deep: bool = False
    ) -> Self:
        """A copy; what was read off the fields once is read off the new ones."""
        copied = super().model_copy(update=update, deep=deep)
        for name in copied.__dict__.keys() - type(self).model_fields.keys():
            del copied.__dict__[name]
        return copied
