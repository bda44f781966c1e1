"""Sound in: WAV files and the microphone, both as 30 ms frames of 16 kHz mono.

Everything downstream sees :data:`~.samples.Samples` and
nothing else, so a recorded file takes the same path as a live voice.
"""

from __future__ import annotations

import contextlib
import math
import queue
import threading
import wave
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from assistant.errors import DeviceLost, EquipmentError, RecordUnwritable
from assistant.sound import devices as sound_system
from assistant.sound.resample import resample
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples, to_int16
from assistant.sound.wavfile import read_mono


class AudioSource(Protocol):
    """Where sound comes from."""

    name: str

    def frames(self) -> Iterator[Samples]:
        """Yield mono frames of exactly :data:`FRAME_SAMPLES` samples.

        Raises:
            DeviceLost: a device that was working has stopped delivering.
        """

    def close(self) -> None:
        """Release the device; ``frames`` ends. Harmless when repeated."""


# --- files ------------------ ----------------------------------------------


def read_wav(path: Path | str) -> Samples:
    """Read a PCM WAV file as 16 kHz mono.

    8, 16, 24 or 32 bit, mono or stereo (mixed), 8 to 48 kHz (resampled with a
    polyphase filter), at most ten minutes.

    Raises:
        InputFileError: missing, empty, truncated, corrupt, compressed, not a
            WAV file, a rate out of range, or too long.
    """
    values, rate_hz = read_mono(Path(path))
    if rate_hz != RATE_HZ:
        values = resample(values, rate_hz, RATE_HZ).astype(np.float32)
    return to_int16(values)


def write_wav(path: Path | str, samples: Samples) -> None:
    """Write 16 kHz mono 16-bit PCM.

    Raises:
        RecordUnwritable: the file cannot be written.
    """
    try:
        with Path(path).open("wb") as file, wave.open(file, "wb") as out:
            out.setnchannels(1)
            out.setsampwidth(2)
            out.setframerate(RATE_HZ)
            out.writeframes(np.ascontiguousarray(samples, "<i2").tobytes())
    except OSError as error:
        raise RecordUnwritable(
            f"The sound could not be written to {path} ({error.strerror}); choose another."
        ) from error


class SampleSource:
    """Samples already in memory as an :class:`AudioSource`."""

    def __init__(self, name: str, samples: Samples) -> None:
        self.name = name
        self._samples = samples
        self._closed = False

    def frames(self) -> Iterator[Samples]:
        """Yield the samples; the last frame is filled up with zeros."""
        for at in range(0, len(self._samples), FRAME_SAMPLES):
            if self._closed:
                return
            frame = self._samples[at : at + FRAME_SAMPLES]
            yield np.pad(frame, (0, FRAME_SAMPLES - len(frame)))

    def close(self) -> None:
        """End ``frames`` at the next frame."""
        self._closed = True


def wav_source(path: Path | str) -> SampleSource:
    """Open a WAV file as an :class:`AudioSource`. Raises as :func:`read_wav`."""
    return SampleSource(Path(path).name, read_wav(path))


# --- resampling a stream -----------------------------------------------------


class StreamResampler:
    """Any rate to 16 kHz, block by block, with no seam between the blocks.

    The price is a delay: some 20 ms, at most 50 ms (soxr 1.0, HQ).
    """

    def __init__(self, rate_hz: int) -> None:
        import soxr  # noqa: PLC0415 - a third of a second that typed work does without

        self._stream = soxr.ResampleStream(rate_hz, RATE_HZ, 1, dtype="int16")

    def push(self, block: Samples) -> Samples:
        """Take one block of any length; return what is complete, maybe nothing."""
        return np.asarray(self._stream.resample_chunk(block), np.int16)


# --- the microphone ----------------------------------------------------------


class InputStream(Protocol):
    """The part of ``sounddevice.InputStream`` used here."""

    def start(self) -> None:
        """Begin calling back."""

    def close(self) -> None:
        """Release the device, gone or not, without raising."""


class SoundDevice(Protocol):
    """The part of the ``sounddevice`` module used here; a fake can be unplugged."""

    PortAudioError: type[Exception]

    def query_devices(self, device: int | str | None = None, kind: str | None = None) -> Any:
        """One device as a mapping, or the list of all."""

    def check_input_settings(self, **settings: Any) -> None:
        """Raise PortAudioError where the settings do not fit."""

    def InputStream(self, **settings: Any) -> InputStream:  # noqa: N802
        """Open (not start) a recording stream."""
        ...


_TYPE_INSTEAD = "or go on with typed input"

POOR = (
    "The microphone {} gives only {} samples a second, half of what words need: expect "
    "more questions, or use another (a headset may have a better mode)."
)


def load_sounddevice() -> SoundDevice:
    """Import ``sounddevice`` only when a microphone is wanted.

    Raises:
        EquipmentError: the package or the PortAudio library is missing.
    """
    try:
        import sounddevice  # noqa: PLC0415 - fails on import without PortAudio
    except (ImportError, OSError) as error:
        raise EquipmentError(
            "The microphone cannot be used because the PortAudio library is missing; "
            f"install it (on Debian: libportaudio2), {_TYPE_INSTEAD}."
        ) from error
    module: SoundDevice = sounddevice
    return module


def device_of(named: int | str | None) -> int | str | None:
    """A device as the sound system takes it: a number written as text is a number."""
    return int(named) if isinstance(named, str) and named.isdecimal() else named


class MicrophoneSource:
    """A microphone as an :class:`AudioSource`; recording begins at once.

    Once it was lost, :meth:`frames` called again opens it anew, and raises EquipmentError
    for as long as it is not there.

    Args:
        device: index, (part of a) name, or None for the system's default.
        sound: the ``sounddevice`` module or a stand-in; None imports it.
        stall_s: seconds without a single block before the device counts as lost.
        queue_s: seconds of sound kept for a consumer that is late; what comes
            beyond that is dropped and counted in ``lost_blocks``.

    Raises:
        EquipmentError: no PortAudio, no such input, or it cannot be opened.
    """

    def __init__(
        self,
        device: int | str | None = None,
        *,
        sound: SoundDevice | None = None,
        stall_s: float = 2.0,
        queue_s: float = 10.0,
    ) -> None:
        self._sound = sound or load_sounddevice()
        self._device = device_of(device)
        self.name = ""
        self.notice = ""
        """What the room should know of the device although it works; "" for nothing."""
        self.lost_blocks = 0
        """Blocks (about 30 ms each) lost to overflow, in the driver or here."""
        self._stall_s = stall_s
        self._limit = max(1, math.ceil(queue_s * RATE_HZ / FRAME_SAMPLES))
        # One place more than the limit, so that the end mark always fits.
        self._queue: queue.Queue[Samples | None] = queue.Queue(self._limit + 1)
        self._stream: InputStream | None = None
        self._opened = 0  # times; tells the callbacks of one stream from the next one's
        self._lost = self._closed = self._stale = False
        self._opening = threading.Lock()
        self._open()
        sound_system.register(self)

    def _open(self) -> None:
        """Open and start the stream. Raises EquipmentError."""
        with self._opening:
            if self._closed:
                return
            sound = self._sound
            info = _find_input(sound, self._device)
            self.name = str(info["name"])
            how = sound_system.opening(sound, self._device, info, RATE_HZ)
            self.notice = POOR.format(self.name, how.rate_hz) if how.rate_hz < RATE_HZ else ""
            self._resample: Callable[[Samples], Samples] = (
                (lambda block: block)
                if how.rate_hz == RATE_HZ
                else StreamResampler(how.rate_hz).push
            )
            self._opened += 1
            try:
                self._stream = sound.InputStream(
                    device=self._device,
                    samplerate=how.rate_hz,
                    channels=how.channels,
                    dtype="int16",
                    blocksize=max(1, round(how.rate_hz * FRAME_SAMPLES / RATE_HZ)),
                    callback=partial(self._on_block, self._opened),
                    finished_callback=partial(self._on_end, self._opened),
                )
                try:
                    self._stream.start()
                except sound.PortAudioError:
                    self._stream.close()
                    raise
            except sound.PortAudioError as error:
                raise EquipmentError(
                    f"The microphone {self.name} cannot be opened ({error}); close other "
                    f"programs that use it or choose another, {_TYPE_INSTEAD}."
                ) from error
            self._lost = False

    def _on_block(
        self, opened: int, data: Samples, _frames: int, _time: Any, status: Any
    ) -> None:
        """PortAudio's thread: copy, count, never wait."""
        if opened != self._opened:
            return
        if status.input_overflow:
            self.lost_blocks += 1
        if self._queue.qsize() >= self._limit:
            self.lost_blocks += 1
            return
        mono = data[:, 0].copy() if data.shape[1] == 1 else to_int16(data.mean(axis=1))
        self._queue.put_nowait(mono)

    def _on_end(self, opened: int) -> None:
        if opened == self._opened and self._queue.qsize() <= self._limit:
            self._queue.put_nowait(None)

    def frames(self) -> Iterator[Samples]:
        """Yield 30 ms frames until :meth:`close`.

        Raises:
            DeviceLost: the stream ended by itself or nothing came for ``stall_s``.
            EquipmentError: it had been lost, and cannot be opened again yet.
        """
        if self._lost:
            self._open_again()
        held: Samples = np.zeros(0, np.int16)
        while not self._closed:
            try:
                block = self._queue.get(timeout=self._stall_s)
            except queue.Empty:
                block = None
            if block is None:
                if self._closed:
                    return
                self._lost = True
                self.release()
                raise DeviceLost(
                    f"The microphone {self.name} has stopped delivering sound; "
                    f"plug it in again, choose another, {_TYPE_INSTEAD}."
                )
            self._stale = False
            held = np.concatenate([held, self._resample(block)])
            while len(held) >= FRAME_SAMPLES:
                yield held[:FRAME_SAMPLES]
                held = held[FRAME_SAMPLES:]

    def _open_again(self) -> None:
        """As PortAudio knows it, else among what is plugged in now. Raises EquipmentError."""
        self._queue = queue.Queue(self._limit + 1)
        # A device of an old list may open and stay silent: not twice in a row.
        before, self._stale = self._stale, True
        if not before:
            with contextlib.suppress(EquipmentError):
                return self._open()
        sound_system.begin_anew(self._sound, self)
        return self._open()

    def release(self) -> None:
        """See :class:`~.devices.User`."""
        with self._opening:
            self._opened += 1
            if self._stream is not None:
                with contextlib.suppress(self._sound.PortAudioError):
                    self._stream.close()
                self._stream = None

    def regain(self) -> None:
        """See :class:`~.devices.User`."""
        if not self._lost:
            try:
                self._open()
            except EquipmentError:
                self._on_end(self._opened)

    def close(self) -> None:
        """Stop recording and wake a waiting consumer."""
        if self._closed:
            return
        self._closed = True
        sound_system.unregister(self)
        self._on_end(self._opened)
        # A driver that hangs while it opens must not keep the program from ending.
        if self._opening.acquire(timeout=1.0):
            stream, self._stream = self._stream, None
            self._opening.release()
            if stream is not None:
                stream.close()


def _find_input(sound: SoundDevice, device: int | str | None) -> dict[str, Any]:
    """Device description of an input. Raises EquipmentError."""
    try:
        info: dict[str, Any] = sound.query_devices(device, "input")
    except (ValueError, sound.PortAudioError) as error:
        inputs = [d["name"] for d in sound.query_devices() if d["max_input_channels"] > 0]
        if not inputs:
            message = f"No microphone was found; plug one in and start again, {_TYPE_INSTEAD}."
        else:
            wanted = "default" if device is None else str(device)
            message = (
                f"The microphone {wanted!r} is not (or not clearly) among the inputs; "
                f"choose one of: {', '.join(inputs)}, {_TYPE_INSTEAD}."
            )
        raise EquipmentError(message) from error
    return info
