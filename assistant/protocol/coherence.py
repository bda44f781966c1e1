"""What must hold between the parts of a protocol, beyond the shape of each.

A file that passes cannot strand a canal: every step leads on, by answering
alone, to the end of its part.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from pydantic_core import PydanticCustomError

from assistant.protocol.machine import FINISHED, arrows

if TYPE_CHECKING:
    from assistant.protocol.model import Protocol, Step
    from assistant.protocol.rule import Rule

MM_CHECKS = frozenset(
    {
        "deeper_than_limit",
        "limit_unknown",
        "short_of_wl",
        "beyond_wl",
        "outside_handbook",
        "advance_outside",
        "readings_spread",
        "seal_below",
        "not_shallower_than",
        "differs_from_paper_points",
        "cone_misfit",
        "beyond_reach",
        "surface_rise_above",
        "cools_slower",
    }
)
"""Checks that make sense of a length only."""

ONCE = {"tooth": "opening", "canals": "opening", "sign": "closing"}
"""Kinds that a protocol asks for exactly once, and in which part; without them
there is no case to speak of."""

Loc = tuple[str | int, ...]


def check(protocol: Protocol, *, stay: str, reserved: set[str]) -> None:
    """Refuse a protocol whose parts do not fit together.

    The error's context holds ``at``: where in the file, as pydantic writes places.

    Raises:
        PydanticCustomError: the first misfit found.
    """
    parts = {name: getattr(protocol, name) for name in ("opening", "canal", "closing")}
    _check_ids(parts, reserved)
    for name, part in parts.items():
        _check_targets(name, part, {FINISHED, stay})
        _check_way_out(name, part)
    _check_findings(protocol, {s.id for part in parts.values() for s in part} | reserved, stay)
    _check_kinds(parts)
    _check_limits(protocol, parts)
    _check_rules(protocol)


def repeated(ids: Sequence[str]) -> str | None:
    """The first id that occurs twice, or None."""
    return next((one for i, one in enumerate(ids) if one in ids[:i]), None)


def misfit(at: Loc, message: str) -> PydanticCustomError:
    """An error that names the place ``at`` in the file."""
    # Through a field: braces in the message must not be taken for fields.
    return PydanticCustomError("misfit", "{message}", {"message": message, "at": at})


def _placed(parts: dict[str, tuple[Step, ...]]) -> Iterator[tuple[Loc, Step]]:
    for name, part in parts.items():
        for i, step in enumerate(part):
            yield (name, i), step


def _check_ids(parts: dict[str, tuple[Step, ...]], reserved: set[str]) -> None:
    seen: set[str] = set()
    for at, step in _placed(parts):
        if step.id in reserved:
            raise misfit((*at, "id"), f"{step.id!r} is a reserved name, not a step id")
        if step.id in seen:
            raise misfit((*at, "id"), f"step ids must be unique; {step.id!r} occurs twice")
        seen.add(step.id)


def _check_targets(name: str, part: tuple[Step, ...], others: set[str]) -> None:
    allowed = {step.id for step in part} | others
    for i, step in enumerate(part):
        leads = [(("next", k, "to"), branch.to) for k, branch in enumerate(step.next)]
        leads += [(("options", k, "to"), o.to) for k, o in enumerate(step.options) if o.to]
        for where, target in leads:
            if target not in allowed:
                raise misfit(
                    (name, i, *where),
                    f"step {step.id!r} leads to {target!r}; allowed here: "
                    f"{', '.join(sorted(allowed))}",
                )


def _check_way_out(name: str, part: tuple[Step, ...]) -> None:
    """Every step must be reached and lead to the end by answers, not by skips alone."""
    leads = leads_of(part)
    reached = _closure({part[0].id}, leads)
    for i, step in enumerate(part):
        if step.id not in reached:
            raise misfit((name, i, "id"), f"no step leads to step {step.id!r}")
        if FINISHED not in _closure({step.id}, leads):
            raise misfit((name, i, "id"), f"no answer leads from step {step.id!r} to the end")


_OF_FINDINGS = frozenset({"measure", "choice", "size", "taper", "done"})


def _check_findings(protocol: Protocol, taken: set[str], stay: str) -> None:
    """A finding has a name of its own, and leads somewhere: it is asked about or cautioned."""
    spoken_of = {quantity for rule in protocol.rules for quantity in rule.quantities}
    phases = {step.phase for step in protocol.canal}
    for i, finding in enumerate(protocol.findings):
        ids = [step.id for step in finding.all_steps]
        if again := next((one for one in ids if one in taken or ids.count(one) > 1), None):
            raise misfit(("findings", i), f"step ids must be unique; {again!r} occurs twice")
        taken |= set(ids)
        if not finding.steps and finding.id not in spoken_of:
            raise misfit(
                ("findings", i),
                f"finding {finding.id!r} leads nowhere; give it steps, or a rule about it",
            )
        for k, step in enumerate(finding.steps):
            at: Loc = ("findings", i, "steps", k)
            plain = step.loop is None and not step.next and step.role is None
            if step.expect.kind not in _OF_FINDINGS or not plain:
                raise misfit(at, f"step {step.id!r} of a finding is none of the sequence's")
            for n, option in enumerate(step.options):
                where: Loc = (*at, "options", n)
                if option.to not in {None, stay, FINISHED, *ids[k + 2 :]}:
                    raise misfit(where, f"{option.to!r} is no later step of {finding.id!r}")
                if (option.change == "again") != (option.part in phases):
                    raise misfit(where, f"{option.part!r} is no phase to be done again")


def leads_of(part: tuple[Step, ...]) -> dict[str, set[str]]:
    """By step id: where answering the step can lead, skips aside."""
    leads: dict[str, set[str]] = {}
    for arrow in arrows(part):
        if arrow.trigger != "skip":
            leads.setdefault(arrow.source, set()).add(arrow.dest)
    return leads


def _closure(start: set[str], leads: dict[str, set[str]]) -> set[str]:
    reached, fresh = set(start), list(start)
    while fresh:
        new = leads.get(fresh.pop(), set()) - reached
        reached |= new
        fresh += new
    return reached


def _check_kinds(parts: dict[str, tuple[Step, ...]]) -> None:
    for kind, part in ONCE.items():
        found = [at for at, step in _placed(parts) if step.expect.kind == kind]
        right = [at for at in found if at[0] == part]
        if not right:
            raise misfit((part,), f"the {part} must have a step of kind {kind}")
        for at in found:
            if at != right[0]:
                raise misfit((*at, "expect"), f"kind {kind} is asked once, in the {part}")
    closing = parts["closing"]
    if closing[-1].expect.kind != "sign":
        raise misfit(
            ("closing", len(closing) - 1), "the last closing step must be of kind sign"
        )


def _check_limits(protocol: Protocol, parts: dict[str, tuple[Step, ...]]) -> None:
    """Every limit that a rule or a timer names must be given."""
    named: list[tuple[Loc, str, str | None]] = []
    for i, rule in enumerate(protocol.rules):
        named.append((("rules", i, "limit"), f"rule {rule.id!r}", rule.limit))
        named.append((("rules", i, "limit_high"), f"rule {rule.id!r}", rule.limit_high))
    for at, step in _placed(parts):
        if step.expect.kind == "timed":
            for key in ("limit", "starts_after", "last_limit"):
                limit = getattr(step.expect, key)
                named.append(((*at, "expect", key), f"step {step.id!r}", limit))
    given = dict(protocol.limits.given())
    for at, who, limit in named:
        if limit is not None and limit not in given:
            raise misfit(
                at,
                f"{who} needs {limit!r}; add it to limits, with its source; those given are "
                f"{', '.join(given)}",
            )


def _check_rules(protocol: Protocol) -> None:
    kinds: dict[str, set[str]] = {}
    for step in protocol.steps():
        kinds.setdefault(step.expect.quantity, set()).add(step.expect.kind)
    ids = [step.id for step in protocol.steps()]
    names = [rule.id for rule in protocol.rules]
    for i, rule in enumerate(protocol.rules):
        if rule.id in names[:i]:
            raise misfit(
                ("rules", i, "id"), f"rule ids must be unique; {rule.id!r} occurs twice"
            )
        _check_names(i, rule, "quantities", rule.quantities, kinds)
        _check_names(i, rule, "steps", rule.steps, ids)
        for k, quantity in enumerate(rule.quantities):
            if rule.check in MM_CHECKS and not kinds[quantity] <= {"measure", "readings"}:
                raise misfit(
                    ("rules", i, "quantities", k),
                    f"rule {rule.id!r} checks a length; {quantity!r} is none",
                )


def _check_names(
    i: int, rule: Rule, field: str, named: tuple[str, ...], allowed: Iterable[str]
) -> None:
    for k, name in enumerate(named):
        if name not in allowed:
            raise misfit(
                ("rules", i, field, k),
                f"rule {rule.id!r} names {name!r}; allowed: {', '.join(allowed)}",
            )
