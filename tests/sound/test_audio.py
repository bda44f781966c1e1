"""Sound files and the microphone, with a stand-in for the sound device."""

from __future__ import annotations

import contextlib
import struct
import sys
import threading
import wave
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.io import wavfile
from scipy.signal import resample_poly

from assistant.errors import DeviceLost, EquipmentError, InputFileError, RecordUnwritable
from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ
from assistant.sound.sources import (
    MicrophoneSource,
    SampleSource,
    StreamResampler,
    load_sounddevice,
    read_wav,
    wav_source,
    write_wav,
)
from assistant.sound.wavfile import MAX_WAV_S

pytestmark = pytest.mark.devices


def tone(rate_hz: int, seconds: float = 0.5, hertz: float = 440.0) -> np.ndarray:
    return 0.5 * np.sin(2 * np.pi * hertz * np.arange(round(rate_hz * seconds)) / rate_hz)


def strongest_hertz(samples: np.ndarray) -> float:
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples))))
    return float(np.argmax(spectrum) * RATE_HZ / len(samples))


def header(
    *, tag: int = 1, channels: int = 1, rate: int = 16_000, bits: int = 16, data: int = 0
) -> bytes:
    frame = channels * bits // 8
    fmt = struct.pack("<HHIIHH", tag, channels, rate, rate * frame, frame, bits)
    return (
        b"RIFF" + struct.pack("<I", (36 + data) % 2**32) + b"WAVE"
        + b"fmt " + struct.pack("<I", 16) + fmt
        + b"data" + struct.pack("<I", data)
    )  # fmt: skip


# --- reading -----------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 16_000, 22_050, 44_100, 48_000])
def test_any_rate_keeps_pitch_and_length(tmp_path: Path, rate_hz: int) -> None:
    path = tmp_path / "a.wav"
    wavfile.write(path, rate_hz, (tone(rate_hz) * 32767).astype(np.int16))
    samples = read_wav(path)
    assert samples.dtype == np.int16
    assert len(samples) == pytest.approx(RATE_HZ / 2, abs=2)
    assert strongest_hertz(samples) == pytest.approx(440, abs=3)
    assert np.abs(samples).max() == pytest.approx(16_384, rel=0.05)


def test_every_width_gives_the_same_sound(tmp_path: Path) -> None:
    expected = tone(RATE_HZ) * 32768
    path = tmp_path / "a.wav"
    for values in (
        (tone(RATE_HZ) * 127 + 128).astype(np.uint8),
        expected.astype(np.int16),
        (tone(RATE_HZ) * 2**31).astype(np.int32),
    ):
        wavfile.write(path, RATE_HZ, values)
        np.testing.assert_allclose(read_wav(path), expected, atol=400)
    packed = (tone(RATE_HZ) * 2**23).astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3]
    path.write_bytes(header(bits=24, data=packed.size) + packed.tobytes())
    np.testing.assert_allclose(read_wav(path), expected, atol=1)


def test_stereo_is_mixed(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    wavfile.write(path, RATE_HZ, np.tile(np.array([[1000, 3000]], np.int16), (RATE_HZ, 1)))
    assert set(read_wav(path)) == {2000}


def test_extensible_pcm_is_read(tmp_path: Path) -> None:
    """The layout of WAVEFORMATEXTENSIBLE as Microsoft documents it."""
    fmt = struct.pack("<HHIIHH", 0xFFFE, 1, 16_000, 32_000, 2, 16)
    fmt += struct.pack("<HHI", 22, 16, 4) + struct.pack("<H", 1)
    fmt += bytes.fromhex("000000001000800000aa00389b71")
    data = struct.pack("<4h", 1, -2, 3, -4)
    body = b"WAVEfmt " + struct.pack("<I", len(fmt)) + fmt
    body += b"LIST" + struct.pack("<I", 3) + b"abc\0" + b"data" + struct.pack("<I", 8) + data
    path = tmp_path / "a.wav"
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    assert list(read_wav(path)) == [1, -2, 3, -4]


UNREADABLE = {
    "empty": b"",
    "text": b"plugger seventeen\n" * 10,
    "header only": header()[:20],
    "no data chunk": header()[:36],
    "no sound": header(),
    "truncated": header(data=1000) + bytes(500),
    "endless": header(data=0xFFFFFFFF) + bytes(500),
    "compressed": header(tag=0x11, bits=4, data=64) + bytes(64),
    "float": header(tag=3, bits=32, data=64) + bytes(64),
    "12 bit": header(bits=12, data=64) + bytes(64),
    "six channels": header(channels=6, data=96) + bytes(96),
    "no channels": header(channels=0, data=96) + bytes(96),
    "4 kHz": header(rate=4_000, data=64) + bytes(64),
    "96 kHz": header(rate=96_000, data=64) + bytes(64),
    "0 Hz": header(rate=0, data=64) + bytes(64),
    "data before format": b"RIFF\x10\0\0\0WAVEdata\x04\0\0\0abcd",
    "chunk beyond the end": b"RIFF\x10\0\0\0WAVEfmt \xff\xff\xff\x7f" + bytes(16),
}


@pytest.mark.parametrize("content", UNREADABLE.values(), ids=UNREADABLE)
def test_unreadable_file_is_one_clear_sentence(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "said.wav"
    path.write_bytes(content)
    with pytest.raises(InputFileError) as caught:
        read_wav(path)
    message = str(caught.value)
    assert "said.wav" in message
    assert message.endswith(".")
    assert "\n" not in message


def test_missing_file_and_folder(tmp_path: Path) -> None:
    for path in (tmp_path / "none.wav", tmp_path):
        with pytest.raises(InputFileError, match="cannot be read"):
            read_wav(path)


@pytest.mark.parametrize("lie", [False, True])
def test_huge_file_is_refused_before_it_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lie: bool
) -> None:
    size = int((MAX_WAV_S + 1) * 32_000)
    path = tmp_path / "huge.wav"
    with path.open("wb") as file:
        file.write(header(data=0xFFFFFFFF if lie else size))
        file.truncate(44 + size)  # sparse: takes no room on disk
    monkeypatch.setattr("assistant.sound.wavfile._decode", None)
    with pytest.raises(InputFileError, match="longer than 600 seconds"):
        read_wav(path)


@given(st.binary(max_size=200), st.integers(0, 60))
@settings(max_examples=200, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_damage_never_raises_anything_else(tmp_path: Path, junk: bytes, at: int) -> None:
    good = header(data=200) + bytes(range(200))
    path = tmp_path / "damaged.wav"
    path.write_bytes(good[:at] + junk + good[at + len(junk) :])
    try:
        samples = read_wav(path)
    except InputFileError:
        return
    assert samples.dtype == np.int16


def test_written_file_reads_back(tmp_path: Path) -> None:
    samples = np.arange(-500, 500, dtype=np.int16)
    write_wav(tmp_path / "a.wav", samples)
    np.testing.assert_array_equal(read_wav(tmp_path / "a.wav"), samples)
    with wave.open(str(tmp_path / "a.wav")) as file:
        assert (file.getframerate(), file.getnchannels(), file.getsampwidth()) == (16_000, 1, 2)
    with pytest.raises(RecordUnwritable):
        write_wav(tmp_path / "none" / "a.wav", samples)


def test_frames_cover_the_file(tmp_path: Path) -> None:
    samples = np.arange(1, 1001, dtype=np.int16)
    write_wav(tmp_path / "a.wav", samples)
    source = wav_source(tmp_path / "a.wav")
    frames = list(source.frames())
    assert [len(frame) for frame in frames] == [FRAME_SAMPLES] * 3
    np.testing.assert_array_equal(np.concatenate(frames)[:1000], samples)
    assert source.name == "a.wav"
    source.close()
    assert list(source.frames()) == []
    assert list(SampleSource("nothing", samples[:0]).frames()) == []


# --- resampling a stream -----------------------------------------------------


@pytest.mark.parametrize(("rate_hz", "up", "down"), [(48_000, 1, 3), (44_100, 160, 441)])
def test_stream_resampler_has_no_seams(rate_hz: int, up: int, down: int) -> None:
    """Block by block comes near scipy's resample_poly, another filter, over the whole."""
    rng = np.random.default_rng(1)
    time_s = np.arange(rate_hz) / rate_hz
    tones = np.sum([np.sin(2 * np.pi * hz * time_s) for hz in (120.0, 700.0, 3100.0)], axis=0)
    whole = (3000 * tones).astype(np.int16)
    resampler, at, parts = StreamResampler(rate_hz), 0, []
    while at < len(whole):
        size = int(rng.integers(1, 3000))
        parts.append(resampler.push(whole[at : at + size]))
        at += size
    streamed = np.concatenate(parts)
    expected = resample_poly(whole.astype(np.float32), up, down)
    assert len(streamed) >= 0.95 * len(expected)
    # Of tones well inside the band; at the edges of the whole the filters ring.
    inside = slice(200, len(streamed) - 200)
    np.testing.assert_allclose(streamed[inside], expected[: len(streamed)][inside], atol=20)


# --- the microphone ----------------------------------------------------------


class PortAudioError(Exception):
    pass


class FakeSound:
    """A sound device that plays blocks, and can be pulled out."""

    PortAudioError: type[Exception] = PortAudioError

    def __init__(
        self, blocks: int = 4, *, native_hz: int = 16_000, then: str = "silent"
    ) -> None:
        self.blocks, self.native_hz, self.then = blocks, native_hz, then
        self.devices = [
            {"name": "USB headset", "max_input_channels": 1, "default_samplerate": native_hz},
            {"name": "Loudspeaker", "max_input_channels": 0, "default_samplerate": 48_000},
        ]
        self.overflow = False
        self.busy = False
        self.opened: dict[str, Any] = {}
        self.closed = threading.Event()

    def query_devices(self, device: int | str | None = None, kind: str | None = None) -> Any:
        if kind is None:
            return self.devices
        if isinstance(device, str):
            found = [d for d in self.devices if device in str(d["name"])]
            if len(found) != 1:
                raise ValueError(f"No input device matching {device!r}")
            return found[0]
        if not self.devices or (device or 0) >= len(self.devices):
            raise PortAudioError("Error querying device")
        return self.devices[device or 0]

    def check_input_settings(self, **settings: Any) -> None:
        if settings["samplerate"] != self.native_hz:
            raise PortAudioError("Invalid sample rate")

    def InputStream(self, **settings: Any) -> FakeSound:  # noqa: N802
        self.opened = settings
        return self

    def start(self) -> None:
        if self.busy:
            raise PortAudioError("Device unavailable")
        count = self.opened["blocksize"]
        status = SimpleNamespace(input_overflow=self.overflow)
        for number in range(self.blocks):
            block = np.full((count, 1), number + 1, np.int16)
            self.opened["callback"](block, count, None, status)
            block[:] = -1  # PortAudio reuses its buffer
        if self.then == "ends":
            self.opened["finished_callback"]()

    def close(self) -> None:
        self.closed.set()


def until_lost(source: MicrophoneSource) -> list[np.ndarray]:
    frames = []
    with contextlib.suppress(DeviceLost):
        for frame in source.frames():
            frames.append(frame)
    return frames


def test_microphone_delivers_frames_and_ends_on_close() -> None:
    sound = FakeSound(3)
    source = MicrophoneSource("USB", sound=sound)
    frames = source.frames()
    assert [int(next(frames)[0]) for _ in range(3)] == [1, 2, 3]
    assert source.name == "USB headset"
    assert sound.opened["channels"] == 1
    assert sound.opened["dtype"] == "int16"
    threading.Timer(0.05, source.close).start()
    assert list(frames) == []
    assert sound.closed.is_set()
    source.close()


@pytest.mark.parametrize("then", ["silent", "ends"])
def test_unplugged_microphone_is_reported_after_its_last_frame(then: str) -> None:
    source = MicrophoneSource(0, sound=FakeSound(2, then=then), stall_s=0.05)
    frames = source.frames()
    assert [int(next(frames)[0]) for _ in range(2)] == [1, 2]
    with pytest.raises(DeviceLost, match=r"USB headset has stopped.*typed input"):
        next(frames)


def test_overflow_is_counted() -> None:
    sound = FakeSound(5)
    sound.overflow = True
    assert MicrophoneSource(sound=sound).lost_blocks == 5


def test_late_consumer_loses_blocks_and_knows() -> None:
    source = MicrophoneSource(sound=FakeSound(10, then="ends"), queue_s=0.12, stall_s=0.05)
    assert source.lost_blocks == 6
    frames = source.frames()
    assert [int(next(frames)[0]) for _ in range(4)] == [1, 2, 3, 4]
    with pytest.raises(DeviceLost):
        next(frames)


def test_device_without_16_khz_is_resampled() -> None:
    sound = FakeSound(20, native_hz=48_000, then="ends")
    source = MicrophoneSource("0", sound=sound)
    assert sound.opened["samplerate"] == 48_000
    frames = until_lost(source)
    assert all(frame.shape == (FRAME_SAMPLES,) for frame in frames)
    # 20 blocks of 30 ms, less the filter's delay; each a step one higher.
    assert len(frames) == 19
    assert [int(np.median(frame)) for frame in frames] == list(range(1, 20))


def test_no_microphone_says_what_to_do() -> None:
    sound = FakeSound()
    sound.devices = []
    with pytest.raises(EquipmentError, match=r"No microphone was found.*typed input"):
        MicrophoneSource(sound=sound)


def test_unknown_microphone_names_those_there_are() -> None:
    for device in ("Bluetooth", 7):
        with pytest.raises(EquipmentError, match=r"USB headset") as caught:
            MicrophoneSource(device, sound=FakeSound())
        assert "Loudspeaker" not in str(caught.value)


def test_busy_microphone_says_what_to_do() -> None:
    sound = FakeSound()
    sound.busy = True
    with pytest.raises(EquipmentError, match=r"USB headset cannot be opened.*typed input"):
        MicrophoneSource(sound=sound)
    assert sound.closed.is_set()


def test_missing_portaudio_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)  # import raises ImportError
    with pytest.raises(EquipmentError, match="libportaudio2"):
        load_sounddevice()
