"""Statistics over many cases. Pure; the raw values stay beside what is made of them.

Quartiles are the linear ones (type 7 of Hyndman and Fan 1996, numpy's default).
Proportions have a 95 % interval by Wilson's score method (:func:`.wilson`). Such an
interval takes every value as independent of the others; values of one case or one operator
are alike, so with few cases the truth may lie further off than it says.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from assistant.review.case_facts import Act, CaseFacts
from assistant.shares import wilson


@dataclass(frozen=True, slots=True)
class Spread:
    """Values of one kind with their quartiles, which are None without values."""

    values: tuple[float, ...]
    n: int
    least: float | None
    lower: float | None
    median: float | None
    upper: float | None
    most: float | None


@dataclass(frozen=True, slots=True)
class Share:
    """``count`` of ``n``, with the 95 % interval of the proportion; None without values."""

    count: int
    n: int
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class StepTime:
    """How long a step took, s: one value for each canal, cycle and increment."""

    step: str
    title: str
    seconds: Spread


@dataclass(frozen=True, slots=True)
class Acts:
    """Presses or activations of heat of one quantity.

    Attributes:
        planned_s: the protocol's times; more than one if protocols differ.
        outside: shorter than planned (a press) or longer (heat), of all.
        left_outside: the same of those that stand, after any was done again.
    """

    quantity: str
    title: str
    mode: str
    seconds: Spread
    planned_s: tuple[float, ...]
    outside: Share
    left_outside: Share


@dataclass(frozen=True, slots=True)
class DepthStatistics:
    """Depths of one quantity less the limit of their canal, mm; positive is beyond."""

    quantity: str
    title: str
    past_limit_mm: Spread
    beyond: Share


@dataclass(frozen=True, slots=True)
class Increments:
    """First or later backfill increments; ``most_mm`` as :attr:`Acts.planned_s`."""

    which: str
    length_mm: Spread
    most_mm: tuple[float, ...]
    large: Share


@dataclass(frozen=True, slots=True)
class Corrections:
    """Of one quantity: values corrected, of those given, and how many were taken back."""

    quantity: str
    title: str
    corrected: Share
    taken_back: int


@dataclass(frozen=True, slots=True)
class Warnings:
    """Of one rule: how often it fired, in which share of cases, how it was answered."""

    rule: str
    severity: str
    fired: int
    cases: Share
    answers: dict[str, int]


@dataclass(frozen=True, slots=True)
class Summary:
    """All of it. See the classes of the attributes.

    ``questions`` are those about what was heard, ``disbelieved`` those about values
    heard well, ``not_understood`` what was no clear phrase; each by case.
    """

    cases: int
    first: datetime | None
    last: datetime | None
    steps: tuple[StepTime, ...]
    acts: tuple[Acts, ...]
    depths: tuple[DepthStatistics, ...]
    increments: tuple[Increments, ...]
    increments_per_canal: Spread
    corrections: tuple[Corrections, ...]
    warnings: tuple[Warnings, ...]
    questions: Spread
    disbelieved: Spread
    not_understood: Spread


def spread(values: Iterable[float]) -> Spread:
    """Least, quartiles and most."""
    kept = tuple(map(float, values))
    if not kept:
        return Spread((), 0, None, None, None, None, None)
    least, lower, median, upper, most = (
        float(q) for q in np.quantile(kept, (0, 0.25, 0.5, 0.75, 1))
    )
    return Spread(kept, len(kept), least, lower, median, upper, most)


def share(hits: Iterable[bool]) -> Share:
    """How many are true, of how many, with its interval."""
    counted = Counter(hits)
    count, n = counted[True], counted.total()
    if n == 0:
        return Share(0, 0, None, None)
    return Share(count, n, *wilson(count, n))


def summarise(cases: Sequence[CaseFacts]) -> Summary:
    """The statistics of these cases."""
    labels = _first_named(case.labels for case in cases)
    opened = [case.opened for case in cases]
    return Summary(
        cases=len(cases),
        first=min(opened, default=None),
        last=max(opened, default=None),
        steps=tuple(_steps(cases)),
        acts=tuple(_acts(cases, labels)),
        depths=tuple(_depths(cases, labels)),
        increments=tuple(_increments(cases)),
        increments_per_canal=spread(n for case in cases for n in case.increments_per_canal),
        corrections=tuple(_corrections(cases, labels)),
        warnings=tuple(_warnings(cases)),
        questions=spread(case.questions for case in cases),
        disbelieved=spread(case.disbelieved for case in cases),
        not_understood=spread(case.not_understood for case in cases),
    )


def _first_named(tables: Iterable[dict[str, str]]) -> dict[str, str]:
    """One table of titles; where protocols differ, the first that has a key names it."""
    names: dict[str, str] = {}
    for table in tables:
        for key, title in table.items():
            names.setdefault(key, title)
    return names


def _steps(cases: Sequence[CaseFacts]) -> Iterable[StepTime]:
    titles = _first_named(case.titles for case in cases)
    seconds: dict[str, list[float]] = defaultdict(list)
    for case in cases:
        for step, took in case.seconds:
            seconds[step].append(took)
    for step, title in titles.items():
        if step in seconds:
            yield StepTime(step, title, spread(seconds[step]))


def _acts(cases: Sequence[CaseFacts], labels: dict[str, str]) -> Iterable[Acts]:
    by: dict[tuple[str, str], list[Act]] = defaultdict(list)
    for case in cases:
        for act in case.acts:
            by[act.mode, act.quantity].append(act)
    for mode, quantity in _in_order(by, labels):
        acts = by[mode, quantity]
        outside = [(a.short if mode == "hold" else a.long, a.stands) for a in acts]
        yield Acts(
            quantity,
            labels[quantity],
            mode,
            spread(act.seconds for act in acts),
            tuple(sorted({act.planned_s for act in acts})),
            share(out for out, _ in outside),
            share(out for out, stands in outside if stands),
        )


def _in_order(keys: Iterable[tuple[str, str]], labels: dict[str, str]) -> list[tuple[str, str]]:
    places = list(labels)
    return sorted(keys, key=lambda key: places.index(key[1]))


def _depths(cases: Sequence[CaseFacts], labels: dict[str, str]) -> Iterable[DepthStatistics]:
    for quantity, title in labels.items():
        found = [d for case in cases for d in case.depths if d.quantity == quantity]
        if found:
            past = spread(depth.past_limit_mm for depth in found)
            yield DepthStatistics(quantity, title, past, share(depth.beyond for depth in found))


def _increments(cases: Sequence[CaseFacts]) -> Iterable[Increments]:
    every = [one for case in cases for one in case.increments]
    for which, found in (
        ("first", [one for one in every if one.number == 1]),
        ("later", [one for one in every if one.number > 1]),
    ):
        yield Increments(
            which,
            spread(one.length_mm for one in found),
            tuple(sorted({one.most_mm for one in found})),
            share(one.large for one in found),
        )


def _corrections(cases: Sequence[CaseFacts], labels: dict[str, str]) -> Iterable[Corrections]:
    for quantity, title in labels.items():
        found = [case.given[quantity] for case in cases if quantity in case.given]
        values = sum(one.values for one in found)
        if values == 0:
            continue
        corrected = sum(one.corrected for one in found)
        hits = [True] * corrected + [False] * (values - corrected)
        yield Corrections(quantity, title, share(hits), sum(one.taken_back for one in found))


def _warnings(cases: Sequence[CaseFacts]) -> Iterable[Warnings]:
    """The rule that fired most often first."""
    fired = Counter(rule for case in cases for rule, _, _ in case.warnings)
    severities = {rule: severity for case in cases for rule, severity, _ in case.warnings}
    for rule, count in fired.most_common():
        answers = Counter(
            answer for case in cases for name, _, answer in case.warnings if name == rule
        )
        yield Warnings(
            rule,
            severities[rule],
            count,
            share(any(name == rule for name, _, _ in case.warnings) for case in cases),
            dict(answers.most_common()),
        )
