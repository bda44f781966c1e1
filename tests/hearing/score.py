"""From rows to figures: what counts as right, and how sure a rate is.

Rates carry 95 % intervals: Wilson's for shares, the exact Poisson interval for
events per hour. Pure; rows are plain data as :mod:`.work` writes them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any, Literal

from scipy.stats import chi2

from assistant.procedure.requests import QUERIES
from assistant.progress import intents as it
from assistant.shares import wilson

Row = dict[str, Any]

Verdict = Literal[
    "right", "wrong value", "wrong command", "wrong query", "questioned", "unclear", "nothing"
]
"""``right``: accepted at once, without a question; ``wrong value``: a value or an
option other than what was said was accepted without a question; ``wrong command``:
another command was obeyed (or a value was taken for one); ``wrong query``: the same
of one that changes nothing; ``questioned``: waits for "confirm"; ``unclear``: asked
again; ``nothing``: no utterance was found."""

AGAIN = ("unclear", "nothing")


@dataclass(frozen=True)
class Rate:
    """A share or a frequency with its 95 % interval."""

    value: float
    low: float
    high: float
    count: int
    of: float

    def __str__(self) -> str:
        return f"{self.value:.3g} ({self.low:.3g}-{self.high:.3g})"


def share(count: int, of: int) -> Rate:
    """``count`` of ``of`` with Wilson's 95 % interval; without trials 0 to 1."""
    if of == 0:
        return Rate(float("nan"), 0.0, 1.0, 0, 0)
    return Rate(count / of, *wilson(count, of), count, of)


def per_hour(count: int, seconds: float) -> Rate:
    """Events per hour with the exact Poisson 95 % interval (from chi square)."""
    if seconds <= 0:
        return Rate(float("nan"), 0.0, float("inf"), count, 0.0)
    hours = seconds / 3600
    low = chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    high = chi2.ppf(0.975, 2 * count + 2) / 2
    return Rate(count / hours, float(low) / hours, float(high) / hours, count, hours)


def same(one: it.AnyIntent, other: it.AnyIntent) -> bool:
    """Equal but for how it was heard; a quantity may be named or left out."""
    bare: dict[str, Any] = {"heard": it.Heard()}
    if isinstance(one, it.Given | it.Correction) and isinstance(other, type(one)):
        named = {one.quantity, other.quantity} - {None}
        if len(named) == 1:
            bare["quantity"] = None
    if type(one) is not type(other):
        return False
    return one.model_copy(update=bare) == other.model_copy(update=bare)


def judge(meant: it.AnyIntent, heard: Sequence[it.AnyIntent]) -> tuple[Verdict, bool | None]:
    """The verdict on everything that one phrase was understood as, in turn; and, if
    it was questioned, whether what was asked about was right."""
    clear = [intent for intent in heard if not isinstance(intent, it.Unclear)]
    accepted = [intent for intent in clear if intent.heard.doubt is None]
    questioned = [intent for intent in clear if intent.heard.doubt is not None]
    wrong = [intent for intent in accepted if not same(meant, intent)]
    if any(isinstance(i, it.Given | it.Correction | it.Chosen) for i in wrong):
        return "wrong value", None
    if any(not _is_query(intent) for intent in wrong):
        return "wrong command", None
    if wrong:
        return "wrong query", None
    if accepted:
        return "right", None
    if questioned:
        return "questioned", same(meant, questioned[-1])
    return ("unclear" if heard else "nothing"), None


def _is_query(intent: it.AnyIntent) -> bool:
    return isinstance(intent, it.Command) and intent.verb in QUERIES


def of_phrases(rows: Sequence[Row]) -> dict[str, Any]:
    """The figures of some phrase rows, all of one condition or of all."""
    n = len(rows)

    def counted(test: Callable[[Row], bool]) -> Rate:
        return share(sum(map(test, rows)), n)

    questioned = [row for row in rows if row["verdict"] == "questioned"]
    talks = [row["end"] for row in rows if row["end"] is not None]
    figures: dict[str, Any] = {
        "n": n,
        "right": counted(lambda r: r["verdict"] == "right"),
        "asked_again": counted(lambda r: r["verdict"] in AGAIN),
        "questioned": counted(lambda r: r["verdict"] == "questioned"),
        "questioned_rightly": share(
            sum(bool(r["question_right"]) for r in questioned), len(questioned)
        ),
        "wrong_value": counted(lambda r: r["verdict"] == "wrong value"),
        "wrong_command": counted(lambda r: r["verdict"] == "wrong command"),
        "wrong_query": counted(lambda r: r["verdict"] == "wrong query"),
        "wrong_stored": share(talks.count("wrong"), len(talks)),
        "wrong_unnoticed": share(
            sum(row["end"] == "wrong" and row["content"] for row in rows), len(talks)
        ),
        "not_stored": share(talks.count("missing"), len(talks)),
        "elsewhere": share(talks.count("elsewhere"), len(talks)),
        "answers": sum(len(row["answers"]) for row in rows) / n if n else 0.0,
    }
    return figures


def of_latency(rows: Iterable[Row]) -> dict[str, Any]:
    """Times of the utterances that were found: medians, 95th percentiles and maxima
    in seconds; ``from_voice`` is from the true end of the voice to the intent."""
    found = [(row, one) for row in rows for one in row["utterances"]]
    if not found:
        return {}
    last = [(row, row["utterances"][-1]) for row in rows_with_utterances(found)]
    ended = [(row, one) for row, one in last if not one["flushed"]]
    sound = sum(one["sound_s"] for _, one in found)
    times: dict[str, Any] = {
        "process_s": _spread([one["process_s"] for _, one in found]),
        "process_cpu_s": _spread([one["cpu_s"] for _, one in found]),
        "prepare_first_s": _spread([o["prepare_s"] for _, o in found if o["prepare_s"] > 0.02]),
        "from_voice_s": _spread(
            [one["at_s"] - row["ended_s"] + one["process_s"] for row, one in ended]
        ),
        "endpoint_s": _spread([one["at_s"] - row["ended_s"] for row, one in ended]),
        "no_end_found": share(len(last) - len(ended), len(last)),
        "real_time_factor": sum(one["process_s"] for _, one in found) / sound,
        "cpu_per_sound": sum(one["cpu_s"] for _, one in found) / sound,
    }
    return times


def rows_with_utterances(found: list[tuple[Row, Any]]) -> list[Row]:
    """Each row once, in order."""
    return list({row["key"]: row for row, _ in found}.values())


def _spread(values: list[float]) -> dict[str, float] | None:
    if not values:
        return None
    ordered = sorted(values)
    return {
        "median": median(ordered),
        "p95": ordered[min(len(ordered) - 1, int(0.95 * len(ordered)))],
        "max": ordered[-1],
        "n": len(ordered),
    }


def of_chatter(rows: Sequence[Row]) -> dict[str, Any]:
    """False triggers, questions and "say again" per hour of talk or of silence."""
    seconds = sum(row["seconds"] for row in rows)
    return {
        "hours": seconds / 3600,
        "triggers_per_hour": per_hour(sum(len(r["triggers"]) for r in rows), seconds),
        "questions_per_hour": per_hour(sum(r["questions"] for r in rows), seconds),
        "answered_per_hour": per_hour(sum(r["answered"] for r in rows), seconds),
        "asked_again_per_hour": per_hour(sum(r["asked_again"] for r in rows), seconds),
        "triggers": [t for r in rows for t in r["triggers"]],
    }


def grouped(rows: Iterable[Row], key: Callable[[Row], str]) -> dict[str, list[Row]]:
    """Rows by a key, in the order of their first appearance."""
    groups: dict[str, list[Row]] = {}
    for row in rows:
        groups.setdefault(key(row), []).append(row)
    return groups


def summary(rows: Sequence[Row]) -> dict[str, Any]:
    """Every figure of a campaign."""
    said = [row for row in rows if row["task"] == "phrase"]
    talk = [row for row in rows if row["task"] != "phrase"]
    by: dict[str, Callable[[Row], str]] = {
        "condition": lambda r: str(r["condition"]),
        "engine": lambda r: str(r["engine"]),
        "group": lambda r: str(r["group"]),
        "listener": lambda r: str((r["utterances"] or [{}])[-1].get("listener", "-")),
    }
    return {
        "all": of_phrases(said),
        **{
            f"by_{name}": {k: of_phrases(v) for k, v in sorted(grouped(said, key).items())}
            for name, key in by.items()
        },
        "latency": of_latency(said),
        "talk": {k: of_chatter(v) for k, v in grouped(talk, lambda r: str(r["task"])).items()},
    }
