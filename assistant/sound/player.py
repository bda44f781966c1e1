"""The Player port: samples to the ear of the clinician, cut off at any moment.

A player plays one thing at a time and never blocks. It does not queue; what
is said when is :mod:`assistant.prompt.mouth`'s business.
"""

from __future__ import annotations

import importlib
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from assistant.errors import EquipmentError
from assistant.sound.resample import resample
from assistant.sound.samples import RATE_HZ, Samples, to_int16
from assistant.sound.sources import device_of

_FADE_S = 0.010  # a cut in the middle of a vowel would click
_STALLED_S = 1.0  # the device asks for sound about every 10-40 ms while it lives
REMEMBERED_S = 10.0
"""More than the longest search for an echo looks back, after the end of a prompt."""

_MAX_DELAY_S = (
    0.5  # from the program to the ear; wireless earpieces take 0.2-0.3 s (from memory)
)


class Player(Protocol):
    """Plays samples; every member returns at once."""

    def play(self, samples: Samples) -> None:
        """Start ``samples`` (16 kHz). Call only when not ``busy``."""

    def stop(self) -> None:
        """Cut off what is playing; ``busy`` is False on return."""

    def close(self) -> None:
        """Give the device back; nothing can be played afterwards."""

    @property
    def busy(self) -> bool:
        """Whether sound is coming out now (to the last sample, not beyond)."""

    @property
    def audible(self) -> bool:
        """Whether anybody can hear this player; False once its device is lost."""

    @property
    def trouble(self) -> str | None:
        """What went wrong with the device, in one sentence for the user; else None."""


class SilentPlayer:
    """For work with the screen alone: takes everything, is never busy."""

    busy = False
    audible = False
    trouble: str | None = None

    def play(self, samples: Samples) -> None:
        """Do nothing."""

    def stop(self) -> None:
        """Do nothing."""

    def close(self) -> None:
        """Do nothing."""


@dataclass(frozen=True, slots=True)
class Played:
    """What came out of a :class:`TimelinePlayer`, from ``start_s`` on its clock."""

    start_s: float
    samples: Samples

    @property
    def end_s(self) -> float:
        """When the last sample ended."""
        return self.start_s + len(self.samples) / RATE_HZ


class TimelinePlayer:
    """Plays into a list on a virtual clock: for rehearsals and tests.

    Busy for exactly the length of the samples; what is stopped is recorded
    only as far as it was played.
    """

    audible = True
    trouble: str | None = None

    def __init__(self, clock: Callable[[], float]) -> None:
        """Play against ``clock`` (seconds, never going back)."""
        self._clock = clock
        self.timeline: list[Played] = []

    @property
    def busy(self) -> bool:
        """See :class:`Player`."""
        return bool(self.timeline) and self._clock() < self.timeline[-1].end_s

    def play(self, samples: Samples) -> None:
        """Record ``samples`` as starting now.

        Raises:
            RuntimeError: something is playing; a real ear would miss one of the two.
        """
        if self.busy:
            raise RuntimeError("play() while busy")
        self.timeline.append(Played(self._clock(), samples))

    def stop(self) -> None:
        """See :class:`Player`."""
        if self.busy:
            last = self.timeline.pop()
            heard = int((self._clock() - last.start_s) * RATE_HZ)
            if heard:
                self.timeline.append(Played(last.start_s, last.samples[:heard]))

    def close(self) -> None:
        """See :class:`Player`."""
        self.stop()

    def mix(self, length_s: float) -> Samples:
        """Return the first ``length_s`` seconds of the timeline (clock zero first)."""
        mixed = np.zeros(round(length_s * RATE_HZ), dtype=np.int16)
        for played in self.timeline:
            start = round(played.start_s * RATE_HZ)
            part = played.samples[: max(0, len(mixed) - start)]
            mixed[start : start + len(part)] = part
        return mixed


class RememberingPlayer:
    """Plays through another player and remembers the last :data:`REMEMBERED_S`, for
    the search for echoes (:mod:`assistant.sound.echo`)."""

    def __init__(self, player: Player, clock: Callable[[], float]) -> None:
        """Play through ``player``; ``clock`` (seconds, never going back) dates it."""
        self._player = player
        self._clock = clock
        self._parts: list[Played] = []

    @property
    def busy(self) -> bool:
        """See :class:`Player`; so the others."""
        return self._player.busy

    @property
    def audible(self) -> bool:  # noqa: D102
        return self._player.audible

    @property
    def trouble(self) -> str | None:  # noqa: D102
        return self._player.trouble

    def play(self, samples: Samples) -> None:  # noqa: D102
        now_s = self._clock()
        self._parts = [part for part in self._parts if part.end_s > now_s - REMEMBERED_S]
        self._parts.append(Played(now_s, samples))
        self._player.play(samples)

    def stop(self) -> None:  # noqa: D102
        if self._parts:
            last = self._parts[-1]
            heard = round(max(0.0, self._clock() - last.start_s) * RATE_HZ)
            self._parts[-1] = Played(last.start_s, last.samples[:heard])
        self._player.stop()

    def close(self) -> None:  # noqa: D102
        self._player.close()

    def played(self, from_s: float, to_s: float) -> Samples:
        """What was played between two moments of the clock, zeros where nothing was."""
        mixed = np.zeros(max(0, round((to_s - from_s) * RATE_HZ)), dtype=np.int16)
        for part in self._parts:
            at = round((part.start_s - from_s) * RATE_HZ)
            first, last = max(0, at), min(len(mixed), at + len(part.samples))
            if first < last:
                mixed[first:last] = part.samples[first - at : last - at]
        return mixed


class OutputStream(Protocol):
    """The part of ``sounddevice.OutputStream`` that is used."""

    @property
    def active(self) -> bool:
        """False once the device has ended the stream."""

    def start(self) -> object:
        """Begin to ask the callback for sound."""

    def close(self) -> object:
        """Give the device back."""


class SoundModule(Protocol):
    """The part of the sounddevice module that is used; tests bring their own.

    ``OutputStream`` is called with samplerate, device, channels, dtype and
    callback; ``check_output_settings`` with device and samplerate;
    ``query_devices`` with a device and "output".
    """

    @property
    def PortAudioError(self) -> type[Exception]: ...  # noqa: N802, D102
    @property
    def OutputStream(self) -> Callable[..., OutputStream]: ...  # noqa: N802, D102
    @property
    def query_devices(self) -> Callable[..., Any]: ...  # noqa: D102
    @property
    def check_output_settings(self) -> Callable[..., object]: ...  # noqa: D102


class SounddevicePlayer:
    """Plays on a sound device through sounddevice (PortAudio).

    One stream stays open and plays silence in between: opening a stream for
    each prompt costs more than the 0.2 s that people leave between turns.
    ``busy`` counts the device's own delay, so that the microphone is not
    listened to while the end of a sentence is still in the air.
    """

    def __init__(
        self,
        device: int | str | None = None,
        sound: SoundModule | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Open ``device`` (number or part of its name; None for the system's default).

        Raises:
            EquipmentError: no sound system, no such device, or it cannot be opened.
        """
        device = device_of(device)
        self._clock = clock
        self._lock = threading.Lock()
        self._pending: NDArray[np.int16] = np.zeros(0, dtype=np.int16)
        self._playing = False
        self._ends_at_s = 0.0
        self._asked_at_s = clock()
        self._trouble: str | None = None
        self._closed = False
        self._where = "the default loudspeaker" if device is None else f"loudspeaker {device!r}"
        try:
            sound = sound or importlib.import_module("sounddevice")
            self._rate_hz = _usable_rate_hz(sound, device)
            self._stream = sound.OutputStream(
                samplerate=self._rate_hz,
                device=device,
                channels=1,
                dtype="int16",
                callback=self._fill,
            )
            self._stream.start()
        except Exception as error:  # OSError without PortAudio, ValueError for a bad name
            raise EquipmentError(
                f"Cannot play sound on {self._where} ({error}): plug it in or choose another, "
                "or go on with the screen alone, which shows everything."
            ) from error

    @property
    def busy(self) -> bool:
        """See :class:`Player`; also where the loss of the device is noticed."""
        if not self.audible:
            return False
        with self._lock:
            if not self._playing:
                return False
            now_s = self._clock()
            if now_s >= self._ends_at_s:
                self._playing = False
                return False
            stalled = now_s - self._asked_at_s > _STALLED_S
        try:
            alive = self._stream.active and not stalled
        except Exception:  # PortAudio may refuse to answer about a device that is gone
            alive = False
        if not alive:
            self._trouble = (
                f"Sound on {self._where} stopped: read the screen, which shows everything, "
                "and plug it in and start again to hear prompts."
            )
        return alive

    @property
    def audible(self) -> bool:
        """See :class:`Player`."""
        return self._trouble is None and not self._closed

    @property
    def trouble(self) -> str | None:
        """See :class:`Player`."""
        return self._trouble

    def play(self, samples: Samples) -> None:
        """See :class:`Player`; does nothing once the device is lost or closed."""
        if not self.audible or samples.size == 0:
            return
        sound = _resampled(samples, self._rate_hz)
        with self._lock:
            # What may be left is the faded end of what was stopped just now.
            self._pending = np.concatenate([self._pending, sound])
            self._playing = True
            self._asked_at_s = self._clock()
            self._ends_at_s = float("inf")  # known when the device takes the last sample

    def stop(self) -> None:
        """See :class:`Player`; the last 10 ms are faded out."""
        with self._lock:
            tail = self._pending[: round(_FADE_S * self._rate_hz)]
            self._pending = to_int16(tail * np.linspace(1, 0, len(tail)))
            self._playing = False

    def close(self) -> None:
        """See :class:`Player`."""
        self._closed = True
        self._stream.close()

    def _fill(self, out: NDArray[np.int16], frames: int, when: Any, _status: object) -> None:
        """Give the device its next ``frames`` samples; runs on PortAudio's thread."""
        with self._lock:
            self._asked_at_s = self._clock()
            part = self._pending[:frames]
            self._pending = self._pending[frames:]
            if part.size and not self._pending.size:
                # Some drivers report a time of 0 or from another clock: only
                # the difference counts, and only if it is believable.
                delay_s = min(
                    max(when.outputBufferDacTime - when.currentTime, 0.0), _MAX_DELAY_S
                )
                self._ends_at_s = self._asked_at_s + delay_s + len(part) / self._rate_hz
        out[: len(part), 0] = part
        out[len(part) :, 0] = 0


def _usable_rate_hz(sound: SoundModule, device: int | str | None) -> int:
    """16 kHz if the device takes it, else its own rate (many cards only know 48 kHz)."""
    try:
        sound.check_output_settings(device=device, samplerate=RATE_HZ)
    except sound.PortAudioError:
        return int(sound.query_devices(device, "output")["default_samplerate"])
    return RATE_HZ


def _resampled(samples: Samples, rate_hz: int) -> NDArray[np.int16]:
    if rate_hz == RATE_HZ:
        return samples
    wave = resample(samples.astype(np.float64), RATE_HZ, rate_hz)
    return to_int16(wave)
