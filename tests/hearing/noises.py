"""Rooms to be heard in: noises, reverberation, and their mixture with a voice.

Levels are 16-bit steps. A signal-to-noise ratio is the *active speech level* over
the RMS of the noise, in dB, both over the whole band (0 to 8 kHz). The active
speech level is the RMS over those 20 ms frames that lie within 20 dB of the
loudest, so that pauses do not count; it is set to :data:`LEVEL_RMS` first. A
narrow-band handpiece or a hum masks less than white noise at the same figure.

The noises are made up to have the character of their sources (chosen here, no
recordings): they are stand-ins, not measurements of a surgery.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, sosfilt

from assistant.sitting.dictation import LEVEL_RMS
from assistant.sound.samples import RATE_HZ, Samples, to_int16

Sound = NDArray[np.float64]
Speaker = Callable[[str, str], Samples]
"""(text, voice name) to sound."""

QUIET_RMS = 25.0
"""A very quiet room: 40 dB under the operator, in every condition."""

LEAD_S = 1.5
TAIL_S = 1.5
"""Room before and after the voice."""

_FRAME = RATE_HZ // 50
_ACTIVE_DB = 20.0


def active_frames(sound: NDArray[Any]) -> NDArray[np.bool_]:
    """Which 20 ms frames lie within 20 dB of the loudest."""
    frames = _frames(sound)
    if len(frames) == 0:
        return np.zeros(0, bool)
    power = (frames**2).mean(axis=1)
    return np.asarray(power > max(power.max() * 10 ** (-_ACTIVE_DB / 10), 1e-12))


def active_rms(sound: NDArray[Any]) -> float:
    """The active speech level, see above; 0 for silence."""
    active = active_frames(sound)
    if not active.any():
        return 0.0
    return float(np.sqrt((_frames(sound)[active] ** 2).mean()))


def _frames(sound: NDArray[Any]) -> Sound:
    whole = sound[: len(sound) // _FRAME * _FRAME].astype(np.float64)
    return whole.reshape(-1, _FRAME)


def white(n: int, rng: np.random.Generator) -> Sound:
    """White noise."""
    return rng.normal(size=n)


def pink(n: int, rng: np.random.Generator) -> Sound:
    """Power as 1/f from 30 Hz up."""
    spectrum = np.fft.rfft(rng.normal(size=n))
    hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    return np.asarray(np.fft.irfft(spectrum / np.sqrt(np.maximum(hz, 30.0)), n))


def suction(n: int, rng: np.random.Generator) -> Sound:
    """An aspirator: broad rush of air with a resonance, mains hum, a slow swell."""
    low, peak = rng.uniform(150, 400), rng.uniform(900, 2600)
    rush = _band(white(n, rng), low, 6500)
    rush += rng.uniform(0.8, 1.8) * _band(white(n, rng), peak * 0.8, peak * 1.25)
    seconds = np.arange(n) / RATE_HZ
    mains = rng.choice([50.0, 60.0])
    hum = sum(
        rng.uniform(0.3, 1.0)
        / k
        * np.sin(2 * np.pi * (k * mains * seconds + rng.uniform(0, 1)))
        for k in range(1, 7)
    )
    swell = 1 + 0.35 * np.sin(2 * np.pi * (rng.uniform(0.3, 1.2) * seconds + rng.uniform(0, 1)))
    return np.asarray(rush * swell + 0.25 * _rms(rush) * hum)


def handpiece(n: int, rng: np.random.Generator) -> Sound:
    """A turbine: harmonics of a pitch that wanders as under load, and hiss."""
    base = rng.uniform(700, 2200)
    knots = max(2, n // (RATE_HZ // 4) + 2)
    drift = np.cumsum(rng.normal(0, 0.012, knots))
    pitch = base * np.exp(np.interp(np.arange(n), np.linspace(0, n, knots), drift))
    phase = 2 * np.pi * np.cumsum(pitch) / RATE_HZ
    tones = np.zeros(n)
    for k in range(1, 8):
        heard = k * pitch < 0.47 * RATE_HZ  # nothing folds back from above half the rate
        gain = rng.uniform(0.3, 1.0) / np.sqrt(k)
        tones += heard * gain * np.sin(k * phase + rng.uniform(0, 2 * np.pi))
    hiss = _band(white(n, rng), 2500, 7500)
    return np.asarray(tones / _rms(tones) + rng.uniform(0.3, 0.8) * hiss / _rms(hiss))


def babble(
    n: int,
    rng: np.random.Generator,
    sentences: Sequence[str],
    voices: Sequence[str],
    speaker: Speaker,
    talkers: int = 4,
) -> Sound:
    """Several voices at once, each talking without end at about the same level.

    ``voices`` must not contain the one that says the phrase.
    """
    together = np.zeros(n)
    chosen = rng.permutation(len(voices))[:talkers]
    for index in chosen:
        parts: list[Sound] = []
        while sum(map(len, parts)) < 2 * n:
            text = sentences[int(rng.integers(len(sentences)))]
            said = speaker(text, voices[int(index)]).astype(np.float64)
            parts.append(said / (active_rms(said) or 1.0))
        talk = np.concatenate(parts)
        at = int(rng.integers(len(talk) - n))
        together += talk[at : at + n] * rng.uniform(0.7, 1.4)
    return together


MADE: dict[str, Callable[[int, np.random.Generator], Sound]] = {
    "white": white,
    "pink": pink,
    "suction": suction,
    "handpiece": handpiece,
}
"""Noises that need no voices."""

KINDS = ("quiet", *MADE, "babble", "reverb", "reverb+suction")
"""All conditions by kind; ``quiet`` has no other noise than the room's."""


def impulse_response(rt60_s: float, variant: int, direct_db: float = 3.0) -> Sound:
    """A room: the direct sound, then noise that decays by 60 dB in ``rt60_s``.

    ``direct_db`` is the energy of the direct sound over all that follows; about
    3 dB is a microphone half a metre away. The direct sound is at sample 0.
    """
    rng = np.random.default_rng([len(KINDS), variant])
    n = round(1.2 * rt60_s * RATE_HZ)
    tail = rng.normal(size=n) * 10 ** (-3 * np.arange(n) / (rt60_s * RATE_HZ))
    tail[: round(0.002 * RATE_HZ)] = 0.0
    tail *= 10 ** (-direct_db / 20) / np.sqrt((tail**2).sum())
    tail[0] = 1.0
    return tail


@dataclass(frozen=True)
class Condition:
    """One room.

    Attributes:
        kind: of :data:`KINDS`.
        snr_db: see the module docstring; None without noise.
        rt60_s: reverberation time; None without.
    """

    kind: str
    snr_db: float | None = None
    rt60_s: float | None = None

    @property
    def label(self) -> str:
        """A few words for tables."""
        parts = [self.kind]
        if self.rt60_s is not None:
            parts.append(f"{self.rt60_s:g} s")
        if self.snr_db is not None:
            parts.append(f"{self.snr_db:g} dB")
        return " ".join(parts)


CONDITIONS = (
    Condition("quiet"),
    *(Condition(kind, snr) for kind in MADE for snr in (20.0, 10.0, 5.0)),
    *(Condition("babble", snr) for snr in (20.0, 10.0)),
    *(Condition("reverb", None, rt60) for rt60 in (0.3, 0.6)),
    Condition("reverb+suction", 10.0, 0.3),
)


@dataclass(frozen=True)
class Mixed:
    """A voice in a room.

    Attributes:
        sound: 16 kHz int16.
        began_s, ended_s: first and last active frame of the clean voice, in
            seconds of this sound. What the room adds does not move the end.
    """

    sound: Samples
    began_s: float
    ended_s: float


def mix(
    voice: Samples | Sound,
    condition: Condition,
    variant: int,
    *,
    chatter: Callable[[int, np.random.Generator], Sound] | None = None,
    lead_s: float = LEAD_S,
    tail_s: float = TAIL_S,
) -> Mixed:
    """``voice`` at :data:`LEVEL_RMS` in the room ``condition``.

    ``variant`` numbers the noise: the same number gives the same sound.
    ``chatter`` makes the babble, see :func:`babble`.

    Raises:
        ValueError: a condition with babble and no ``chatter``.
    """
    active = active_frames(voice)
    heard = np.flatnonzero(active) if active.any() else np.array([0])
    began = lead_s + heard[0] * _FRAME / RATE_HZ
    ended = lead_s + (heard[-1] + 1) * _FRAME / RATE_HZ
    clean = voice.astype(np.float64) * (LEVEL_RMS / (active_rms(voice) or 1.0))
    clean = np.concatenate([np.zeros(round(lead_s * RATE_HZ)), clean])
    clean = np.concatenate([clean, np.zeros(round(tail_s * RATE_HZ))])
    if condition.rt60_s is not None:
        response = impulse_response(condition.rt60_s, variant)
        clean = fftconvolve(clean, response)[: len(clean)]
        clean *= LEVEL_RMS / (active_rms(clean) or 1.0)
    sound = clean + background(len(clean), condition, variant, chatter=chatter)
    return Mixed(to_int16(sound), float(began), float(ended))


def background(
    n: int,
    condition: Condition,
    variant: int,
    *,
    chatter: Callable[[int, np.random.Generator], Sound] | None = None,
) -> Sound:
    """``n`` samples of the room alone, at the level that ``condition`` gives it."""
    kind = condition.kind.removeprefix("reverb").removeprefix("+") or "quiet"
    rng = np.random.default_rng([KINDS.index(condition.kind), variant])
    room = pink(n, rng)
    room *= QUIET_RMS / (_rms(room) or 1.0)
    if condition.snr_db is None:
        return room
    if kind == "babble":
        if chatter is None:
            raise ValueError("babble needs somebody to talk")
        noise = chatter(n, rng)
    else:
        noise = MADE[kind](n, rng)
    target = LEVEL_RMS * 10 ** (-condition.snr_db / 20)
    # The room counts as noise too; its share is taken off.
    target = np.sqrt(max(target**2 - QUIET_RMS**2, 0.0))
    return np.asarray(room + noise * (target / (_rms(noise) or 1.0)))


def _rms(sound: Sound) -> float:
    return float(np.sqrt((sound**2).mean()))


def _band(sound: Sound, low_hz: float, high_hz: float) -> Sound:
    sos = butter(2, [low_hz, high_hz], "bandpass", fs=RATE_HZ, output="sos")
    return np.asarray(sosfilt(sos, sound))
