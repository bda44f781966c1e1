"""The rooms of the training, made on the accelerator, a batch at a time.

Everything is drawn anew for each item: noise of a random smooth spectrum with a slow
swell (suction, ventilation, a crowd), stacks of harmonics that drift (handpieces,
hum), bursts (instruments, taps), one to six other talkers, -3 to 30 dB or none at
all; reverberation of 0.08 to 0.8 s, from a headset to a far microphone; a random
equaliser, a mask (dull highs), clipping, any level down to a near-silence where only
the converter's own steps are left.

No noise of :mod:`hearing.noises` is used: those are what is measured with.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

RATE_HZ = 16_000


class Dice:
    """Random numbers on the accelerator, from one seed."""

    def __init__(self, seed: int, device: str) -> None:
        self.device = device
        self.generator = torch.Generator(device=device).manual_seed(seed)

    def flat(self, *shape: int, low: float = 0.0, high: float = 1.0) -> Tensor:
        """Uniform."""
        drawn = torch.rand(shape, generator=self.generator, device=self.device)
        return low + (high - low) * drawn

    def normal(self, *shape: int) -> Tensor:
        """Normal, deviation 1."""
        return torch.randn(shape, generator=self.generator, device=self.device)

    def whether(self, count: int, chance: float) -> Tensor:
        """True for about ``chance`` of ``count``."""
        return self.flat(count) < chance


def level(sound: Tensor) -> Tensor:
    """RMS of each item over its louder half, (batch, 1): pauses count for little."""
    size = sound.shape[-1] // 320 * 320
    power = sound[:, :size].unflatten(-1, (-1, 320)).square().mean(-1)
    loud = power > power.amax(-1, keepdim=True) / 100
    mean = (power * loud).sum(-1) / loud.sum(-1).clamp(min=1)
    return mean.clamp(min=1e-12).sqrt()[:, None]


def rms(sound: Tensor) -> Tensor:
    """RMS of each item, (batch, 1)."""
    return sound.square().mean(-1, keepdim=True).clamp(min=1e-12).sqrt()


def _curve(dice: Dice, batch: int, points: int, size: int, spread: float) -> Tensor:
    """Smooth random curves, (batch, size), of about ``spread``."""
    knots = dice.normal(batch, 1, points) * spread
    return torch.nn.functional.interpolate(knots, size=size, mode="linear", align_corners=True)[
        :, 0
    ]


def _shape(sound: Tensor, gain_db: Tensor) -> Tensor:
    """``sound`` with a gain by frequency; ``gain_db`` is (batch, bins of any number)."""
    spectrum = torch.fft.rfft(sound)
    gain = torch.nn.functional.interpolate(
        gain_db[:, None], size=spectrum.shape[-1], mode="linear", align_corners=True
    )[:, 0]
    return torch.fft.irfft(spectrum * 10 ** (gain / 20), sound.shape[-1])


def _warped(dice: Dice, batch: int, points: int, spread: float, bins: int = 256) -> Tensor:
    """A smooth random gain in dB over a frequency axis that is finer below."""
    curve = _curve(dice, batch, points, bins, spread)
    at = torch.linspace(0, 1, bins, device=dice.device).sqrt() * (bins - 1)
    low = at.floor().long()
    part = at - low
    return curve[:, low] * (1 - part) + curve[:, (low + 1).clamp(max=bins - 1)] * part


def rush(dice: Dice, batch: int, size: int) -> Tensor:
    """Noise of a random smooth spectrum, from white to a rumble, with a slow swell."""
    tilt = (
        dice.flat(batch, 1, low=-45, high=8)
        * torch.linspace(0, 1, 256, device=dice.device).sqrt()
    )
    noise = _shape(dice.normal(batch, size), tilt + _warped(dice, batch, 10, 7.0))
    swell = _curve(dice, batch, max(3, size // RATE_HZ + 2), size, 2.5)
    noise = noise * 10 ** (swell / 20)
    return noise / rms(noise)


def stack(dice: Dice, batch: int, size: int) -> Tensor:
    """Harmonics of a pitch that drifts: a hum, a motor, a turbine."""
    pitch = 2 ** dice.flat(batch, 1, low=math.log2(45), high=math.log2(2600))
    drift = _curve(dice, batch, max(3, size // (RATE_HZ // 3) + 2), size, 0.025).cumsum(-1)
    drift = drift / (RATE_HZ / 3)
    wave = _curve(dice, batch, max(3, size // (RATE_HZ // 3) + 2), size, 0.03) + drift
    phase = 2 * math.pi * (pitch * wave.exp() / RATE_HZ).cumsum(-1)
    tones = torch.zeros(batch, size, device=dice.device)
    fall = dice.flat(batch, 1, low=0.2, high=1.5)
    for k in range(1, 13):
        heard = (k * pitch * wave.exp() < 7600).float()
        tones += heard * dice.flat(batch, 1) * k**-fall * torch.sin(
            k * phase + 6.28 * dice.flat(batch, 1)
        )  # fmt: skip
    return tones / rms(tones) + dice.flat(batch, 1, high=0.6) * rush(dice, batch, size)


def bursts(dice: Dice, batch: int, size: int) -> Tensor:
    """A few short sounds: knocks, clicks, a rattle."""
    at = torch.arange(size, device=dice.device)[None] / RATE_HZ
    total = torch.zeros(batch, size, device=dice.device)
    for _ in range(4):
        start = dice.flat(batch, 1, high=size / RATE_HZ)
        decay_s = 10 ** dice.flat(batch, 1, low=-2.5, high=-0.7)
        age = (at - start).clamp(min=0)
        total += (at >= start) * (-age / decay_s).exp() * dice.flat(batch, 1)
    return total * rush(dice, batch, size)


def talk(dice: Dice, sound: Tensor, talkers: int) -> Tensor:
    """Other items of the batch, shifted in time: so many talkers at once."""
    total = torch.zeros_like(sound)
    plain = sound / level(sound)
    batch, size = sound.shape
    for _ in range(talkers):
        other = int(dice.flat(1, high=batch - 1)) + 1
        shift = int(dice.flat(1, high=size))
        total += plain.roll((other, shift), (0, 1)) * dice.flat(batch, 1, low=0.5, high=1.4)
    return total


def reverb(dice: Dice, sound: Tensor) -> Tensor:
    """Each item in a room of its own; the direct sound stays where it was."""
    batch, size = sound.shape
    n = int(0.9 * RATE_HZ)
    rt_s = 0.08 * 10 ** dice.flat(batch, 1)
    at = torch.arange(n, device=dice.device)[None] / RATE_HZ
    tail = dice.normal(batch, n) * 10 ** (-3 * at / rt_s)
    tail = tail * (at > dice.flat(batch, 1, low=0.001, high=0.012))
    tail = _shape(
        tail, _warped(dice, batch, 6, 4.0) - 8 * torch.linspace(0, 1, 256, device=dice.device)
    )
    direct_db = dice.flat(batch, 1, low=-6, high=15)
    tail = tail / tail.square().sum(-1, keepdim=True).sqrt() * 10 ** (-direct_db / 20)
    tail[:, 0] += 1
    whole = size + n
    return torch.fft.irfft(
        torch.fft.rfft(sound, whole) * torch.fft.rfft(tail, whole), whole
    )[:, :size]  # fmt: skip


def mask(dice: Dice, batch: int) -> Tensor:
    """What a face mask takes away, dB by frequency: 2 to 14 dB above 1 to 3 kHz."""
    hz = torch.linspace(0, 8000, 256, device=dice.device)[None]
    corner = dice.flat(batch, 1, low=1000, high=3000)
    depth = dice.flat(batch, 1, low=2, high=14)
    return -depth * (((hz - corner) / 2500).clamp(0, 1))


def _some(which: Tensor, changed: Tensor, plain: Tensor) -> Tensor:
    return torch.where(which[:, None], changed, plain)


def in_rooms(dice: Dice, voice: Tensor) -> Tensor:
    """Voices (batch, samples) in rooms, as a microphone of 16 bits gives them.

    An item of zeros comes out as a room without a voice.
    """
    batch, size = voice.shape
    silent = (voice.abs().amax(-1) < 1e-6)[:, None]
    plain = voice / level(voice)
    plain = torch.where(silent, torch.zeros_like(plain), plain)
    others = torch.where(silent, plain.roll(1, 0), plain)
    heard = _some(dice.whether(batch, 0.45), reverb(dice, plain), plain)
    heard = torch.where(silent, heard, heard / level(heard))
    kind = dice.flat(batch)[:, None]
    one = talk(dice, others, 1)
    few = one + talk(dice, others, int(dice.flat(1, low=1, high=6)))
    alone = few + talk(dice, others, 2)
    people = torch.where(dice.whether(batch, 0.35)[:, None] & ~silent, one, few)
    people = torch.where(silent, alone, people)
    people = _some(dice.whether(batch, 0.5), reverb(dice, people), people)
    people = people / rms(people)
    noise = torch.where(kind < 0.42, rush(dice, batch, size), stack(dice, batch, size))
    noise = torch.where(kind > 0.68, people, noise)
    noise = _some(dice.whether(batch, 0.15), noise + 0.7 * rush(dice, batch, size), noise)
    noise = noise / rms(noise)
    # Other talk is not to be mistaken for the voice: it stays under it.
    low = torch.where(kind > 0.68, 4.0, -3.0)
    snr_db = low + dice.flat(batch, 1) * (30 - low)
    none = dice.whether(batch, 0.25)[:, None]
    heard = heard + torch.where(none, 0.0, noise * 10 ** (-snr_db / 20))
    burst = bursts(dice, batch, size) * 10 ** (dice.flat(batch, 1, low=-25, high=4) / 20)
    heard = _some(dice.whether(batch, 0.12), heard + burst, heard)
    floor_db = dice.flat(batch, 1, low=-65, high=-28)
    heard = heard + rush(dice, batch, size) * 10 ** (floor_db / 20)
    gain = _warped(dice, batch, 8, 3.5) * dice.whether(batch, 0.6)[:, None]
    gain = gain + mask(dice, batch) * dice.whether(batch, 0.3)[:, None]
    heard = _shape(heard, gain)
    limit = rms(heard) * dice.flat(batch, 1, low=1.2, high=4)
    heard = _some(
        dice.whether(batch, 0.07), torch.minimum(torch.maximum(heard, -limit), limit), heard
    )
    # Levels about the program's own (2500 steps), now and then far too low.
    volume = torch.exp(dice.flat(batch, 1, low=math.log(500), high=math.log(8000)))
    faint = torch.exp(dice.flat(batch, 1, low=math.log(40), high=math.log(500)))
    volume = _some(dice.whether(batch, 0.15), faint, volume)
    steps = heard / torch.where(silent, rms(heard) * 4, level(heard)) * volume
    steps = steps + dice.normal(batch, size) * dice.flat(batch, 1, high=2.0)
    return steps.round().clamp(-32768, 32767) / 32768


def hidden(dice: Dice, mel: Tensor) -> Tensor:
    """Features with a few bands and stretches masked by the item's mean."""
    batch, rows, time = mel.shape
    mean = mel.mean((1, 2), keepdim=True)
    row = torch.arange(rows, device=dice.device)[None, :, None]
    column = torch.arange(time, device=dice.device)[None, None]
    for _ in range(2):
        start, wide = dice.flat(batch, 1, 1, high=rows), dice.flat(batch, 1, 1, high=14)
        mel = torch.where((row >= start) & (row < start + wide), mean, mel)
        start, wide = dice.flat(batch, 1, 1, high=time), dice.flat(batch, 1, 1, high=12)
        mel = torch.where((column >= start) & (column < start + wide), mean, mel)
    return mel
