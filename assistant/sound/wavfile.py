"""Plain PCM out of a WAV file, whatever its width; :mod:`.sources` resamples it.

The standard library's ``wave`` refuses WAVE_FORMAT_EXTENSIBLE before Python
3.12, which is how most 24-bit recorders write, and believes the header's
length; hence a reader of our own.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from assistant.errors import InputFileError

MAX_WAV_S = 600.0
"""Longest WAV file read, in seconds; keeps a wrong file from filling memory."""

MIN_WAV_HZ, MAX_WAV_HZ = 8_000, 48_000
"""Sampling rates read; below 8 kHz speech loses what tells consonants apart."""

_PCM, _EXTENSIBLE = 0x0001, 0xFFFE
# Microsoft's KSDATAFORMAT_SUBTYPE_PCM: the format tag followed by this tail.
_GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")


@dataclass(frozen=True, slots=True)
class _WavHeader:
    """The parts of a WAV header that decide how to read the data chunk."""

    tag: int
    channels: int
    rate_hz: int
    bits: int
    data_at: int
    data_bytes: int

    @property
    def frame_bytes(self) -> int:
        return self.channels * self.bits // 8


def _read_header(file: BinaryIO, end: int) -> _WavHeader:
    """Walk the RIFF chunks to ``data``.

    Raises:
        ValueError: with the reason, worded to follow "FILE ".
    """
    riff = file.read(12)
    if len(riff) < 12 or riff[:4] != b"RIFF" or riff[8:] != b"WAVE":
        raise ValueError("is not a WAV file")
    fmt: tuple[int, int, int, int] | None = None
    while True:
        head = file.read(8)
        if len(head) < 8:
            raise ValueError("is cut off before its sound data")
        kind, size = head[:4], struct.unpack("<I", head[4:])[0]
        if kind == b"data":
            if fmt is None:
                raise ValueError("is damaged: its sound data comes before its format")
            return _WavHeader(*fmt, data_at=file.tell(), data_bytes=size)
        if file.tell() + size > end:
            raise ValueError("is cut off before its sound data")
        if kind == b"fmt ":
            body = file.read(min(size, 64))
            if len(body) < 16:
                raise ValueError("is damaged: its format header is too short")
            tag, channels, rate_hz, _, _, bits = struct.unpack("<HHIIHH", body[:16])
            if tag == _EXTENSIBLE and body[26:40] == _GUID_TAIL:
                tag = struct.unpack("<H", body[24:26])[0]
            fmt = (tag, channels, rate_hz, bits)
            file.seek(size - len(body), 1)
        else:
            file.seek(size, 1)
        file.seek(size % 2, 1)  # chunks are padded to an even length


def _check_header(header: _WavHeader, end: int) -> None:
    """Refuse what cannot be read. Raises ValueError as :func:`_read_header` does."""
    if header.tag != _PCM or header.bits not in (8, 16, 24, 32):
        raise ValueError("is compressed or not plain PCM (8, 16, 24 or 32 bit)")
    if header.channels not in (1, 2):
        raise ValueError(f"has {header.channels} channels; one or two are understood")
    if not MIN_WAV_HZ <= header.rate_hz <= MAX_WAV_HZ:
        raise ValueError(
            f"is sampled at {header.rate_hz} Hz; {MIN_WAV_HZ} to {MAX_WAV_HZ} Hz are understood"
        )
    present = end - header.data_at
    # The header may lie either way, so both figures have to be in bounds.
    seconds = min(header.data_bytes, present) / (header.frame_bytes * header.rate_hz)
    if seconds > MAX_WAV_S:
        raise ValueError(f"is longer than {MAX_WAV_S:.0f} seconds")
    if header.data_bytes < header.frame_bytes:
        raise ValueError("holds no sound")
    if header.data_bytes > present:
        raise ValueError("is cut off: it holds less sound than its header says")


def _decode(data: bytes, header: _WavHeader) -> NDArray[np.float32]:
    """PCM bytes to mono float32 in units of one 16-bit step."""
    values: NDArray[np.float32]
    if header.bits == 8:  # the only unsigned width
        values = (np.frombuffer(data, np.uint8).astype(np.float32) - 128.0) * 256.0
    elif header.bits == 16:
        values = np.frombuffer(data, "<i2").astype(np.float32)
    elif header.bits == 24:
        padded = np.zeros((len(data) // 3, 4), np.uint8)
        padded[:, 1:] = np.frombuffer(data, np.uint8).reshape(-1, 3)
        values = padded.view("<i4")[:, 0].astype(np.float32) / 65536.0
    else:
        values = np.frombuffer(data, "<i4").astype(np.float32) / 65536.0
    mixed: NDArray[np.float32] = values.reshape(-1, header.channels).mean(axis=1)
    return mixed


def read_mono(path: Path) -> tuple[NDArray[np.float32], int]:
    """Read a PCM WAV file: 8, 16, 24 or 32 bit, mono or stereo (mixed).

    Returns:
        The samples, shape ``(n,)``, in units of one 16-bit step, and their
        rate in Hz.

    Raises:
        InputFileError: missing, empty, truncated, corrupt, compressed, not a
            WAV file, a rate out of range, or longer than :data:`MAX_WAV_S`.
    """
    try:
        with path.open("rb") as file:
            end = file.seek(0, 2)
            file.seek(0)
            if end == 0:
                raise ValueError("is empty")
            header = _read_header(file, end)
            _check_header(header, end)
            file.seek(header.data_at)
            size = header.data_bytes - header.data_bytes % header.frame_bytes
            data = file.read(size)
            if len(data) < size:  # shrank while we looked
                raise ValueError("is cut off: it holds less sound than its header says")
    except ValueError as error:
        raise InputFileError(
            f"The sound file {path} {error}; give a PCM WAV file, best 16 kHz mono."
        ) from error
    except OSError as error:
        raise InputFileError(
            f"The sound file {path} cannot be read ({error.strerror}); check its name."
        ) from error
    return _decode(data, header), header.rate_hz
