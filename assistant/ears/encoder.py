"""From features to phones: Whisper's encoder with a head for 39 phones and a blank.

The weights are held as float32 once they are read (80 MB) and multiplied by numpy's
BLAS; one thread takes 0.1 to 0.2 s for a phrase.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from assistant.ears.bands import Array, Samples, dithered, features

WEIGHTS = Path(__file__).parent / "ears.npz"
FRAME_S = 0.02
"""Between two rows of :func:`log_phones`."""

PHONES = (
    "AA", "AE", "AH", "AO", "AW", "AY", "B", "CH", "D", "DH", "EH", "ER", "EY", "F", "G",
    "HH", "IH", "IY", "JH", "K", "L", "M", "N", "NG", "OW", "OY", "P", "R", "S", "SH", "T",
    "TH", "UH", "UW", "V", "W", "Y", "Z", "ZH",
)  # fmt: skip
"""CMU's phones without stress, in alphabetical order."""

CODES = {phone: code for code, phone in enumerate(PHONES, 1)}
"""Column of a phone; column 0 is the blank."""

_HEADS = {512: 8, 384: 6}
_EPSILON = 1e-5


@dataclass(frozen=True)
class Network:
    """Weights by name, and how many blocks of attention there are."""

    weights: Mapping[str, Array]
    blocks: int


def load(path: Path = WEIGHTS) -> Network:
    """Read a packed network.

    ``NAME|q`` are int8 rows, ``NAME|s`` a scale for each; the rest is float16.
    """
    weights: dict[str, Array] = {}
    with np.load(path) as held:
        for name in held.files:
            plain, _, kind = name.partition("|")
            if kind == "q":
                rows = held[name].astype(np.float32)
                scale = held[f"{plain}|s"].astype(np.float32)
                weights[plain] = rows * scale.reshape(-1, *[1] * (rows.ndim - 1))
            elif not kind:
                weights[name] = held[name].astype(np.float32)
    blocks = 1 + max(int(name.split(".")[1]) for name in weights if name.startswith("b."))
    return Network(weights, blocks)


def log_phones(net: Network, sound: Samples) -> Array:
    """Log-probabilities (frames, 40) of blank and phones, 50 frames a second."""
    odds = _logits(net, features(dithered(sound)))
    odds = odds - odds.max(1, keepdims=True)
    return np.asarray(odds - np.log(np.exp(odds).sum(1, keepdims=True)), np.float32)


def _gelu(x: Array) -> Array:
    """With the error function to 1.5e-7 (Abramowitz and Stegun 7.1.26, from memory): the
    library that has it would add 100 MB to the installation."""
    z = np.abs(x) * np.float32(2**-0.5)
    t = 1 / (1 + np.float32(0.3275911) * z)
    series = np.full_like(t, 1.061405429)
    for term in (-1.453152027, 1.421413741, -0.284496736, 0.254829592):
        series = series * t + np.float32(term)
    erf = np.sign(x) * (1 - series * t * np.exp(-z * z))
    return np.asarray(x * np.float32(0.5) * (1 + erf), np.float32)


def _softmax(x: Array) -> Array:
    shares = np.exp(x - x.max(-1, keepdims=True))
    return np.asarray(shares / shares.sum(-1, keepdims=True), np.float32)


def _logits(net: Network, mel: Array) -> Array:
    w = net.weights

    def norm(x: Array, name: str) -> Array:
        centred = x - x.mean(1, keepdims=True)
        deviation = np.sqrt((centred**2).mean(1, keepdims=True) + _EPSILON)
        return np.asarray(centred / deviation * w[f"{name}.weight"] + w[f"{name}.bias"])

    def linear(x: Array, name: str) -> Array:
        return np.asarray(x @ w[f"{name}.weight"].T + w[f"{name}.bias"])

    x = _gelu(_conv(mel, w["c1.weight"], w["c1.bias"], 1))
    x = _gelu(_conv(x, w["c2.weight"], w["c2.bias"], 2))
    x = x + w["pe"][: len(x)]
    time, width = x.shape
    heads = _HEADS[width]
    for number in range(net.blocks):
        block = f"b.{number}"
        both = linear(norm(x, f"{block}.l1"), f"{block}.qkv")
        q, k, v = both.reshape(time, 3, heads, -1).transpose(1, 2, 0, 3)
        seen = _softmax(q @ k.transpose(0, 2, 1) / np.float32(np.sqrt(width / heads)))
        together = (seen @ v).transpose(1, 0, 2).reshape(time, width)
        x = x + linear(together, f"{block}.o")
        x = x + linear(_gelu(linear(norm(x, f"{block}.l2"), f"{block}.f1")), f"{block}.f2")
    return linear(norm(x, "ln"), "head")


def _conv(x: Array, weight: Array, bias: Array, stride: int) -> Array:
    """A convolution over time of width 3 with one frame of nothing at both ends."""
    padded = np.pad(x, ((1, 1), (0, 0)))
    views: NDArray[np.float32] = np.lib.stride_tricks.sliding_window_view(padded, 3, axis=0)
    rows = views[::stride].reshape(-1, x.shape[1] * 3)
    return np.asarray(rows @ weight.reshape(len(weight), -1).T + bias)
