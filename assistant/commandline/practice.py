"""The commands ``practice``, ``practice-score`` and ``practice-history``."""

from __future__ import annotations

import json
import secrets
from pathlib import Path

import click

from assistant.case.casefile import CaseFile
from assistant.clock import SampleClock, SystemClock
from assistant.commandline import wiring
from assistant.commandline.case import fresh, list_written
from assistant.commandline.options import (
    FILE,
    FOLDER,
    LISTENER,
    MICROPHONE,
    MODEL,
    SILENT,
    SPEAKER,
    WORDS,
    NoticeFirst,
    cases_folder,
    this_second,
    usual_words,
    whole_words,
)
from assistant.errors import UserError
from assistant.files.atomic import write_atomically
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.practice.folder import (
    SCENARIO,
    SCORE,
    SHEET,
    Exercise,
    apart,
    load_exercise,
    practice_folder,
    runs,
    save_exercise,
    score_folder,
)
from assistant.practice.history import plot, table, weeks
from assistant.practice.scenario import INVENTED, Level, draw
from assistant.practice.screen import FindingsScreen
from assistant.practice.script import MISTAKES, Mistake, write_script
from assistant.practice.sheet import exercise_sheet, score_sheet
from assistant.protocol.model import Protocol
from assistant.report.write import write_reports
from assistant.sitting import assembly
from assistant.sitting.dictation import default_voice
from assistant.sitting.rehearsal import Operator
from assistant.sitting.session import Session
from assistant.sound.player import TimelinePlayer
from assistant.sound.sources import AudioSource, write_wav
from assistant.speech.attention import Listen

LEARNER = "Learner"
"""Who signs a practice case: names of people have no place in an invented one."""


@click.command(cls=NoticeFirst)
@click.option("--seed", type=click.IntRange(0, 999_999), default=None, help="Same case again.")
@click.option(
    "--level",
    type=click.IntRange(1, 3),
    default=1,
    show_default=True,
    help="1: no surprises; 3: molars with several.",
)
@click.option(
    "--operator",
    type=click.Choice(["self", "simulated"]),
    default="self",
    show_default=True,
    help="Dictate yourself, or have a synthetic voice do it.",
)
@click.option(
    "--mistakes",
    type=click.Choice(MISTAKES),
    multiple=True,
    metavar="KIND",
    help=f"Of the simulated operator, each made once: {', '.join(MISTAKES)}.",
)
@click.option("--case", "again", type=FOLDER, default=None, help="Go on with this practice.")
@click.option("--protocol", default="warm-vertical", show_default=True, help="Name or file.")
@click.option("--voice", default=None, help="Of the simulated operator, as for demo.")
@click.option("--typed", is_flag=True, help="Typed lines only, no microphone.")
@LISTENER
@MODEL
@MICROPHONE
@SPEAKER
@click.option(
    "--loudspeaker", is_flag=True, help='The microphone hears the voice: say "stop stop".'
)
@SILENT
@click.option(
    "--listen",
    type=click.Choice([mode.value for mode in Listen]),
    default=Listen.OPEN.value,
    show_default=True,
    help="As for run.",
)
@wiring.PLAIN
@WORDS
def practice(
    seed: int | None,
    level: Level,
    operator: str,
    mistakes: tuple[Mistake, ...],
    again: Path | None,
    protocol: str,
    voice: str | None,
    typed: bool,
    listener: str,
    model: Path | None,
    microphone: str | None,
    speaker: str | None,
    loudspeaker: bool,
    silent: bool,
    listen: str,
    plain: bool,
    own_words: Path | None,
) -> None:
    """Practise on an invented case, and have it scored.

    Tooth, canals, lengths and what each paper point would read are drawn from a seed and a
    level, from level 2 on with a trap. At each step a line says what would be seen; dictate
    as in a real case. The score counts presses, heat, depths, downpack, increments, steps in
    their turn and what was dictated; the overall figure is the plain mean of these shares. It
    scores what was dictated and timed, not the filling. Practice is kept apart from cases, in
    practice of the user's data or in FILLWARM_PRACTICE, and marked as invented.
    """
    if operator == "self" and (mistakes or voice):
        raise click.UsageError("--mistakes and --voice are for --operator simulated.")
    if operator == "simulated" and (typed or again):
        raise click.UsageError("--typed and --case are for --operator self.")
    if again is not None:
        folder, exercise, steps = again, load_exercise(again), None
        apart(folder, cases_folder())
        if exercise.operator != "self":
            raise UserError(
                f"{folder} was practised by the simulated operator; begin a case of your own "
                "with: fillwarm practice."
            )
    else:
        steps = load_yaml(protocol_path(protocol), Protocol)
        number = secrets.randbelow(10_000) if seed is None else seed
        scenario = draw(number, level, steps)
        exercise = Exercise(scenario=scenario, operator=operator, mistakes=mistakes)
        stamp = f"{this_second():%Y-%m-%d-%H%M%S}-{scenario.code}"
        folder = fresh(practice_folder(cases_folder()) / stamp)
        save_exercise(folder, exercise)
        write_atomically(folder / SHEET, exercise_sheet(scenario))
    about = f"{exercise.scenario.code}. {INVENTED}. Exercise sheet: {folder / SHEET}"
    if steps is not None and operator == "simulated":
        click.echo(f"{about}\n")
        _listen_to(folder, exercise, steps, mistakes, voice)
        return
    words = assembly.language(usual_words(own_words))
    ears = None
    if not typed:
        ears = assembly.hearing(
            listener,
            model,
            words,
            earpiece=not loudspeaker,
            listen=Listen(listen),
            watched=True,
        )
    clock = SystemClock()
    seat, tell = wiring.seat(clock, words, plain=plain)
    tell(about)
    if steps is None:
        case = CaseFile.reopen(folder, clock.now())
    else:
        case = _create(folder, exercise, steps, clock)
    player = assembly.loudspeaker(silent or typed, speaker, tell)
    shown = FindingsScreen(exercise.scenario, tell)
    sitting = assembly.session(case, clock, player, tell, words, ears, [shown], seat)
    source: AudioSource | None = None if typed else wiring.microphone(microphone, tell)
    try:
        with wiring.typing(sitting, seat, source):
            sitting.run(source)
    finally:
        if source is not None:
            source.close()
        _leave(sitting)
    if case.state.signed is None:
        click.echo(f"Not signed yet. Go on with: fillwarm practice --case {folder}")


def _create(
    folder: Path, exercise: Exercise, steps: Protocol, clock: SystemClock | SampleClock
) -> CaseFile:
    return CaseFile.create(
        folder,
        steps,
        clock.now(),
        case_code=exercise.scenario.code,
        operator=LEARNER if exercise.operator == "self" else "Simulated operator",
        demo=True,
    )


def _listen_to(
    folder: Path,
    exercise: Exercise,
    steps: Protocol,
    mistakes: tuple[Mistake, ...],
    voice: str | None,
) -> None:
    """The simulated operator goes through the case, faster than real time; what was said
    by both is kept as sound, and with its times as text."""
    voice = voice or default_voice()
    words = assembly.language()
    script = write_script(exercise.scenario, steps, words, mistakes=mistakes)
    click.echo(f"The simulated operator's lines are spoken by {voice}.\n")
    transcript: list[str] = []

    def write(line: str) -> None:
        transcript.append(line)
        click.echo(line)

    clock = SampleClock(this_second())
    case = _create(folder, exercise, steps, clock)
    player = TimelinePlayer(clock.seconds)
    shown = FindingsScreen(exercise.scenario, write)
    ears = assembly.hearing("own", None, words)
    sitting = assembly.session(case, clock, player, write, words, ears, [shown])
    simulated = Operator(script, sitting, voice)
    try:
        sitting.run(simulated)
    finally:
        write_atomically(folder / "transcript.txt", "\n".join(transcript) + "\n")
        _leave(sitting)
    spoken = folder / "conversation.wav"
    write_wav(spoken, assembly.Rehearsed(sitting, simulated, player).conversation())
    click.echo(f"Listen to {spoken}; the times of transcript.txt are its seconds.")
    if simulated.failed or case.state.signed is None:
        raise UserError(f"The practice did not reach the signature: {simulated.failed}.")


def _leave(sitting: Session) -> None:
    """Write note and score, and say how it went, however the sitting ended."""
    case = sitting.case
    try:
        written = write_reports(case.folder, case.state, case.head_hash)
    finally:
        case.close()
    found = score_folder(case.folder)
    list_written(case.folder, written | {"score": case.folder / SCORE})
    whole_words(f"\n{score_sheet(found)}")


@click.command()
@click.argument("folder", type=FOLDER)
@click.option("--json", "as_json", is_flag=True)
def practice_score(folder: Path, as_json: bool) -> None:
    """Score a practice case again, from its journal."""
    found = score_folder(folder)
    click.echo(found.model_dump_json(indent=2) if as_json else score_sheet(found), nl=as_json)


@click.command()
@click.option("--json", "as_json", is_flag=True)
@click.option("--plot", "picture", type=FILE, default=None, help="A .png, .pdf or .svg.")
def practice_history(as_json: bool, picture: Path | None) -> None:
    """How practice went, week by week; simulated runs are left out."""
    folder = practice_folder(cases_folder())
    found = list(runs(folder))
    scores = [score for _, score in found if score is not None]
    rows = weeks(scores)
    if picture is not None:
        plot(scores, picture)
    if as_json:
        data = {
            "invented": INVENTED,
            "weeks": [row.model_dump(mode="json") for row in rows],
            "cases": [
                {"folder": str(path)} | _brief(path, score.model_dump(mode="json"))
                for path, score in found
                if score is not None
            ],
            "not_scored": [str(path) for path, score in found if score is None],
        }
        click.echo(json.dumps(data, indent=2))
        return
    click.echo(table(rows) if rows else f"No practice of yours in {folder} yet.")
    for path, score in found:
        if score is None:
            click.echo(f"Not scored: fillwarm practice-score {path}")
    if picture is not None:
        click.echo(f"Picture: {picture}")


def _brief(path: Path, score: dict[str, object]) -> dict[str, object]:
    """What of a score stands in the list; the rest is in its own file."""
    wanted = (
        "case_code",
        "began",
        "level",
        "seed",
        "operator",
        "finished",
        "overall",
        "counts",
    )
    return {name: score[name] for name in wanted} | {"scenario": str(path / SCENARIO)}
