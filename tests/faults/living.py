"""A living ``fillwarm run``, spoken to line by line while things happen to its disk."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

from assistant.case.casefile import read_case
from assistant.progress.state import CaseState
from assistant.sitting.rehearsal import Line
from faults import stories

HERE = Path(__file__).parent
PROGRAM = (sys.executable, "-m", "assistant")
PATIENCE_S = 20.0
LINES = ("tooth 24", "buccal and palatal", "yes", "yes", "yes", "none", "working length 21")
SAID = ("Tooth 24", "Canals buccal", "> Yes", "> Yes", "> Yes", "Length 21")
"""What the program shows when it has each of the lines."""

REFUSED = "Not stored"


@dataclass
class Case:
    """One fault at one case: the folder, and what was not as it must be."""

    base: Path
    folder: Path
    flag: Path
    wrong: list[str] = field(default_factory=list)
    checks: int = 0
    seen: dict[str, object] = field(default_factory=dict)

    def must(self, true: object, sentence: str) -> None:
        self.checks += 1
        if not true:
            self.wrong.append(sentence)


class Living:
    """``fillwarm run`` on a case, spoken to line by line."""

    def __init__(self, case: Case, *, layer: dict[str, object] | None = None, uid: int = 0):
        program = [*PROGRAM]
        if layer is not None:
            program = [sys.executable, str(HERE / "layers.py"), json.dumps(layer)]
        if uid:
            program = ["setpriv", f"--reuid={uid}", "--clear-groups", *program]
        arguments = ["run", "--typed", "--silent", "--case", str(case.folder)]
        self.process = subprocess.Popen(
            [*program, *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, "HOME": str(case.base), "PYTHONDONTWRITEBYTECODE": "1"},
        )
        self.case = case
        self.text = ""

    def tell(self, line: str, *answers: str) -> str:
        """Say a line and read until one of ``answers`` is shown; which, or ""."""
        assert self.process.stdin is not None and self.process.stdout is not None
        before = len(self.text)
        self.process.stdin.write(f"{line}\n".encode())
        self.process.stdin.flush()
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            for answer in answers:
                if answer in self.text[before:]:
                    return answer
            if select.select([self.process.stdout], [], [], 0.2)[0]:
                piece = os.read(self.process.stdout.fileno(), 65536)
                if not piece:
                    break
                self.text += piece.decode()
        self.case.wrong.append(f"{line!r} was answered by {self.text[before:]!r}")
        return ""

    def tell_all(self, first: int, last: int) -> None:
        """Say the lines ``first`` to ``last`` (not included), each of which must be taken."""
        for line, said in zip(LINES[first:last], SAID[first:last], strict=True):
            self.tell(line, said)

    def leave(self, code: int, words: str = "") -> None:
        """End of input; the exit code, one sentence at most, and words in it."""
        out, err = self.process.communicate(timeout=PATIENCE_S)
        self.text += out.decode()
        said = err.decode()
        self.case.seen["exit"] = self.process.returncode
        self.case.must(self.process.returncode == code, f"code {self.process.returncode}")
        _one_sentence(self.case, said, code, words)

    def refused(self, line: str, words: str) -> None:
        """The line is not taken, in a sentence with ``words``; questions still work."""
        before = len(self.text)
        self.tell(line, REFUSED)
        told = [shown for shown in self.text[before:].splitlines() if "!!" in shown]
        self.case.seen.setdefault("sentence", told[0].split("!!")[1].strip() if told else "")
        self.case.must(any(words in one for one in told), f"{words!r} not in {told}")
        self.tell("where are we", "= Case:", "= Buccal:")


def _one_sentence(case: Case, said: str, code: int, words: str) -> None:
    case.must("Traceback" not in said, f"a traceback: {said[-300:]}")
    case.must(len(said.splitlines()) == (code != 0), f"not one sentence: {said!r}")
    case.must(words in said, f"{words!r} not in {said!r}")


def command(case: Case, code: int, *arguments: str, words: str = "", uid: int = 0) -> None:
    """A command of ``fillwarm`` on the case, which must end with ``code``."""
    as_user = ["setpriv", f"--reuid={uid}", "--clear-groups"] if uid else []
    done = subprocess.run(
        [*as_user, *PROGRAM, *arguments, str(case.folder)],
        input="",
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "HOME": str(case.base), "PYTHONDONTWRITEBYTECODE": "1"},
    )
    case.seen["exit"] = done.returncode if code else case.seen.get("exit", 0)
    case.must(done.returncode == code, f"{arguments} ended with {done.returncode}")
    _one_sentence(case, done.stderr, code, words)
    if code:
        case.seen.setdefault("sentence", done.stderr.strip().removeprefix("fillwarm: "))


RUN = ("run", "--typed", "--silent", "--case")


def whole(case: Case, told: int, *, or_one_more: bool = False) -> None:
    """The journal holds what the first ``told`` lines come to, and all else is whole."""
    state, _ = read_case(case.folder)
    due = [_after(number) for number in range(told, told + or_one_more + 1)]
    is_due = stories.result(state) in [stories.result(one) for one in due]
    case.must(is_due, f"{len(state.entries)} entries for {told}")
    hidden = [one.name for one in case.folder.glob(".*")]
    case.must(not hidden, f"left over: {hidden}")
    record = case.folder / "record.json"
    case.must(not record.exists() or json.loads(record.read_text()), "no record")


def _after(told: int) -> CaseState:
    lines = [Line(say=text) for text in LINES[:told]]
    state = stories.foresee(None, "case", lines).states[-1]
    assert state is not None
    return state
