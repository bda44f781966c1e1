"""What the commands with a sitting share: its microphone, its terminal and typed lines."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from queue import SimpleQueue
from typing import TYPE_CHECKING, TextIO

import click

from assistant.clock import Clock
from assistant.commandline.options import whole_words
from assistant.errors import EquipmentError
from assistant.report.statement import STATEMENT
from assistant.screen.port import LONGEST_LINE, Entered
from assistant.sitting.session import Session
from assistant.sound.devices import begin_anew
from assistant.sound.live import Awaited
from assistant.sound.sources import AudioSource, MicrophoneSource, load_sounddevice
from assistant.words.grammar import Language
from assistant.words.sayings import load_wording

if TYPE_CHECKING:
    from assistant.screen.console import Console

PLAIN = click.option(
    "--plain", is_flag=True, help="Lines in the place of a view, as where output is piped."
)


def seat(
    clock: Clock, words: Language, *, plain: bool
) -> tuple[Console | None, Callable[[str], None]]:
    """A view for whoever sits at a terminal, None where only lines can be written; and what
    writes a line there."""
    if not plain and clock.real:
        from assistant.screen.console import Console, usable  # noqa: PLC0415 - loads a library

        if usable():
            wording = load_wording(words.folder, words.phrases)
            made = Console(clock, wording, whole_words, [STATEMENT])
            return made, made.write
    return None, whole_words


def microphone(device: str | None, tell: Callable[[str], None]) -> AudioSource:
    """The microphone; where it is not there yet, one that is waited for while the case
    goes on by typed lines."""
    try:
        return MicrophoneSource(device)
    except EquipmentError as missing:
        tell(f"!! {missing} The case goes on with typed lines until it is there.")
        return Awaited(lambda: MicrophoneSource(device), lambda: begin_anew(load_sounddevice()))


def bounded_lines(stream: TextIO) -> Iterator[str | None]:
    """The lines of a stream; None in the place of one that is too long, however long."""
    most = LONGEST_LINE + 1  # and its end
    while line := stream.readline(most):
        if len(line) < most or line.endswith("\n"):
            yield line
            continue
        while line and not line.endswith("\n"):
            line = stream.readline(most)
        yield None


@contextmanager
def typing(
    sitting: Session, console: Console | None, source: AudioSource | None
) -> Iterator[None]:
    """Hand typed lines to a session, from its view or from standard input; beside a recording
    nothing is typed. Their end ends the sitting where there is no sound yet."""
    ends = not heard(source)
    if console is not None:
        console.typed, console.ends = sitting.typed, ends
        console.start()
    elif sitting.clock.real:
        read_lines(sitting.typed, ends=ends)
    try:
        yield
    finally:
        if console is not None:
            console.close()


def read_lines(queue: SimpleQueue[Entered], *, ends: bool) -> None:
    """Hand the lines of standard input to a session; with ``ends`` its end ends the sitting."""

    def read() -> None:
        for line in bounded_lines(sys.stdin):
            if line is None:
                click.echo(f"!! A line of more than {LONGEST_LINE} characters was not taken.")
            else:
                queue.put(line)
        if ends:
            queue.put(None)

    threading.Thread(target=read, daemon=True, name="typed lines").start()


def heard(source: AudioSource | None) -> bool:
    """Whether there is sound already, so that the end of the typed lines ends nothing."""
    return source is not None and not isinstance(source, Awaited)
