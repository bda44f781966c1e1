"""The floor under every protocol: what a file leaves unguarded.

Asked of a file, not of what a journal holds. What heats without a limit is refused unless
the file says ``unguarded: {guard: reason}``; the note then shows the reason. The other
gaps are named by ``check-protocol``. That these belong under every technique of the family
is common practice; which of them are refused is chosen here.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

from assistant.protocol.coherence import Loc, misfit
from assistant.protocol.roles import Role

if TYPE_CHECKING:
    from assistant.protocol.model import Protocol, Step
    from assistant.protocol.rule import CheckName

HEATED = frozenset({Role.HEAT_FIT, Role.SEAR, Role.HEAT_DEPTH})
"""Depths to which something hot goes."""

DEPTHS = HEATED | {
    Role.CORONAL_PLUGGER,
    Role.MIDDLE_PLUGGER,
    Role.APICAL_PLUGGER,
    Role.COMPACTION,
}

ASKED = {
    "verification_film": (Role.VERIFICATION, "no film of the cone before it is sealed"),
    "final_film": (Role.FINAL_RADIOGRAPH, "no film of the finished fill"),
    "dry_canal": (Role.DRYNESS, "nobody is asked whether the canal is dry"),
}


class Gap(NamedTuple):
    """One thing left unguarded: ``guard`` is its name in the file, ``heated`` refuses it."""

    guard: str
    at: Loc
    what: str
    heated: bool = False


def gaps(protocol: Protocol) -> Iterator[Gap]:
    """What a protocol leaves unguarded, whether or not the file gives a reason."""
    steps = {
        step.role: ((part, i), step)
        for part in ("opening", "canal", "closing")
        for i, step in enumerate(getattr(protocol, part))
        if step.role is not None
    }
    if Role.HEAT in steps:
        at, heat = steps[Role.HEAT]
        for role, what in (
            (Role.HEAT_DEPTH, "the depth the carrier reached is not asked"),
            (Role.HEAT_FIT, "the carrier's depth is not fitted cold"),
        ):
            if role not in steps:
                yield Gap(str(role), at, f"heat, and {what} (role {role})", heated=True)
        if not _judged(protocol, "above", heat):
            what = f"step {heat.id!r} heats, and no rule of check above limits {_of(heat)}"
            yield Gap("heat_time", at, what, heated=True)
    for role in sorted(DEPTHS & steps.keys()):
        at, step = steps[role]
        if not _judged(protocol, "deeper_than_limit", step):
            what = f"step {step.id!r} asks a depth, and no rule of check deeper_than_limit"
            yield Gap("depth_limit", at, f"{what} limits {_of(step)}", heated=role in HEATED)
    if {Role.FINAL_LENGTH, Role.CONE_LENGTH} <= steps.keys() and Role.CUT_BACK not in steps:
        what = "a final length after the cone was fitted, and no cut back (role cut_back)"
        yield Gap("cut_back", steps[Role.FINAL_LENGTH][0], what)
    for guard, (role, what) in ASKED.items():
        if role not in steps:
            yield Gap(guard, ("canal",), f"{what} (role {role})")


def check(protocol: Protocol) -> None:
    """Refuse heat without a limit that the file does not own up to.

    Raises:
        PydanticCustomError: the first one found; its context says where.
    """
    found = list(gaps(protocol))
    reasons = _reasons(protocol)
    for gap in found:
        if gap.heated and gap.guard not in reasons:
            remedy = f"or say under unguarded: {gap.guard}: and the reason"
            raise misfit(gap.at, f"{gap.what}; add it, {remedy}")
    for name in reasons.keys() - {gap.guard for gap in found}:
        raise misfit(("unguarded", name), f"{name} is guarded; take the line out")


def unguarded(protocol: Protocol, *, owned: bool = False) -> Iterator[str]:
    """A line for each gap, with the reason that the file gives, if it gives one.

    ``owned``: only those with a reason, which a case from before there was a floor has none
    of.
    """
    reasons = _reasons(protocol)
    for gap in gaps(protocol):
        reason = reasons.get(gap.guard)
        if reason or not owned:
            yield f"Unguarded: {gap.what}{f': {reason}' if reason else ''}"


def _reasons(protocol: Protocol) -> dict[str, str]:
    return protocol.unguarded.model_dump(exclude_none=True)


def _judged(protocol: Protocol, check: CheckName, step: Step) -> bool:
    return any(
        rule.check == check and step.expect.quantity in rule.quantities
        for rule in protocol.rules
    )


def _of(step: Step) -> str:
    return step.expect.quantity
