"""Cases in which anything is said: do the program and the second set of rules agree?

One command, long, no timed test. A case is opened, so many intents are given to it, and
somebody polite brings it to the signature; after every intent everything in
:mod:`fuzz.watched` is checked. ``--sabotage`` asks the opposite: one rule at a time is
taken from the program, and it is counted how soon that is noticed.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections import Counter
from pathlib import Path
from random import Random
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

import results
from oracle import Oracle

from fuzz.said import anything
from fuzz.watched import PROTOCOLS, Broken, Case, pluggers, polite, protocol

KINDS = tuple((name, own) for name in PROTOCOLS for own in (False, True))
"""The shipped protocols, without and with the practice's own instruments."""


def one_case(seed: int, number: int, intents: int, without: str | None = None) -> Case:
    """Drive one case; ``without`` takes this rule from the program, not from the oracle.

    Raises:
        Broken: something that must always hold does not.
    """
    name, own = KINDS[number % len(KINDS)]
    true = protocol(name)
    rules = tuple(rule for rule in true.rules if rule.id != without)
    case = Case(true.model_copy(update={"rules": rules}), pluggers() if own else None)
    case.oracle = Oracle(true, case.instruments)
    return drive(case, Random(f"{seed}-{number}"), intents)


def drive(case: Case, rng: Random, intents: int) -> Case:
    """Polite to some step, every phase as likely, then anything, then politely to the end."""
    parts = case.protocol
    steps = [*parts.opening, *parts.canal, *parts.closing]
    phase = rng.choice(list(dict.fromkeys(step.phase for step in steps)))
    begin_at = rng.choice([step.id for step in steps if step.phase == phase])
    try:
        for _ in range(100):
            step = case.state.step
            if case.state.signed is not None or (step is not None and step.id == begin_at):
                break
            case.give(*polite(case.state))
        for _ in range(intents):
            case.give(*anything(rng, case.state))
            case.check_way_on()
        case.finish()
        for _ in range(5):
            case.give(*anything(rng, case.state))
        case.check_replay()
    except Broken as broken:
        broken.case = case
        raise
    return case


def campaign(seed: int, cases: int, intents: int) -> dict[str, Any]:
    """Counts over all cases, and the first finding of each kind in full."""
    tally: dict[str, Counter[str]] = {
        "expected": Counter(),
        "fired": Counter(),
        "otherwise": Counter(),
        "questioned": Counter(),
    }
    events: Counter[str] = Counter()
    findings: Counter[str] = Counter()
    first: dict[str, dict[str, Any]] = {}
    steps, began = 0, time.process_time()
    for number in range(cases):
        try:
            case = one_case(seed, number, intents)
        except Broken as broken:
            findings[broken.kind] += 1
            first.setdefault(broken.kind, {"case": number, "what": str(broken)[:2000]})
            case = broken.case or Case(protocol(PROTOCOLS[0]))
        steps += case.steps
        events.update(case.outcomes)
        for column, counts in tally.items():
            counts.update(getattr(case.oracle.tally, column))
        if sys.stderr.isatty() and number % 20 == 0:
            print(f"\r{number} of {cases} cases", end="", file=sys.stderr)
    return {
        "seed": seed,
        "cases": cases,
        "intents_per_case": intents,
        "steps": steps,
        "cpu_s": round(time.process_time() - began, 1),
        "warnings": {
            rule: {
                **{column: counts[rule] for column, counts in tally.items()},
            }
            for rule in sorted(set().union(*tally.values()))
        },
        "events": dict(events.most_common()),
        "findings": dict(findings),
        "first_of_each": first,
    }


def sabotage(seed: int, cases: int, intents: int) -> dict[str, Any]:
    """For each rule: after how many cases its absence is noticed."""
    noticed: dict[str, int | None] = {}
    for rule in dict.fromkeys(rule.id for name in PROTOCOLS for rule in protocol(name).rules):
        noticed[rule] = notices(seed, cases, intents, rule)
    return {"seed": seed, "cases": cases, "noticed_after_cases": noticed}


def notices(seed: int, cases: int, intents: int, rule: str) -> int | None:
    """The number of cases until the lack of this rule shows, None if it never does."""
    for number in range(cases):
        try:
            one_case(seed, number, intents, without=rule)
        except Broken:
            return number + 1
    return None


def as_text(result: dict[str, Any]) -> str:
    if "noticed_after_cases" in result:
        rows = result["noticed_after_cases"].items()
        lines = [f"{rule:24}{after if after else 'not noticed':>12}" for rule, after in rows]
        return "\n".join([f"{'rule taken out':24}{'cases':>12}", *lines])
    lines = [
        f"{result['cases']} cases, {result['steps']} intents decided, "
        f"{result['cpu_s']:.0f} s of one core, seed {result['seed']}",
        f"{'rule':24}{'expected':>10}{'otherwise':>11}{'fired':>8}{'questioned':>12}",
    ]
    for rule, row in result["warnings"].items():
        lines.append(
            f"{rule:24}{row['expected']:>10}{row['otherwise']:>11}{row['fired']:>8}"
            f"{row['questioned']:>12}"
        )
    found = result["findings"]
    lines.append(f"findings: {sum(found.values())} of {result['cases']} cases")
    for kind, count in found.items():
        one = result["first_of_each"][kind]
        lines.append(f"  {count} x {kind}; first in case {one['case']}: {one['what'][:300]}")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--intents", type=int, default=60, help="said before the polite end")
    parser.add_argument("--sabotage", action="store_true", help="is a missing rule noticed?")
    parser.add_argument("--out", type=Path, help="folder for cases.json and cases.txt")
    parser.add_argument("--results", action="store_true", help=results.HELP)
    given = parser.parse_args()
    with results.kept(
        __file__, "Random cases against the second set of rules", wanted=given.results
    ):
        os.nice(10)
        run = sabotage if given.sabotage else campaign
        result = run(given.seed, given.cases, given.intents)
        text = as_text(result)
        print(text)
        if given.out:
            given.out.mkdir(parents=True, exist_ok=True)
            (given.out / "cases.json").write_text(json.dumps(result, indent=1) + "\n")
            (given.out / "cases.txt").write_text(text + "\n")
        sys.exit(1 if result.get("findings") else 0)


if __name__ == "__main__":
    main()
