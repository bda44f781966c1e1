"""What the commands with a sitting share: its microphone and its typed lines."""

from __future__ import annotations

import sys
import threading
from queue import SimpleQueue

import click

from assistant.errors import EquipmentError
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


def read_lines(queue: SimpleQueue[str | None], *, ends: bool) -> None:
    """Hand the lines of standard input to a session; with ``ends`` its end ends the sitting."""

    def read() -> None:
        for line in sys.stdin:
            queue.put(line)
        if ends:
            queue.put(None)

    threading.Thread(target=read, daemon=True, name="typed lines").start()


def heard(source: AudioSource | None) -> bool:
    """Whether there is sound already, so that the end of the typed lines ends nothing."""
    return source is not None and not isinstance(source, Awaited)
