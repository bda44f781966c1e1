"""The words for values and entries, on the screen and for the voice."""

from __future__ import annotations

import re
from pathlib import Path

from pydantic import BaseModel, ConfigDict

from assistant.canal import instruments, teeth
from assistant.files.yamlfile import load_yaml
from assistant.progress import intents as it
from assistant.progress.entries import CaseChange, Entry
from assistant.progress.facts import text_of
from assistant.progress.intents import Scalar
from assistant.progress.state import CASE, CaseState
from assistant.words.numbers import number_words
from assistant.words.phrases import Phrases


class Sentences(BaseModel):
    """A whole ``wording.yaml``: templates by key."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    language: str
    read_backs: dict[str, str]
    noted: str
    replaced: str
    numbered: str
    found: str
    questions: dict[str, str]
    refusals: dict[str, str]
    changes: dict[str, str]
    notices: dict[str, str]
    answers: dict[str, str]


class Wording(Sentences):
    """The sentences of a language, with the phrases it understands, which it names."""

    phrases: Phrases


def load_wording(folder: Path, phrases: Phrases | None = None) -> Wording:
    """Read ``wording.yaml`` of a language folder; ``phrases`` are those of the same
    language with a practice's own words, if it has any.

    Raises:
        InputFileError: missing or malformed; names file and line.
    """
    found = load_yaml(folder / "wording.yaml", Sentences)
    phrases = phrases or load_yaml(folder / "phrases.yaml", Phrases)
    return Wording(**dict(found), phrases=phrases)


def said_entry(state: CaseState, entry: Entry, words: Wording) -> str:
    """An entry as it is read back."""
    value = said_value(state.kind(entry), entry.value)
    finding = state.protocol.finding_of.get(entry.step)
    if finding is not None and finding.id == entry.step:
        return words.found.format(title=finding.title)
    template = words.read_backs.get(entry.quantity)
    if template:
        return template.format(value=value)
    if entry.value == "done" or entry.quantity == "signature":
        return ""
    return words.noted.format(value=value.capitalize())


def told_entry(state: CaseState, entry: Entry, words: Wording) -> str:
    """An entry as it is spoken of later, when its step is no longer before everyone: by its
    read-back or the title of its step, after the name of its canal if another is at work."""
    title, value = state.protocol.by_id[entry.step].title, said_entry(state, entry, words)
    if entry.quantity not in words.read_backs:
        value = f"{title}: {value[:1].lower()}{value[1:]}" if value else f"{title}."
    elsewhere = entry.track not in {CASE, state.active}
    return f"{entry.track.capitalize()}: {value}" if elsewhere else value


def said_change(change: CaseChange, words: Wording) -> str:
    """A change of the case in a sentence."""
    tooth = said_value("tooth", change.tooth) if change.tooth is not None else ""
    fields = {
        "canal": change.canal or "the case",
        "mm": text_of(change.mm),
        "to": change.to or "",
        "reason": f": {change.reason}" if change.reason else "",
    }
    partly = change.what == "removed" and change.mm is not None
    key = "removed_to" if partly else change.what
    text = words.changes[key].format(tooth=tooth, **fields)
    return text[:1].upper() + text[1:]


def said_value(kind: str | None, value: Scalar) -> str:
    """A value of a kind (:data:`.state.KIND_OF`) as text: a tooth with its name, a taper
    as ".06", an option in words."""
    if isinstance(value, tuple):
        return " and ".join(value)
    if isinstance(value, str):
        return value.replace("_", " ")
    if kind == "tooth":
        tooth = teeth.parse_fdi(int(value))
        return f"{tooth.fdi}, {tooth.name}"
    if kind == "taper":
        return instruments.taper_label(float(value))
    return text_of(float(value))


def value_phrase(kind: str, value: Scalar, language: str) -> str:
    """A number of a kind as it is dictated by itself: a line that is understood at its
    step."""
    if kind == "tooth":
        return teeth.parse_fdi(int(str(value))).spoken
    if kind == "taper":
        return spoken(said_value(kind, value), language)
    number = float(str(value))
    return number_words(int(number) if number.is_integer() else number, language)


_NUMBER = re.compile(r"(?<![\w.])(\d{0,6}\.?\d{1,6})(?![\w]|\.\d)", re.ASCII)
"""A number by itself: not part of a word, nor of a version such as 1.2.3."""


def spoken(text: str, language: str) -> str:
    """A sentence for the voice: numbers as words, teeth digit by digit."""

    def words(found: re.Match[str]) -> str:
        digits = found.group(1)
        said = number_words(float(digits), language)
        # ".06" is said "point oh six" in the trade, not "zero point zero six".
        return said.removeprefix("zero ") if digits.startswith(".") else said

    def tooth(found: re.Match[str]) -> str:
        return f"{found.group(1)}{teeth.parse_fdi(int(found.group(2))).spoken},"

    text = re.sub(r"(Tooth )([1-4][1-8]),", tooth, text)
    return _NUMBER.sub(words, text)


def describe(intent: it.AnyIntent) -> str:
    """An intent in a few words, for the screen and for questions."""
    match intent:
        case it.Given(value=value) | it.Correction(value=value):
            text = (
                " and ".join(value)
                if isinstance(value, tuple)
                else f"{value:g}"
                if isinstance(value, float)
                else str(value)
            )
            if isinstance(intent, it.Given):
                return text
            which = f" {intent.number}:" if intent.number is not None else ""
            return f"correction{which} {text.replace('_', ' ')}"
        case it.Chosen(option=option):
            return option.replace("_", " ")
        case it.Command(verb=verb):
            return verb.replace("_", " ")
        case it.SwitchCanal(canal=canal):
            return f"canal {canal}"
        case it.AsPlanned():
            return "as planned"
        case it.Skip():
            return "skip"
        case it.TakeOver(role=role, name=name):
            return f"{name}: {role}"
        case it.Finding(finding=finding, mm=mm):
            return finding.replace("_", " ") + ("" if mm is None else f" {mm:g}")
        case it.Change(what=what, canal=canal, to=to, tooth=tooth, mm=mm):
            named = (what, canal, to, tooth, mm)
            return " ".join(str(part) for part in named if part is not None)
        case it.Several(parts=parts):
            return ", ".join(map(describe, parts))
    return intent.heard.text
