"""A sound system for tests, in real time: one microphone, one loudspeaker, to be unplugged.

It stands in for the ``sounddevice`` module. As with PortAudio the list of devices is made
when it is initialised: a device plugged in again is another one, found after that only.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np

from assistant.sound.resample import resample

RATE_HZ = 16_000


class PortAudioError(Exception):
    pass


class Pretended:
    """See above.

    Args:
        rate_hz: the one rate of the microphone.
        channels: how many it must be opened with.
        room_rms: its noise, in 16-bit steps.
        seed: of the noise.
    """

    PortAudioError = PortAudioError

    def __init__(
        self, rate_hz: int = RATE_HZ, channels: int = 1, room_rms: float = 25.0, seed: int = 0
    ) -> None:
        self.rate_hz, self.channels, self.room_rms = rate_hz, channels, room_rms
        self.spoil: Callable[[np.ndarray], np.ndarray] = lambda sound: sound
        self.overflows = False
        self.hangs = False
        """The microphone's driver delivers nothing and ends nothing."""
        self.initialised = 0
        self.plugged: dict[str, int | None] = {"input": 1, "output": 1}
        self._known = dict(self.plugged)
        self._number = 1
        self._rng = np.random.default_rng(seed)
        self._said = np.zeros(0)
        self._lock = threading.Lock()

    # -- what a test does ---------------------------------------------------

    def unplug(self, kind: str) -> None:
        self.plugged[kind] = None

    def plug(self, kind: str) -> None:
        self._number += 1
        self.plugged[kind] = self._number

    def say(self, samples: np.ndarray) -> None:
        """Somebody speaks (16 kHz); heard by whatever stream is open."""
        wave = resample(samples.astype(np.float64), RATE_HZ, self.rate_hz)
        with self._lock:
            self._said = np.concatenate([self._said, wave])

    @property
    def silent(self) -> bool:
        """Whether all that was said has been heard."""
        return not len(self._said)

    def block(self, count: int) -> np.ndarray:
        with self._lock:
            said, self._said = self._said[:count], self._said[count:]
        sound = self._rng.normal(0.0, self.room_rms, count)
        sound[: len(said)] += said
        out = np.clip(np.rint(self.spoil(sound)), -32768, 32767).astype(np.int16)
        return np.repeat(out[:, None], self.channels, axis=1)

    def there(self, kind: str) -> bool:
        known = self._known[kind]
        return known is not None and known == self.plugged[kind]

    # -- what sounddevice does ------------------------------------------------

    def _terminate(self) -> None:
        self._known = {"input": None, "output": None}

    def _initialize(self) -> None:
        self.initialised += 1
        self._known = dict(self.plugged)

    def query_devices(self, _device: object = None, kind: str | None = None) -> Any:
        inputs = {
            "name": "pretended headset",
            "max_input_channels": self.channels,
            "default_samplerate": float(self.rate_hz),
        }
        if kind is None:
            return [inputs] if self._known["input"] else []
        if not self._known[kind]:
            raise PortAudioError("Error querying device -1")
        return inputs if kind == "input" else {"default_samplerate": float(RATE_HZ)}

    def check_input_settings(self, *, channels: int, samplerate: int, **_: object) -> None:
        if channels != self.channels or samplerate != self.rate_hz:
            raise PortAudioError("Invalid number of channels or sample rate")

    def check_output_settings(self, **_: object) -> None: ...

    def InputStream(self, **settings: Any) -> _Stream:  # noqa: N802
        return self._stream("input", settings)

    def OutputStream(self, **settings: Any) -> _Stream:  # noqa: N802
        return self._stream("output", settings)

    def _stream(self, kind: str, settings: dict[str, Any]) -> _Stream:
        if not self.there(kind):
            raise PortAudioError("Device unavailable")
        return _Stream(self, kind, settings)


class _Stream:
    """One stream with its thread, which keeps the time of a sound card."""

    def __init__(self, system: Pretended, kind: str, settings: dict[str, Any]) -> None:
        self._system, self._kind, self._settings = system, kind, settings
        self._closed = threading.Event()
        self.active = False

    def start(self) -> None:
        self.active = True
        threading.Thread(target=self._run, daemon=True).start()

    def close(self) -> None:
        self._closed.set()
        self.active = False

    def _run(self) -> None:
        system, settings = self._system, self._settings
        rate_hz = settings["samplerate"]
        count = settings.get("blocksize") or round(0.02 * rate_hz)
        due_s = time.monotonic()
        while not self._closed.is_set() and system.there(self._kind):
            due_s += count / rate_hz
            time.sleep(max(0.0, due_s - time.monotonic()))
            if self._kind == "output":
                out = np.zeros((count, settings["channels"]), np.int16)
                when = SimpleNamespace(currentTime=0.0, outputBufferDacTime=0.02)
                settings["callback"](out, count, when, None)
            elif not system.hangs and not self._closed.is_set():
                status = SimpleNamespace(input_overflow=system.overflows)
                settings["callback"](system.block(count), count, None, status)
        self.active = False
        if finished := settings.get("finished_callback"):
            finished()
