"""understand(recognised, grammar) -> Intent: what was meant, or why that is unclear.

A phrase is looked up in the step's grammar; it is never guessed at. Two
meanings, half a phrase, or too little confidence give :class:`Unclear`, which
the case answers with a question. A value heard with some doubt carries the
doubt along and is confirmed before it counts.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, NamedTuple, TypeVar

from assistant.procedure.requests import QUERIES
from assistant.progress import intents as it
from assistant.protocol.conditions import Condition
from assistant.protocol.moment import Moment
from assistant.words.grammar import Grammar
from assistant.words.graph import AT, DOUBT, THEN, End, Reading
from assistant.words.numbers import number_words
from assistant.words.recognised import Recognised
from assistant.words.sayings import describe
from assistant.words.typed import typed_only


@dataclass(frozen=True)
class Trust:
    """How much confidence is enough.

    Attributes:
        accept: at or above, a value counts without being confirmed.
        command: at or above, a command is obeyed; commands can be undone.
        reject: below, nothing is even questioned, only asked again.
        harmless: at or above, a harmless command is obeyed.
        stop: at or above, "stop" is: heat that goes on unheard is worse than heat that
            ends early.
        ours: below, it was not said to the program (:attr:`~.recognised.Recognised.ours`).
    """

    accept: float
    command: float
    reject: float
    harmless: float = 0.0
    stop: float = 0.0
    ours: float = 0.0


HARMLESS = frozenset({"press", "heat_on", "stop", "pause", "resume"}) | QUERIES
"""Commands obeyed at little confidence: they store no value, and a short word such as
"press" is never heard with much."""

TYPED = Trust(accept=0.0, command=0.0, reject=0.0)


def understand(
    recognised: Recognised,
    grammar: Grammar,
    trust: Trust,
    *,
    channel: it.Channel = "voice",
    began: Moment | None = None,
) -> it.AnyIntent:
    """The one meaning of what was recognised, or ``Unclear`` with the reason."""
    text, confidence = recognised.text, recognised.confidence
    heard = it.Heard(text=text, confidence=confidence, channel=channel, began=began)
    if not text:
        return it.Unclear(heard=heard, reason="no phrase of this step")
    meant = meanings(text, grammar, heard)
    if not meant:
        return it.Unclear(heard=heard, reason="not a whole phrase")
    if len(meant) > 1:
        readings = tuple(describe(meaning) for meaning in meant)
        return it.Unclear(heard=heard, reason="more than one meaning", readings=readings)
    (intent,) = meant
    if confidence < trust.reject:
        return it.Unclear(heard=heard, reason="heard too faintly")
    if isinstance(intent, it.Command) and intent.verb in HARMLESS:
        if confidence >= (trust.stop if intent.verb == "stop" else trust.harmless):
            return intent
        return it.Unclear(heard=heard, reason="heard too faintly")
    if isinstance(intent, it.Several):
        return _doubted_alone(intent, recognised, grammar, trust)
    if isinstance(intent, it.Given | it.Correction | it.Chosen | it.AsPlanned):
        return _weighed(recognised, grammar, trust, intent)
    if isinstance(intent, it.Finding) and intent.mm is not None and confidence < trust.accept:
        intent = _doubted(intent, "Not heard clearly.")
    if confidence >= trust.command:
        if isinstance(intent, it.SwitchCanal) and confidence < trust.accept:
            return _which_canal(recognised, grammar, intent)
        return intent
    if isinstance(intent, it.Command) and intent.verb == "next":
        return _doubted(intent, "Not heard clearly.")
    return it.Unclear(heard=heard, reason="heard too faintly")


def understand_typed(line: str, grammar: Grammar) -> it.AnyIntent:
    """The same for a typed line; digits are numbers, "skip because ..." is free text."""
    language = grammar.language.phrases.language
    found = re.match(r"(.*\S)\s+because\s+(\S.*)$", line, re.IGNORECASE)
    if found:
        change = understand_typed(found.group(1), grammar)
        if isinstance(change, it.Change):
            heard = change.heard.model_copy(update={"text": line.strip()})
            reason = found.group(2).strip()[:200]
            return change.model_copy(update={"heard": heard, "reason": reason})
    free = re.match(r"\s*skip\s*(?:because|:)\s*(\S.*)$", line, re.IGNORECASE)
    heard = it.Heard(text=line.strip(), channel="typed")
    if free:
        return it.Skip(heard=heard, reason=free.group(1).strip()[:200])
    if (told := typed_only(line, grammar.language.phrases, heard)) is not None:
        return told
    words = as_said(line, language)
    intent = understand(Recognised(words, 1.0), grammar, TYPED, channel="typed")
    return intent.model_copy(
        update={"heard": intent.heard.model_copy(update={"text": heard.text})}
    )


def as_said(line: str, language: str) -> str:
    """A typed line in the words in which it would be said: "plugger 16.5" is "plugger sixteen
    point five"."""
    words = re.sub(
        r"\d*\.?\d+", lambda m: f" {number_words(float(m.group()), language)} ", line.lower()
    )
    return " ".join(re.sub(r"[^\w\s']|_", " ", words).split())


def meanings(
    text: str,
    grammar: Grammar,
    heard: it.Heard = it.Heard(),  # noqa: B008 - frozen
) -> list[it.AnyIntent]:
    """Every distinct meaning of a text; doubtful readings only where there is no other."""
    words = text.split()
    readings = [_Split(reading) for reading in grammar.graph.meanings(words)]
    # "Twenty one" is one number, not two: no pause would be heard between them.
    fewest = min((len(one.parts) for one in readings), default=1)
    readings = [one for one in readings if len(one.parts) == fewest]
    sure = [one for one in readings if not one.doubtful]
    found: list[it.AnyIntent] = []
    for one in sure or readings:
        intent = _sentence(one, words, heard)
        same = next((i for i, other in enumerate(found) if _alike(intent, other)), None)
        if same is None:
            found.append(intent)
        elif _names(intent) > _names(found[same]):
            found[same] = intent
    return _newest_kind_first(found, grammar.wanted.corrections)


def _alike(one: it.AnyIntent, other: it.AnyIntent) -> bool:
    """The same, but that one may name what the other leaves to the step."""
    pairs = zip(parts(one), parts(other), strict=True)
    return type(one) is type(other) and all(
        a == b
        or (
            isinstance(a, it.Given | it.Correction)
            and isinstance(b, type(a))
            and None in {a.quantity, b.quantity}
            and a == b.model_copy(update={"quantity": a.quantity})
        )
        for a, b in pairs
    )


def parts(intent: it.AnyIntent) -> tuple[it.AnyIntent, ...]:
    """The answers of one sentence; mostly one."""
    return intent.parts if isinstance(intent, it.Several) else (intent,)


def _names(intent: it.AnyIntent) -> int:
    """How many of its values say what they are."""
    return sum(bool(getattr(part, "quantity", None)) for part in parts(intent))


class _Answer(NamedTuple):
    """One answer of a sentence: what it is, its slots, and from which word it is said."""

    end: End
    slots: dict[str, Any]
    begins: int


class _Split:
    """A reading, parted into the answers that it holds."""

    def __init__(self, reading: Reading) -> None:
        self.parts: list[_Answer] = []
        slots: dict[str, Any] = {}
        begins = next_begins = 0
        for slot, value in reading.puts:
            if slot == AT:
                next_begins = int(value)
            elif slot == THEN:
                self.parts.append(_Answer(End(str(value)), slots, begins))
                slots, begins = {}, next_begins
            elif slot == DOUBT:
                last = self.parts[-1]
                self.parts[-1] = last._replace(end=last.end._replace(doubt=str(value)))
            else:
                slots[slot] = value
        self.parts.append(_Answer(reading.end, slots, begins))

    @property
    def doubtful(self) -> bool:
        return any(part.end.doubt for part in self.parts)


def _sentence(split: _Split, words: list[str], heard: it.Heard) -> it.AnyIntent:
    """The intent of a reading: of several answers each with its own words."""
    ends = [*(part.begins for part in split.parts[1:]), len(words)]
    parts: list[it.AnyIntent] = []
    for part, end in zip(split.parts, ends, strict=True):
        own = heard
        if len(split.parts) > 1:
            own = heard.model_copy(update={"text": " ".join(words[part.begins : end])})
        one = _intent(part.end.intent, part.slots, own)
        if part.end.doubt and isinstance(one, it.Given | it.Correction):
            one = _doubted(one, part.end.doubt)
        # "option yes 3" is the answer to three questions, "three points" three readings.
        count = part.end.intent.removeprefix("option yes ")
        parts += [one] * int(count if count.isdecimal() else part.slots.get("times", 1))
    if len(parts) == 1:
        return parts[0]
    return it.Several.model_validate({"parts": tuple(parts), "heard": heard})


def _newest_kind_first(
    meanings: list[it.AnyIntent], kinds: tuple[str, ...]
) -> list[it.AnyIntent]:
    """ "Correction thirty" corrects the newest entry, so its kind decides what 30 is."""
    bare = [m for m in meanings if isinstance(m, it.Correction) and m.quantity is None]
    if len(bare) < 2:
        return meanings
    best = min(bare, key=lambda m: kinds.index(m.kind) if m.kind in kinds else len(kinds))
    return [m for m in meanings if m not in bare or m is best]


def _intent(means: str, slots: dict[str, Any], heard: it.Heard) -> it.AnyIntent:
    name, _, rest = means.partition(" ")
    match name:
        case "correction" if rest == "option":
            both = str(slots.get("answer", "")).split() or (slots["option"], slots["quantity"])
            option, of = map(str, both)
            return it.Correction(kind="option", value=option, quantity=of, heard=heard)
        case "given" | "correction":
            make: Any = it.Given if name == "given" else it.Correction
            quantity = slots.get("quantity")
            return _value_intent(make, rest, slots, quantity, heard)
        case "option":
            return it.Chosen(option=rest.split()[0], heard=heard)
        case "command":
            return it.Command.model_validate({"verb": rest, "heard": heard})
        case "planned":
            return it.AsPlanned(quantity=slots.get("quantity"), heard=heard)
        case "skip":
            return it.Skip(reason=slots.get("reason"), heard=heard)
        case "switch":
            return it.SwitchCanal(canal=str(slots["canal"]), heard=heard)
        case "note":
            condition, _, text = rest.partition(" ")
            told = {"condition": Condition(condition), "text": text, "heard": heard}
            return it.Note.model_validate(told)
        case "visit":
            told = {name: slots.get(name) for name in ("dressing", "plan")}
            return it.CloseVisit.model_validate({"heard": heard, **told})
        case "takeover":
            by_letter = {"role": rest, "name": slots["person"], "heard": heard}
            return it.TakeOver.model_validate(by_letter)
        case "change":
            said = {k: slots.get(k) for k in ("canal", "to", "tooth", "reason")}
            said["mm"] = _tenths(slots) if "whole" in slots else None
            return it.Change.model_validate({"what": rest, "heard": heard, **said})
        case "finding":
            mm = _tenths(slots) if "whole" in slots else None
            return it.Finding(finding=str(slots["finding"]), mm=mm, heard=heard)
        case "who":
            return it.WhoSpeaks.model_validate({"who": rest, "heard": heard})
    raise ValueError(f"no intent is called {means!r}")


def _value_intent(
    make: Any, kind: str, slots: dict[str, Any], quantity: str | None, heard: it.Heard
) -> it.AnyIntent:
    value: it.Scalar
    match kind:
        case "mm" | "s":
            value = _tenths(slots)
        case "taper":
            value = float(slots["taper"])
        case "canals":
            order = ("first", "second", "third", "fourth", "fifth", "sixth")
            value = tuple(str(slots[key]) for key in order if key in slots)
        case _:
            value = int(slots[kind])
    number = {"number": int(slots["nth"])} if "nth" in slots else {}
    intent: it.AnyIntent = make(
        kind=kind, value=value, quantity=quantity, heard=heard, **number
    )
    return intent


def _tenths(slots: dict[str, Any]) -> float:
    """A dictated number; in tenths, so that 21.5 is the float nearest to 21.5."""
    return (10 * int(slots["whole"]) + int(slots.get("tenth", 0))) / 10


def _weighed(
    recognised: Recognised, grammar: Grammar, trust: Trust, intent: it.AnyIntent
) -> it.AnyIntent:
    """A value with the doubt about it, if there is one: a rival with another meaning is
    named; one that differs in the value alone goes along as the other one of two."""
    if recognised.confidence >= trust.accept and not recognised.either:
        return intent
    for text in recognised.alternatives:
        others = meanings(text, grammar, intent.heard)
        if others and others[0] != intent:
            return _between(intent, others[0])
    return _doubted(intent, "Not heard clearly.")


def _which_canal(
    recognised: Recognised, grammar: Grammar, intent: it.SwitchCanal
) -> it.SwitchCanal | it.Unclear:
    """A canal that is not heard surely is taken only if nothing else was nearly heard:
    the wrong one would take the values of another."""
    for text in recognised.alternatives:
        for other in meanings(text, grammar, intent.heard):
            if isinstance(other, it.SwitchCanal) and other.canal != intent.canal:
                both = (describe(intent), describe(other))
                reason = "more than one meaning"
                return it.Unclear(heard=intent.heard, reason=reason, readings=both)
    return intent


def _between(intent: it.AnyIntent, other: it.AnyIntent) -> it.AnyIntent:
    """A value in doubt because another meaning is about as likely."""
    doubted = _doubted(intent, f"Not sure: perhaps {describe(other)}.")
    if not isinstance(intent, it.Given | it.Correction) or type(other) is not type(intent):
        return doubted
    same_but_value = {"value": intent.value, "heard": intent.heard}
    if other.model_copy(update=same_but_value) != intent:
        return doubted
    return doubted.model_copy(update={"rival": getattr(other, "value")})  # noqa: B009


_AnIntent = TypeVar("_AnIntent", bound=it.Intent)


def _doubted_alone(
    intent: it.Several, recognised: Recognised, grammar: Grammar, trust: Trust
) -> it.Several:
    """Several answers, of which the doubtful ones are to be confirmed.

    A rival that differs in some of the answers only is evidence against those alone. With
    little confidence, or no such rival, any of them may be the wrong one.
    """
    doubts: dict[int, str] = {}
    if recognised.confidence < trust.accept or recognised.either:
        for rival in recognised.alternatives:
            other = next(iter(meanings(rival, grammar, intent.heard)), None)
            if isinstance(other, it.Several) and len(other.parts) == len(intent.parts):
                pairs = enumerate(zip(intent.parts, other.parts, strict=True))
                for i, (one, instead) in pairs:
                    if bare(one) != bare(instead):
                        doubts.setdefault(i, f"Not sure: perhaps {describe(instead)}.")
        if recognised.confidence < trust.command or not doubts:
            rest = dict.fromkeys(range(len(intent.parts)), "Not heard clearly.")
            doubts = rest | doubts
    parts = [
        _doubted(part, doubts[i]) if i in doubts else part
        for i, part in enumerate(intent.parts)
    ]
    return intent.model_copy(update={"parts": tuple(parts)})


def bare(intent: it.AnyIntent) -> it.AnyIntent:
    """What is meant, without how it was heard."""
    update: dict[str, Any] = {"heard": it.Heard()}
    if isinstance(intent, it.Several):
        update["parts"] = tuple(bare(part) for part in intent.parts)
    return intent.model_copy(update=update)


def _doubted(intent: _AnIntent, doubt: str) -> _AnIntent:
    before = intent.heard.doubt
    joined = f"{before} {doubt}" if before else doubt
    heard = intent.heard.model_copy(update={"doubt": joined})
    return intent.model_copy(update={"heard": heard})
