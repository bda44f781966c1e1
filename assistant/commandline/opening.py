"""How a sitting gets its case: begun or gone on with, by whom."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple, Self

import click
from platformdirs import user_config_path

from assistant.case.casefile import JOURNAL, CaseFile
from assistant.case.instrument_files import load_pluggers
from assistant.case.practice_file import PracticeFile, load_practice
from assistant.clock import Clock
from assistant.commandline.anchoring import need_unbroken, need_vacant
from assistant.commandline.case import fresh
from assistant.commandline.options import cases_folder
from assistant.errors import InputFileError
from assistant.progress import intents as it
from assistant.progress.entries import PersonRole
from assistant.progress.people import LONGEST_NAME, is_name
from assistant.protocol.model import Protocol
from assistant.protocol.moment import Moment


class People(NamedTuple):
    """Who works on the case, as far as it was told: who operates, who assists, who may take
    over; and who does in the practice."""

    operator: str | None
    assistant: str | None
    also: tuple[str, ...]
    ours: PracticeFile

    def checked(self) -> Self:
        """The same, if the note can carry every name.

        Raises:
            click.BadParameter: it cannot.
        """
        for name in (self.operator, self.assistant, *self.also):
            if name is not None and not is_name(name):
                raise click.BadParameter(f"A name has 1 to {LONGEST_NAME} characters.")
        return self

    def take_over(self, case: CaseFile, now: Moment, tell: Callable[[str], None]) -> None:
        """Whoever is named now and was not at work in the case takes over in it."""
        state = case.state
        told: dict[PersonRole, tuple[str | None, str]] = {
            "operator": (self.operator, state.operator),
            "chairside": (self.assistant, state.assistant),
        }
        for role, (name, before) in told.items():
            if name is None or name == before:
                continue
            if state.signed is not None:
                tell(f"The note is signed: {name} takes nothing over.")
                continue
            by_option = it.Heard(text=f"begun with {name}", channel="key")
            intent = it.TakeOver(role=role, name=name, heard=by_option)
            case.reopening += case.take(intent, now)


def practice_file(given: Path | None) -> PracticeFile:
    """The practice's file that is given, or the usual one if there is one."""
    usual = user_config_path("fillwarm") / "practice.yaml"
    path = given or (usual if usual.exists() else None)
    return load_practice(path) if path else PracticeFile()


def open_case(
    folder: Path | None,
    code: str | None,
    people: People,
    protocol: Protocol,
    pluggers: str | None,
    clock: Clock,
    tell: Callable[[str], None],
    *,
    fresh_only: bool,
) -> CaseFile:
    """The case of a folder gone on with, or a new one there (None: named by day and time).

    Raises:
        InputFileError: it is begun and must be new, or cannot be there.
    """
    now = clock.now()
    cases = cases_folder()
    if folder is None:
        folder = fresh(cases / now.wall.strftime("%Y-%m-%d-%H%M%S"))
    if (folder / JOURNAL).exists():
        if fresh_only:
            raise InputFileError(
                f"The case {folder} is begun already; go on without --prepared, or give "
                "another name."
            )
        need_unbroken(folder)
        case = CaseFile.reopen(folder, now)
        if case.recovery:
            tell(f"!! {case.recovery}")
        people.take_over(case, now, tell)
        return case
    need_vacant(folder, code)
    operator = people.operator or next(iter(people.ours.people), "Operator")
    if folder.resolve().parent != cases.resolve():
        tell(
            f"{folder} is not in the folder of cases, {cases}, where fillwarm cases and "
            "review --all look; a plain name (--case 0001) would be."
        )
    return CaseFile.create(
        folder,
        protocol,
        now,
        case_code=code or folder.name,
        operator=operator,
        assistant=people.assistant or people.ours.assistant or "",
        people=tuple(dict.fromkeys((operator, *people.also, *people.ours.people))),
        instruments=load_pluggers(pluggers) if pluggers else None,
    )
