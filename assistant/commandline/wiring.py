"""What the commands with a sitting share: its microphone and its typed lines."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from queue import SimpleQueue
from typing import TextIO

import click

from assistant.errors import EquipmentError
from assistant.screen.port import LONGEST_LINE
from assistant.sound.devices import begin_anew
from assistant.sound.live import Awaited
from assistant.sound.sources import AudioSource, MicrophoneSource, load_sounddevice


def microphone(device: str | None) -> AudioSource:
    """The microphone; where it is not there yet, one that is waited for while the case
    goes on by typed lines."""
    try:
        return MicrophoneSource(device)
    except EquipmentError as missing:
        click.echo(f"!! {missing} The case goes on with typed lines until it is there.")
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


def read_lines(queue: SimpleQueue[str | None], *, ends: bool) -> None:
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
