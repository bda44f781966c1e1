"""`fillwarm check-words`: find what sounds alike and say it in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from assistant.protocol.model import Protocol
from assistant.words.clashes import ALIKE, Findings, Pair, find_clashes, spoken_at
from assistant.words.grammar import Grammar, Language, everything, load_language
from assistant.words.letters import guess_phones
from assistant.words.own_words import LEXICON, PHRASES
from assistant.words.phrases import pronunciations, read_lexicon


@dataclass(frozen=True)
class Report:
    """What the words of a language look like in some protocols.

    Attributes:
        unknown: words without a pronunciation.
        idle: words of a practice's own lexicon that no phrase has.
        pronounced: words that a practice's own lexicon has.
    """

    language: Language
    findings: Findings
    unknown: tuple[str, ...]
    idle: tuple[str, ...]
    pronounced: frozenset[str]


def check_words(language: Language, protocols: Sequence[Protocol]) -> Report:
    """Compare everything that can be said at each step of the protocols.

    Raises:
        InputFileError: the shipped words, or the added lexicon, cannot be read.
    """
    spoken = spoken_at(language, protocols)
    shipped, own = spoken, dict[str, tuple[str, ...]]()
    if language.added is not None:
        shipped = spoken_at(load_language(language.folder), protocols)
        if (language.added / LEXICON).exists():
            own = read_lexicon(language.added / LEXICON)
    words = set(Grammar(language, everything(language.phrases)).graph.words)
    words |= {word for said in spoken for word in said.text.split()}
    known = pronunciations(language.lexicon)
    findings = find_clashes(spoken, shipped, known, language.phrases.accepted_alike)
    return Report(
        language=language,
        findings=findings,
        unknown=tuple(sorted(words - set(known))),
        idle=tuple(sorted(set(own) - words)),
        pronounced=frozenset(own),
    )


def complaints(report: Report) -> list[str]:
    """One sentence for each thing that must be put right; empty when all is well."""
    found = [
        f"The word {word!r} has no pronunciation; add one to {LEXICON} as CMU phones, by its "
        f"spelling {' '.join(guess_phones(word))}."
        for word in report.unknown
    ]
    return found + [_complaint(pair, report) for pair in report.findings.alike]


def _complaint(pair: Pair, report: Report) -> str:
    first, *others = pair.steps
    where = f"{first} and {len(others)} more steps" if others else first
    what = (
        f'"{pair.one.text}" means both {pair.one.meaning} and {pair.other.meaning}'
        if pair.one.text == pair.other.text
        else f'"{pair.one.text}" ({pair.one.meaning}) and "{pair.other.text}" '
        f"({pair.other.meaning}) sound too alike ({pair.distance:.2f}, needed {ALIKE:g})"
    )
    return (
        f"{where}: {what}{_origin(pair, report)}; say one of them in other words, or give a "
        "reason to keep them under accepted_alike."
    )


def _origin(pair: Pair, report: Report) -> str:
    """Which of a practice's own files has a part in it."""
    if report.language.added is None:
        return ""
    own = [f'"{said.text}"' for said in (pair.one, pair.other) if said in report.findings.own]
    if own:
        return f"; {own[0]} is from {report.language.added / PHRASES}"
    words = {*pair.one.text.split(), *pair.other.text.split()} & report.pronounced
    if words:
        return f'; "{min(words)}" is also in {report.language.added / LEXICON}'
    return ""


def summary(report: Report) -> list[str]:
    """What is worth knowing and need not be put right."""
    found = report.findings
    lines = [
        f"{found.phrases} phrases at {found.steps} steps; {len(found.own)} from own words; "
        f"{len(found.accepted)} pairs sound alike and are accepted."
    ]
    longer: dict[str, list[str]] = {}
    for pair in found.beginnings:
        longer.setdefault(pair.one.text, []).append(f'"{pair.other.text}"')
    for text, others in longer.items():
        more = f" and {len(others) - 2} more" if len(others) > 2 else ""
        lines.append(f'"{text}" also begins {", ".join(others[:2])}{more}.')
    for one, other in found.unused:
        lines.append(f'"{one}" and "{other}" are accepted, but here nothing needs it.')
    for word in report.idle:
        lines.append(f"{word!r} in the own {LEXICON} is in no phrase.")
    return lines


def as_json(report: Report) -> dict[str, Any]:
    """The same for machines; distances are from 0 (the same) to 1."""
    found = report.findings

    def pairs(of: Sequence[Pair]) -> list[dict[str, Any]]:
        return [
            {
                "phrases": [pair.one.text, pair.other.text],
                "meanings": [pair.one.meaning, pair.other.meaning],
                "distance": round(pair.distance, 3),
                "steps": list(pair.steps),
                "own": [said in found.own for said in (pair.one, pair.other)],
                **({"because": pair.accepted} if pair.accepted else {}),
            }
            for pair in of
        ]

    return {
        "needed": ALIKE,
        "phrases": found.phrases,
        "steps": found.steps,
        "alike": pairs(found.alike),
        "accepted": pairs(found.accepted),
        "beginnings": [
            [pair.one.text, pair.other.text, pair.one.meaning, pair.other.meaning]
            for pair in found.beginnings
        ],
        "unknown": list(report.unknown),
        "accepted_but_unused": [list(pair) for pair in found.unused],
        "unused_pronunciations": list(report.idle),
    }
