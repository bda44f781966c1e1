"""A practice's own file: who works there, and the materials it uses, the same in every case.

It prefills new cases; what a set-up or an option tells goes before it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field

from assistant.files.yamlfile import load_yaml
from assistant.progress import intents as it
from assistant.progress.people import LONGEST_NAME
from assistant.protocol.conditions import Conditions

Name = Annotated[str, Field(min_length=1, max_length=LONGEST_NAME, pattern=r"\S")]


class PracticeFile(Conditions):
    """``people`` are those who operate, in the order of their letters: the first is operator
    A, and operates unless another is named."""

    people: tuple[Name, ...] = Field(default=(), strict=False)
    assistant: Name | None = None


def load_practice(path: Path) -> PracticeFile:
    """Read such a file.

    Raises:
        InputFileError: it cannot be read, or a field does not fit; names field and line.
    """
    return load_yaml(path, PracticeFile)


def prefilled(set_up: it.Prepare | None, ours: PracticeFile) -> it.Prepare | None:
    """What a new case is told: its set-up, and what the practice has and that does not."""
    known = {condition for condition, _ in (set_up.conditions if set_up else ())}
    rest = tuple(one for one in ours.conditions() if one[0] not in known)
    if set_up is None and not rest:
        return None
    told = set_up or it.Prepare(values=(), heard=it.Heard(text="practice", channel="prepared"))
    return told.model_copy(update={"conditions": (*told.conditions, *rest)})
