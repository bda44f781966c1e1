"""The road of a spoken depth through the files: how many it passes, how often it changes.

    .venv/bin/python tests/road.py [--files]

A short case is rehearsed from sound. The frame of sound after which a spoken depth, and
later its correction, is taken is watched to its end: from the frame to the sentence that
reads back; then the note is written. A change of file is a call (or a return) that goes
on in another file of the program. The figures are counts, the same on every machine.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

from from_sound import sit

import assistant
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.report.write import write_reports
from assistant.sitting.session import Session

PROGRAM = str(Path(assistant.__file__).parent)


@dataclass
class Road:
    """The files passed, in order; one that goes on in the same file is no change."""

    passed: list[str] = field(default_factory=list)

    @property
    def files(self) -> list[str]:
        """Each file once, in the order of the first visit."""
        return list(dict.fromkeys(self.passed))

    def __str__(self) -> str:
        return f"{len(self.files)} files, {len(self.passed)} changes of file"


class Watch:
    """Watches calls while it is open."""

    def __init__(self) -> None:
        self.road = Road()
        self._inside: list[str] = []

    def __enter__(self) -> Watch:
        sys.setprofile(self._seen)
        return self

    def __exit__(self, *_: object) -> None:
        sys.setprofile(None)

    def _seen(self, frame: FrameType, what: str, _arg: object) -> None:
        file = frame.f_code.co_filename
        # Loading a module is no part of the road.
        if not file.startswith(PROGRAM) or frame.f_code.co_name == "<module>":
            return
        if what == "call":
            self._inside.append(file)
            self._at(file)
        elif what == "return" and self._inside:
            self._inside.pop()
            if self._inside:
                self._at(self._inside[-1])

    def _at(self, file: str) -> None:
        name = str(Path(file).relative_to(PROGRAM))
        if not self.road.passed or self.road.passed[-1] != name:
            self.road.passed.append(name)


def roads(voice: str = "flite:slt") -> dict[str, Road]:
    """The roads of the first spoken depth, of a correction, and of the note."""
    found: dict[str, Road] = {}
    taken: list[it.AnyIntent] = []
    hear, take = Session.hear, Session.take

    def watched_take(self: Session, intent: it.AnyIntent) -> tuple[ev.AnyEvent, ...]:
        taken.append(intent)
        return take(self, intent)

    def watched_hear(self: Session, frame: Any) -> None:
        taken.clear()
        with Watch() as watch:
            hear(self, frame)
        for intent in taken:
            if intent.heard.channel == "voice" and (name := _kind(intent)):
                found.setdefault(name, watch.road)

    patched: dict[str, Callable[..., Any]] = {"hear": watched_hear, "take": watched_take}
    for name, function in patched.items():
        setattr(Session, name, function)
    try:
        with tempfile.TemporaryDirectory() as folder:
            session, _ = sit(Path(folder) / "case", voice)
            with Watch() as watch:
                case = session.case
                write_reports(case.folder, case.state, case.head_hash)
            found["note"] = watch.road
            case.close()
    finally:
        Session.hear, Session.take = hear, take  # type: ignore[method-assign]
    return found


def _kind(intent: it.AnyIntent) -> str | None:
    if isinstance(intent, it.Correction):
        return "correction"
    if isinstance(intent, it.Given) and "plugger" in intent.heard.text:
        return "depth"
    return None


def main() -> None:
    """Print the counts."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--files", action="store_true", help="list the files of each road too")
    files = asked.parse_args().files
    for name, road in roads().items():
        print(f"{name:>12}: {road}")
        if files:
            print("".join(f"{'':>14}{file}\n" for file in road.files), end="")


if __name__ == "__main__":
    main()
