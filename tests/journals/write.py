"""Writes the frozen journals of a version: cases that every later version must read.

    .venv/bin/python tests/journals/write.py            # a folder for this version, once
    .venv/bin/python tests/journals/write.py --notes    # all notes, after a change of wording

Each case is told to a real session on a clock of its own and left as a folder with
``journal.jsonl``, the state that the journal gave (``state.json``) and ``note.txt``; those
in ``before-roles`` are from before this was here, and keep their whole state. A
journal and its state are never written again: they are what a practice has on its disk. A
note may be reworded, and is then written anew on purpose. Everything told is invented.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from unittest.mock import patch

sys.path.insert(0, str(Path(__file__).parents[1]))

from case.written import HERE, load
from faults.stories import clock, lines, say, sitting

from assistant import __version__
from assistant.case.casefile import JOURNAL, CaseFile, read_case, read_whole
from assistant.case.instrument_files import load_pluggers
from assistant.clock import SampleClock
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.progress import intents as it
from assistant.progress.state import VISIT, CaseState
from assistant.protocol.model import Protocol
from assistant.report.note import note
from assistant.report.note_text import as_text
from assistant.sitting.rehearsal import Line
from assistant.sitting.session import Session

FOLDER = Path(__file__).parent
STATE = "state.json"
NOTE = "note.txt"

Sitting = tuple[Line | it.AnyIntent, ...]
"""What is told in one sitting: typed lines, and intents as a recogniser would give them."""


def plain_state(state: CaseState) -> dict[str, object]:
    """All that the journal put into the state, but for the protocol, which it carries too.

    Without what is as it was made by default: a later version may know more fields.
    """
    return state.model_dump(mode="json", exclude={"protocol"}, exclude_defaults=True)


def told_by(folder: Path) -> dict[str, object]:
    """What the journal in ``folder`` gives, read today, as ``state.json`` keeps it."""
    whole = read_whole(folder)
    return {
        "head_hash": whole.head_hash,
        "unfinished": whole.unfinished,
        "state": plain_state(whole.state),
    }


def note_of(folder: Path) -> str:
    """The note of the case in ``folder``, as it would be written today."""
    state, head_hash = read_case(folder)
    return as_text(note(state, head_hash))


def cases() -> list[Path]:
    """Every frozen case, of every version."""
    return sorted(path.parent for path in FOLDER.glob(f"*/*/{JOURNAL}"))


def _told(*said: str) -> tuple[Line, ...]:
    return tuple(Line(say=one) for one in said)


def _voice(text: str, confidence: float = 0.9, doubt: str | None = None) -> it.Heard:
    return it.Heard(text=text, confidence=confidence, doubt=doubt, channel="voice")


def _heat(seconds: float) -> tuple[Line, ...]:
    return Line(say="heat on"), Line(say="heat off", after_s=seconds)


_PRESS = Line(say="press")


def _then(text: str) -> Line:
    return Line(say=text, wait_for_timer=True)


_POST_LEVEL: tuple[Sitting, ...] = (
    (
        *_told("tooth 11", "single", "yes", "none", "22.5", "correction 22", "no reading"),
        *_told("taper .04", "size 40", "22", "no", "size 45", "21.4"),
        *_told("correction cone length 21.8", "yes", "skip, not needed"),
        *_told("17.4", "keep it", "16.5", "dry", "22", "22.9", "22.2", "22.1"),
        *_told("confirm", "keep it", "confirm", "yes", "seated", "11"),
        *_heat(6.0),
        _PRESS,
        Line(say="stop", after_s=2.6),
        *_told("keep it", "14.5", "14"),
        *_heat(2.5),
        _PRESS,
        _then("17"),
        *_told("correction ready no", "17", "17", "correction plugger 16.5"),
        *_told("correction ready yes", "done", "accepted"),
        *_told("sign the note", "confirm"),
    ),
)
"""The shorter protocol, own instruments: corrected, warned and kept, skipped, to a post."""

_VISITS: tuple[Sitting, ...] = (
    (
        *_told("tooth 11", "single", "yes", "latex and sealer", "22", "no reading"),
        *_told("remark the crown is cracked at its margin", "sealer lot: A1-23"),
        *_told(
            "correct the remark: the crown is worn", "taper .06", "cone size 40", "22", "yes"
        ),
        *_told("be brief", "close for today: calcium hydroxide, glass ionomer; fill next time"),
        *_told("confirm"),
    ),
    (
        *_told("Operator B takes over", "Operator C assists", "accepted", "17", "17"),
        *_told("separated instrument", "4", "bypassed", "patency confirmed", "size 10"),
        *_told("dry", "22", "patient has pain", "no"),
    ),
)
"""A visit that was closed, and gone on with by another; findings, remarks, lots."""

_INTERRUPTED: tuple[Sitting, ...] = (
    (
        *_told("tooth 46", "mesiobuccal, mesiolingual, distal", "yes", "yes", "yes", "none"),
        *_told("canal distal", "20", "distobuccal cusp", "20", "size 30", "taper .06", "yes"),
        *_told(
            "10",
            "yes",
            "size 30",
            "taper .06",
            "20.5",
            "yes",
            "accepted",
            "8",
            "12",
            "15",
            "15",
        ),
        *_told("dry", "20", "20.2", "20.1", "confirm", "confirm", "yes", "yes", "seated"),
        *_told("8"),
        *_heat(2.0),
        *_told("11.5", "11"),
        Line(say="press"),
    ),
    (
        _PRESS,
        _then("heat on"),
        Line(say="heat off", after_s=2.0),
        *_told("15", "15"),
        _PRESS,
        _then("pause"),
        *_told("resume", "none", "finish at post level", "15", "where are we"),
        *_told("canal mesiobuccal", "19.5"),
    ),
)
"""The longer protocol with a post planned; the program ended in the middle of a press."""

_DOUBTED: tuple[Sitting, ...] = (
    (
        *_told("tooth 24", "buccal and palatal", "yes", "no", "yes", "yes", "none"),
        it.Given(
            kind="mm", value=27.0, heard=_voice("working length twenty seven", 0.4, "unsure")
        ),
        it.Chosen(option="no", heard=_voice("no")),
        it.Given(
            kind="mm", value=21.0, heard=_voice("working length twenty one", 0.5, "alone")
        ),
        it.Command(verb="confirm", heard=_voice("confirm")),
        it.Unclear(
            reason="not_understood", readings=("size 30", "size 13"), heard=_voice("size", 0.2)
        ),
        *_told("buccal cusp", "undo that", "palatal cusp", "no reading", "size 30"),
        *_told(
            "taper .06",
            "no",
            "10",
            "go back",
            "11",
            "yes",
            "size 30",
            "taper .06",
            "21.5",
            "no",
        ),
        it.WhoSpeaks(who="chairside", heard=_voice("chairside speaking")),
        *_told("size 35", "taper .06", "21", "yes", "accepted", "gibberish of no meaning"),
        it.Trouble(text="The microphone is gone; typed lines still work."),
        *_told("9", "12.5", "16.5"),
    ),
)
"""Questions of doubt, what was not understood, taken back and gone back, other voices,
and an urgent warning that nobody has answered."""

_UNFINISHED: tuple[Sitting, ...] = (
    _told("tooth 11", "single", "yes", "yes", "yes", "none", "22.5"),
)


WRITTEN = (
    *("void_on_the_film", "removed_to_a_level", "canals_join", "wrong_tooth", "gone_back"),
    "separated_instrument",
)
"""Those of ``tests/case/stories`` that are kept: changes of the case, findings, done again."""


def _written(name: str) -> Callable[[Path], None]:
    story = load(HERE / "stories" / f"{name}.yaml")
    return _finished(story.protocol, *(one.lines for one in story.sittings))


def _finished(protocol: str, *sittings: Sitting) -> Callable[[Path], None]:
    return lambda folder: _write(folder, protocol, sittings)


def _signed(folder: Path) -> None:
    _write(folder, "warm-vertical", (lines(),))
    time = clock()
    time.advance(86_400.0)
    case = CaseFile.reopen(folder, time.now())
    case.take(it.Append(text="Radiograph seen again: as before.", by="Operator B"), time.now())
    case.close()
    (folder / JOURNAL).with_suffix(".jsonl.lock").unlink()


def _torn(folder: Path) -> None:
    _write(folder, "warm-vertical", _UNFINISHED)
    journal = folder / JOURNAL
    journal.write_bytes(journal.read_bytes()[:-40])


STORIES: dict[str, Callable[[Path], None]] = {
    "signed-with-addendum": _signed,
    "post-level": _finished("to-post-level", *_POST_LEVEL),
    "interrupted-press": _finished("warm-vertical", *_INTERRUPTED),
    "doubted": _finished("warm-vertical", *_DOUBTED),
    "torn": _torn,
    "visits": _finished("to-post-level", *_VISITS),
    **{name.replace("_", "-"): _written(name) for name in WRITTEN},
}


def _write(folder: Path, protocol: str, sittings: tuple[Sitting, ...]) -> None:
    time = clock()
    for number, told in enumerate(sittings):
        if number:
            time.advance(600.0)
            case = CaseFile.reopen(folder, time.now())
        else:
            case = CaseFile.create(
                folder,
                load_yaml(protocol_path(protocol), Protocol),
                time.now(),
                case_code=folder.name,
                operator="Operator A",
                instruments=load_pluggers("example") if protocol == "to-post-level" else None,
            )
        session = sitting(case, time, lambda _: None)
        session.greet()
        for one in told:
            _tell(session, time, one)
        case.close()
    (folder / JOURNAL).with_suffix(".jsonl.lock").unlink()


def _tell(session: Session, time: SampleClock, one: Line | it.AnyIntent) -> None:
    if isinstance(one, Line):
        say(session, time, one)
        state = session.case.state
        pending = state.pending
        asked = pending is not None and pending.quantity not in {"signature", VISIT}
        if (pending and asked and pending.revises is None) or state.proposed is not None:
            say(session, time, Line(say="confirm"))  # as one who knows what was meant
        return
    time.advance(1.0)
    session.pass_time()
    session.take(one)


def main() -> None:
    """Write what is not there yet, or the notes of all."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--notes", action="store_true", help="only the notes, of every version")
    if not asked.parse_args().notes:
        place = FOLDER / __version__
        if place.exists():
            sys.exit(f"{place} is there already, and frozen; give the program a new version.")
        for name, write in STORIES.items():
            with patch("assistant.case.casefile.this_machine", lambda: "0123456789ab"):
                write(place / name)
            text = json.dumps(told_by(place / name), indent=1, ensure_ascii=False)
            (place / name / STATE).write_text(text + "\n")
    for folder in cases():
        (folder / NOTE).write_text(note_of(folder))


if __name__ == "__main__":
    main()
