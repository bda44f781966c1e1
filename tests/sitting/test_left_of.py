"""What a rehearsed operator has still to say when a pause has parted a sentence."""

from __future__ import annotations

import pytest

from assistant.progress import intents as it
from assistant.sitting.rehearsal import left_of

SIZE = it.Given(kind="size", value=35.0, heard=it.Heard(text="size thirty five"))
TAPER = it.Given(kind="taper", value=0.06, heard=it.Heard(text="taper oh six"))
POST = it.Chosen(option="no", heard=it.Heard(text="no post"))
WHOLE = it.Several(parts=(SIZE, TAPER, POST), heard=it.Heard(text="the whole"))


def said(*parts: it.Given | it.Chosen) -> it.AnyIntent:
    """The same in other words: it is the meaning that counts."""
    heard = it.Heard(text="in other words")
    told = tuple(part.model_copy(update={"heard": heard}) for part in parts)
    return told[0] if len(told) == 1 else it.Several(parts=told, heard=heard)


@pytest.mark.parametrize(
    ("heard", "left"),
    [
        (said(SIZE), "taper oh six, no post"),
        (said(SIZE, TAPER), "no post"),
        (said(SIZE, TAPER, POST), None),
        (said(TAPER), None),
        (said(SIZE, POST), None),
        (it.Command(verb="confirm"), None),
    ],
)
def test_what_is_left(heard: it.AnyIntent, left: str | None) -> None:
    rest = left_of(WHOLE, heard)
    found = rest.parts if isinstance(rest, it.Several) else (rest,)
    assert left == (rest and ", ".join(part.heard.text for part in found if part))


def test_of_one_answer_nothing_is_left() -> None:
    assert left_of(SIZE, said(SIZE)) is None
