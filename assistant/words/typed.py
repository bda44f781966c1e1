"""Lines that can only be typed, because what they hold can be any text: names, remarks.

Their templates are those of ``typed`` in ``phrases.yaml``.
"""

from __future__ import annotations

import re
from functools import cache

from assistant.progress import intents as it
from assistant.protocol.conditions import Condition
from assistant.words.phrases import Phrases


def typed_only(line: str, phrases: Phrases, heard: it.Heard) -> it.AnyIntent | None:
    """What such a line means, None for any other line."""
    for means, templates in phrases.typed.items():
        for template in templates:
            if found := _pattern(template).fullmatch(line.strip()):
                return _intent(means, found.groupdict(), heard)
    return None


@cache
def _pattern(template: str) -> re.Pattern[str]:
    """A template as a pattern: spaces are any, ``{name}`` is one character or more."""
    parts = re.split(r"\{(\w+)\}", template)
    words = [re.sub(r"(\\ )+", r"\\s+", re.escape(part)) for part in parts[::2]]
    words = [re.sub(r":(\\s\+)?", r"\\s*:\\s*", part) for part in words]
    names = [f"(?P<{name}>\\S.*?)" for name in parts[1::2]]
    return re.compile("".join(map("".join, zip(words, [*names, ""], strict=True))), re.I)


def _intent(means: str, said: dict[str, str], heard: it.Heard) -> it.AnyIntent:
    match means.split("_"):
        case ["takeover", role]:
            return it.TakeOver.model_validate({"role": role, "heard": heard, **said})
        case ["note", *name]:
            condition = Condition("_".join(name))
            return it.Note(heard=heard, condition=condition, text=said["text"])
        case ["close", "visit"]:
            return it.CloseVisit(heard=heard, **said)
        case ["remark"]:
            return it.Remark(heard=heard, text=said["text"])
        case ["correct", "remark"]:
            number = _number(said.get("number"))
            return it.CorrectRemark(heard=heard, text=said["text"], number=number)
        case ["drop", "remark"]:
            return it.DropRemark(heard=heard, number=_number(said.get("number")))
        case ["sign", "as"]:
            return it.SignAs(heard=heard, name=said["name"])
    raise ValueError(f"no intent is called {means!r}")


def _number(said: str | None) -> int | None:
    """The number of a remark; one that none can have where it is no number."""
    if said is None:
        return None
    return int(said) if re.fullmatch(r"[0-9]{1,4}", said) else 0
