"""A practice's own words: sentences and pronunciations beside the shipped ones.

A folder holds either or both of ``phrases.yaml`` and ``lexicon.dict``. They can
only add: another way to say what can be said already. Whatever does not fit is
an error with its line; nothing is passed over.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from functools import reduce
from pathlib import Path

from pydantic import Field, model_validator

from assistant.canal.instruments import ISO_SIZES
from assistant.errors import InputFileError
from assistant.files.yamlfile import load_yaml
from assistant.protocol.coherence import misfit
from assistant.words.phrases import (
    AcceptedAlike,
    Listed,
    Phrases,
    Sentences,
    Strict,
    read_lexicon,
    templates,
    ways_at,
)

PHRASES, LEXICON = "phrases.yaml", "lexicon.dict"
"""The two files of a folder of own words."""

Lexicon = Mapping[str, tuple[str, ...]]
Loc = tuple[str | int, ...]


class OwnWords(Strict):
    """A practice's ``phrases.yaml``: the shipped one's shape, all of it optional.

    What has no place here cannot be added: what urgent words may be is
    measured, and new rules and intents need code.
    """

    lists: dict[str, tuple[Listed, ...]] = Field(default_factory=dict)
    values: dict[str, tuple[Sentences, ...]] = Field(default_factory=dict)
    planned: tuple[str, ...] = ()
    correction: tuple[str, ...] = ()
    options: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    commands: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    skip: tuple[str, ...] = ()
    switch: tuple[str, ...] = ()
    to_finish: tuple[str, ...] = ()
    finding: tuple[str, ...] = ()
    change: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    who: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    accepted_alike: tuple[AcceptedAlike, ...] = ()


def with_own_words(
    phrases: Phrases, lexicon: Lexicon, folder: Path
) -> tuple[Phrases, dict[str, tuple[str, ...]]]:
    """The shipped words and, after them, those of ``folder``.

    Raises:
        InputFileError: the folder is missing, has neither file or another
            YAML or dictionary file, or a file does not fit; names the line.
    """
    _check_files(folder)
    merged = dict(lexicon)
    if (folder / LEXICON).exists():
        for word, ways in read_lexicon(folder / LEXICON).items():
            merged[word] = tuple(dict.fromkeys((*merged.get(word, ()), *ways)))
    if (folder / PHRASES).exists():
        phrases = _merge(phrases, load_yaml(folder / PHRASES, _model(phrases)))
    return phrases, merged


def _check_files(folder: Path) -> None:
    try:
        names = {path.name for path in folder.iterdir()}
    except OSError as bad:
        raise InputFileError(
            f"The folder of own words {folder} cannot be read: {bad.strerror}."
        ) from None
    others = sorted(n for n in names if re.search(r"\.(ya?ml|dict)$", n) and n[0] != ".")
    for name in others:
        if name not in {PHRASES, LEXICON}:
            raise InputFileError(
                f"{folder / name} would not be read; own words are in {PHRASES} and {LEXICON}."
            )
    if not others:
        raise InputFileError(f"{folder} has neither {PHRASES} nor {LEXICON}; add one.")


def _merge(shipped: Phrases, own: OwnWords) -> Phrases:
    update: dict[str, object] = {}
    for name in OwnWords.model_fields:
        ours, theirs = getattr(shipped, name), getattr(own, name)
        if isinstance(ours, dict):
            update[name] = {key: (*ours[key], *theirs.get(key, ())) for key in ours}
        else:
            update[name] = (*ours, *theirs)
    return shipped.model_copy(update=update)


def _model(shipped: Phrases) -> type[OwnWords]:
    """:class:`OwnWords`, checked against what there is to add to."""

    class Checked(OwnWords):
        @model_validator(mode="after")
        def _fits(self) -> Checked:
            for field in _NAMED:
                known = getattr(shipped, field)
                for name in getattr(self, field):
                    if name not in known:
                        why = f"there is no {name!r} to add to; there are {_and(known)}"
                        raise misfit((field, name), why)
            for at, item, ours in _items(self, shipped):
                if item.means not in ours:
                    raise misfit(
                        (*at, "means"), f"{item.means!r} is not one of {_and(map(str, ours))}"
                    )
            beside: dict[Loc, list[str]] = {}
            for at, template in templates(shipped):
                beside.setdefault(_group(at), []).append(template)
            for at, template in templates(self):
                like = beside[_group(at)]
                if template in like:
                    raise misfit(at, f"{template!r} is there already; leave it out")
                _check_template(at, template, like, shipped.rules)
                like.append(template)
            return self

    return Checked


def _and(names: Iterable[str]) -> str:
    return ", ".join(sorted(names))


_NAMED = ("lists", "values", "options", "commands", "change", "who")
"""Fields in which sentences stand under names."""


def _group(at: Loc) -> Loc:
    """Where the sentences stand that mean the same as the one at ``at``."""
    return at[:2] if at[0] in _NAMED else at[:1]


def _items(
    own: OwnWords, shipped: Phrases
) -> Iterator[tuple[Loc, Listed, Collection[str | int | float]]]:
    """Every list value added, with the meanings it may have."""
    for name, items in own.lists.items():
        known = {item.means for item in shipped.lists[name]}
        # This list holds further ways to say a size, and every size can have some.
        allowed = known | set(ISO_SIZES) if name == "size_also" else known
        for i, item in enumerate(items):
            yield ("lists", name, i), item, allowed


Slots = frozenset[tuple[str, str]]
"""(list, slot) of the ``{list:slot}`` references of a template."""


def _check_template(at: Loc, template: str, like: list[str], rules: Mapping[str, str]) -> None:
    """Refuse a template that could be said but not be understood.

    Its values must be those that templates of this meaning have.
    """
    sure, possible = _slots(at, template, rules)
    shipped = [_slots(at, t, rules) for t in like]
    allowed = frozenset[tuple[str, str]]().union(*(p for _, p in shipped))
    if wrong := possible - allowed:
        values = _and(f"{{{_written(slot)}}}" for slot in allowed) or "no values"
        raise misfit(at, f"{{{_written(sorted(wrong)[0])}}} cannot be said here; {values} can")
    needed = reduce(frozenset.intersection, (s for s, _ in shipped))
    if missing := needed - sure:
        raise misfit(at, f"{template!r} must have a value for {_and(missing)} in every form")


def _written(slot: tuple[str, str]) -> str:
    return slot[0] if slot[0] == slot[1] else ":".join(slot)


def _slots(at: Loc, template: str, rules: Mapping[str, str]) -> tuple[frozenset[str], Slots]:
    """Slots that are filled in every way to say a template, and all it can fill."""
    filled = [way.puts for way in ways_at(at, template, rules)]
    sure = reduce(frozenset.intersection, (frozenset(slot for slot, _ in f) for f in filled))
    return sure, frozenset((str(name), slot) for puts in filled for slot, name in puts)
