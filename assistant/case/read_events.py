"""Reads the events of a journal, those of earlier versions included.

Until steps had roles, a protocol was known by the names of its quantities. A journal from
then gets its roles here, from the table ``protocols/old/roles.yaml``, as it is read; what
is on the disk stays as it was.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from pydantic import BaseModel, ConfigDict

from assistant.files.shipped import data_folder
from assistant.files.yamlfile import load_yaml
from assistant.progress import events as ev
from assistant.protocol.frozen import WRITTEN
from assistant.protocol.roles import KINDS, Role

PARTS = ("opening", "canal", "closing")


class _OldNames(BaseModel):
    """By quantity: the role of the step that asks for it, and what it is called aloud."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    roles: dict[str, Role]
    called: dict[str, tuple[str, ...]]


def read_event(line: object) -> ev.AnyEvent:
    """An event from its plain data.

    A protocol that comes with it need only be whole: what a version of today wants of a
    new one is not asked of a case that was worked by it.

    Raises:
        pydantic.ValidationError: it is none.
    """
    return ev.EVENTS.validate_python(_with_roles(line), context=WRITTEN)


def old_role(quantity: str) -> Role | None:
    """The role of a quantity of the protocols from before steps had roles."""
    return _old_names().roles.get(quantity)


@lru_cache(maxsize=1)
def _old_names() -> _OldNames:
    return load_yaml(data_folder("protocols") / "old" / "roles.yaml", _OldNames)


def _with_roles(line: object) -> object:
    """The same line, its protocol's steps with their roles if they had none."""
    if not isinstance(line, dict) or not isinstance(protocol := line.get("protocol"), dict):
        return line
    parts = {name: protocol.get(name) for name in PARTS}
    steps = [step for part in parts.values() if isinstance(part, list) for step in part]
    if not all(isinstance(step, dict) and "role" not in step for step in steps):
        return line
    given = {
        name: [_with_role(step) for step in part]
        for name, part in parts.items()
        if isinstance(part, list)
    }
    return {**line, "protocol": {**protocol, **given}}


def _with_role(step: dict[str, Any]) -> dict[str, Any]:
    expect = step.get("expect")
    if not isinstance(expect, dict) or not isinstance(quantity := expect.get("quantity"), str):
        return step
    role = old_role(quantity)
    if role is None or expect.get("kind") not in KINDS[role]:
        return step
    return {**step, "role": role, "called": _old_names().called.get(quantity, ())}
