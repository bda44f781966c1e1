"""What is fed with hostile input, and what may come of it.

A target takes bytes. It returns when the input was read or refused with a sentence
(``UserError``), and lets everything else out: that is a finding.
"""

from __future__ import annotations

import importlib
import importlib.util
import json
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

from pydantic import ValidationError

from assistant.case import casefile
from assistant.case.instrument_files import load_pluggers, load_point
from assistant.errors import UserError
from assistant.files.shipped import data_folder
from assistant.files.yamlfile import load_yaml
from assistant.procedure.decide import decide
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.apply import opened
from assistant.progress.state import CaseState
from assistant.prompt.wording import respond
from assistant.protocol.model import Protocol
from assistant.protocol.moment import Moment
from assistant.record.chain import verify
from assistant.room.check import load as load_room
from assistant.room.plan import load_plan
from assistant.sound.samples import RATE_HZ
from assistant.sound.sources import wav_source
from assistant.sound.wavfile import MAX_WAV_S
from assistant.words.expected import wanted_now
from assistant.words.grammar import Grammar, Language, everything, load_language
from assistant.words.own_words import with_own_words
from assistant.words.phrases import read_lexicon
from assistant.words.sayings import describe, load_wording
from assistant.words.understand import understand_typed
from fuzz import seeds
from fuzz.mutate import changed_tree
from fuzz.said import anything
from fuzz.watched import Case, polite, protocol

ENGLISH = data_folder("grammars") / "en"
WORDING = load_wording(ENGLISH)
LANGUAGE = load_language(ENGLISH)
NOW = Moment(wall=datetime(2026, 3, 9, 14, 5, tzinfo=UTC), mono_s=9.0)


@dataclass(frozen=True)
class Target:
    """Seeds to begin with, and what is done with an input."""

    seeds: Callable[[], tuple[bytes, ...]]
    run: Callable[[bytes], None]
    longest: int = 6000


@contextmanager
def _folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="fuzz") as name:
        yield Path(name)


def _file(folder: Path, name: str, raw: bytes) -> Path:
    path = folder / name
    path.write_bytes(raw)
    return path


def _protocol(raw: bytes) -> None:
    """A protocol that is taken must also carry a case."""
    with _folder() as folder:
        try:
            found = load_yaml(_file(folder, "protocol.yaml", raw), Protocol)
        except UserError as refused:
            return _sentence(refused)
    first = ev.CaseOpened(
        at=NOW, case_code="case-7", operator="A", demo=False, program="test", protocol=found
    )
    state = opened(first)
    again = ev.EVENTS.validate_json(ev.EVENTS.dump_json(first))
    assert again == first, "the protocol does not survive the journal"
    rng = Random(len(raw))
    state = _say(state, it.Given(kind="tooth", value=24))
    state = _say(state, it.Given(kind="canals", value=("buccal",)))
    for _ in range(25):
        if state.signed is None:
            state = _say(state, anything(rng, state)[0])
    return None


def _say(state: CaseState, intent: it.AnyIntent) -> CaseState:
    events, state = decide(state, intent, NOW)
    for event in events:
        assert ev.EVENTS.validate_json(ev.EVENTS.dump_json(event)) == event
    for prompt in respond(events, state, WORDING):
        prompt.text.encode("utf-8")
    return state


def _sentence(refused: UserError) -> None:
    """A refusal is a sentence that can be printed."""
    text = str(refused)
    assert text.strip(), "an error without a sentence"
    assert len(text) < 20_000, "a sentence without end"
    text.encode("utf-8")


def _read_by(name: str, load: Callable[[Path], object]) -> Callable[[bytes], None]:
    """A target that writes the bytes to a file of that name and reads it."""

    def run(raw: bytes) -> None:
        with _folder() as folder:
            try:
                load(_file(folder, name, raw))
            except UserError as refused:
                _sentence(refused)

    return run


def _phrases(path: Path) -> None:
    (path.parent / "lexicon.dict").write_bytes((ENGLISH / "lexicon.dict").read_bytes())
    language = load_language(path.parent)
    _compiled(Grammar(language, everything(language.phrases)))


def _own_words(path: Path) -> None:
    phrases, lexicon = with_own_words(LANGUAGE.phrases, LANGUAGE.lexicon, path.parent)
    language = Language(phrases, lexicon, ENGLISH, path.parent)
    grammar = Grammar(language, everything(language.phrases))
    _compiled(grammar)
    understand_typed("bone dry", grammar)


def _compiled(grammar: Grammar) -> None:
    graph = grammar.graph
    assert grammar.key and graph.pieces
    assert graph.arcs[graph.start] and not graph.ends[graph.start]


def _wav(path: Path) -> None:
    source = wav_source(path)
    frames = list(source.frames())
    total = sum(len(frame) for frame in frames)
    assert all(frame.dtype == "int16" for frame in frames)
    assert total <= MAX_WAV_S * RATE_HZ + 2 * RATE_HZ, "more sound than is allowed"


def _journal(raw: bytes) -> None:
    try:
        verify(raw, Path("journal.jsonl"))
    except UserError as refused:
        _sentence(refused)
    _read_by(casefile.JOURNAL, lambda path: casefile.read_case(path.parent))(raw)


def _events(raw: bytes) -> None:
    """A journal that verifies, whose events say something else than any of ours."""
    rng = Random(raw)
    events: list[dict[str, Any]] = [dict(event) for event in seeds.events()]
    del events[rng.randrange(3, len(events)) :]
    for _ in range(rng.choice((1, 1, 2, 5))):
        place = rng.randrange(len(events))
        match rng.randrange(4):
            case 0:
                events.insert(place, rng.choice(seeds.events()))
            case 1 if len(events) > 2:
                del events[place]
            case _:
                changed = changed_tree(rng, events[place], raw)
                events[place] = changed if isinstance(changed, dict) else {"kind": changed}
    try:
        whole = seeds.chained(events)
    except ValueError:
        return None  # such an event cannot be written at all
    with _folder() as folder:
        _file(folder, casefile.JOURNAL, whole)
        try:
            state, _ = casefile.read_case(folder)
            case = casefile.CaseFile.reopen(folder, NOW)
        except UserError as refused:
            return _sentence(refused)
        case.close()
    for verb in ("where", "what_is_left", "back", "confirm", "next", "keep", "undo", "stop"):
        state = _say(state, it.Command(verb=verb))
    return None


@cache
def _grammars() -> tuple[tuple[CaseState, Grammar], ...]:
    """Steps all along a case, each with what can be said there."""
    case = Case(protocol("warm-vertical"))
    found = []
    while case.state.signed is None:
        if case.steps % 6 == 0:
            found.append((case.state, Grammar(LANGUAGE, wanted_now(case.state))))
        case.give(*polite(case.state))
    return tuple(found)


def _typed(raw: bytes) -> None:
    line = raw.decode("utf-8", "surrogateescape")
    states = _grammars()
    state, grammar = states[len(raw) % len(states)]
    intent = understand_typed(line, grammar)
    describe(intent)
    _say(state, intent)


def _record(raw: bytes) -> None:
    """What ``fillwarm`` checks of a record or bundle from elsewhere."""
    from assistant.exchange.check import check

    try:
        check(raw, Path("record.json"))
    except UserError as refused:
        _sentence(refused)


@cache
def _exchanged() -> tuple[Any, ...]:
    """The record of a case and two bundles of it, with and without its journal."""
    from assistant.exchange.fhir import bundle
    from assistant.exchange.whole import from_journal

    (raw, _) = seeds.journal()
    case = from_journal(raw, Path("journal.jsonl"))
    bundles = [json.loads(json.dumps(bundle(case, with_journal=w))) for w in (True, False)]
    return (json.loads(seeds.records()[0]), *bundles)


def _taken_in(raw: bytes) -> None:
    """A record or bundle with something else at one of its places, checked and read."""
    from assistant.exchange.check import check
    from assistant.exchange.restore import read_case_file

    rng = Random(raw)
    changed = json.dumps(changed_tree(rng, rng.choice(_exchanged()), raw)).encode()
    try:
        check(changed, Path("case.json"))
    except UserError as refused:
        _sentence(refused)
    _read_by("case.json", read_case_file)(changed)


def _import(raw: bytes) -> None:
    """A journal from elsewhere, read as a whole case."""
    from assistant.exchange.whole import from_journal

    try:
        from_journal(raw, Path("journal.jsonl"))
    except UserError as refused:
        _sentence(refused)


def _message(raw: bytes) -> None:
    """A message of the page: one of ours, or refused by the model."""
    from assistant.screen.guard import clean_line, host_allowed, same_origin, split_host
    from assistant.screen.messages import MESSAGES

    text = raw.decode("utf-8", "surrogateescape")
    assert isinstance(host_allowed(text, frozenset({"localhost"}), 80), bool)
    assert isinstance(same_origin(text, "localhost:80"), bool)
    with suppress(ValueError):
        split_host(text)
    try:
        found = MESSAGES.validate_json(raw)
    except ValidationError:
        return
    if found.kind == "line":
        line = clean_line(found.text)
        assert "\n" not in line
        _typed(line.encode("utf-8", "surrogatepass"))


def _shipped(name: str) -> Callable[[], tuple[bytes, ...]]:
    return lambda: ((ENGLISH / name).read_bytes(),)


TARGETS: dict[str, Target] = {
    "protocol": Target(seeds.protocols, _protocol, 8000),
    "pluggers": Target(
        lambda: seeds.folder_of("pluggers"),
        _read_by("set.yaml", lambda path: load_pluggers(str(path)).plugger_set()),
    ),
    "points": Target(
        lambda: seeds.folder_of("points"),
        _read_by("point.yaml", lambda path: load_point(str(path))),
    ),
    "phrases": Target(_shipped("phrases.yaml"), _read_by("phrases.yaml", _phrases), 11_000),
    "own-words": Target(lambda: (seeds.OWN,), _read_by("phrases.yaml", _own_words)),
    "lexicon": Target(_shipped("lexicon.dict"), _read_by("lexicon.dict", read_lexicon)),
    "wording": Target(
        _shipped("wording.yaml"),
        _read_by("wording.yaml", lambda path: load_wording(path.parent)),
    ),
    "room-plan": Target(
        _shipped("room_check.yaml"),
        _read_by("room_check.yaml", lambda path: load_plan(path.parent)),
    ),
    "room-profile": Target(lambda: (seeds.ROOM,), _read_by("room.json", load_room)),
    "journal": Target(seeds.journal, _journal, 60_000),
    "events": Target(lambda: (b"1", b"seed", b"third"), _events, 64),
    "wav": Target(lambda: seeds.WAVS, _read_by("sound.wav", _wav), 600),
    "typed": Target(lambda: seeds.LINES, _typed, 600),
}


def _there(*modules: str) -> bool:
    """Whether all are there; they are imported now, while coverage is being set up."""
    found = all(importlib.util.find_spec(name) for name in modules)
    return found and all(importlib.import_module(name) for name in modules)


if _there("assistant.exchange.check"):
    TARGETS["record"] = Target(seeds.records, _record, 60_000)
if _there("assistant.exchange.check", "assistant.exchange.fhir", "assistant.exchange.restore"):
    TARGETS["taken-in"] = Target(lambda: (b"1", b"seed", b"third"), _taken_in, 64)
if _there("assistant.exchange.whole"):
    TARGETS["import"] = Target(seeds.journal, _import, 60_000)
if _there("assistant.screen.guard", "assistant.screen.server"):
    TARGETS["message"] = Target(lambda: seeds.MESSAGES, _message, 1500)
