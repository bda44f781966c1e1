"""Where practice is kept: case folders of its own, each with its scenario and score.

``journal.jsonl`` and what follows from it are those of any case. ``scenario.json`` is
written before the case begins, ``score.json`` when it is left; both whole or not at all.
A folder without ``scenario.json`` is no practice case and is never taken for one.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from platformdirs import user_data_path
from pydantic import ValidationError

from assistant.case.casefile import JOURNAL, read_whole
from assistant.errors import InputFileError, RecordUnwritable, UserError
from assistant.files.atomic import make_folder, reason, write_atomically
from assistant.files.yamlfile import read_text
from assistant.practice.scenario import Scenario
from assistant.practice.score import Score, score
from assistant.protocol.frozen import Frozen

SCENARIO, SCORE, SHEET = "scenario.json", "score.json", "exercise.txt"


class Exercise(Frozen):
    """What ``scenario.json`` holds: the case, who practises, and planned mistakes."""

    scenario: Scenario
    operator: str = "self"
    mistakes: tuple[str, ...] = ()


def practice_folder(cases: Path) -> Path:
    """``FILLWARM_PRACTICE``, or ``practice`` in the user's data.

    Raises:
        UserError: it lies in the folder of the real cases, or holds it.
    """
    named = os.environ.get("FILLWARM_PRACTICE")
    folder = Path(named) if named else user_data_path("fillwarm") / "practice"
    apart(folder, cases)
    return folder


def apart(folder: Path, cases: Path) -> None:
    """Check that practice is not put among real cases.

    Raises:
        UserError: one of the folders lies in the other.
    """
    ours, theirs = folder.resolve(), cases.resolve()
    if ours == theirs or theirs in ours.parents or ours in theirs.parents:
        raise UserError(
            f"Practice in {folder} would be mixed with the cases in {cases}; "
            "name another folder in FILLWARM_PRACTICE."
        )


def save_exercise(folder: Path, exercise: Exercise) -> None:
    """Write ``scenario.json``; the folder is made.

    Raises:
        RecordUnwritable: the disk refused.
    """
    try:
        make_folder(folder)
    except OSError as bad:
        raise RecordUnwritable(
            f"The folder {folder} cannot be made ({reason(bad)}); "
            "name another in FILLWARM_PRACTICE."
        ) from None
    write_atomically(folder / SCENARIO, exercise.model_dump_json(indent=2) + "\n")


def load_exercise(folder: Path) -> Exercise:
    """The exercise of a practice case.

    Raises:
        InputFileError: not a practice case, or its ``scenario.json`` is damaged.
    """
    path = folder / SCENARIO
    if not path.exists():
        raise InputFileError(
            f"{folder} is not a practice case ({SCENARIO} is missing); "
            "begin one with: fillwarm practice."
        )
    try:
        return Exercise.model_validate_json(read_text(path))
    except ValidationError as bad:
        raise InputFileError(
            f"{path} is damaged ({bad.errors()[0]['msg']}); practise another case."
        ) from None


def score_folder(folder: Path) -> Score:
    """Score a practice case by its journal and write ``score.json``.

    Raises:
        InputFileError: not a practice case.
        RecordDamaged: the journal does not verify.
        RecordUnwritable: the disk refused.
    """
    exercise = load_exercise(folder)
    found = score(read_whole(folder).events, exercise.scenario, exercise.operator)
    write_atomically(folder / SCORE, found.model_dump_json(indent=2) + "\n")
    return found


def runs(practice: Path) -> Iterator[tuple[Path, Score | None]]:
    """Every practice case with its score, by when it began; None where it is not scored
    yet or the score cannot be read. Those without a score come last."""
    found: list[tuple[Path, Score | None]] = []
    for path in sorted(practice.glob(f"*/{SCENARIO}")):
        folder = path.parent
        if (folder / JOURNAL).exists():
            found.append((folder, _read_score(folder)))
    yield from sorted(
        (run for run in found if run[1] is not None),
        key=lambda run: run[1].began if run[1] else 0,
    )
    yield from (run for run in found if run[1] is None)


def _read_score(folder: Path) -> Score | None:
    try:
        return Score.model_validate_json(read_text(folder / SCORE))
    except (InputFileError, ValidationError):
        return None
