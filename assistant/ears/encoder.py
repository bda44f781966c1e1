"""From features to phones: Whisper's encoder with a head for 39 phones and a blank.

The weights stay as int8 (20 MB) and each is made float32 when it is multiplied by numpy's
BLAS, one half of it here and the other beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
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

_BESIDE = ThreadPoolExecutor(1, "ears")
"""Does the other half of every product. It waits without turning, unlike the threads of a
BLAS, which cost seconds where other programs want the cores too."""

_HEADS = {512: 8, 384: 6}
_EPSILON = 1e-5


@dataclass(frozen=True)
class Network:
    """Weights by name, and how many blocks of attention there are; ``rows`` (int8) are to
    be multiplied by ``scales``, one for each row."""

    weights: Mapping[str, Array]
    rows: Mapping[str, NDArray[np.int8]]
    scales: Mapping[str, Array]
    blocks: int


def load(path: Path = WEIGHTS) -> Network:
    """Read a packed network.

    ``NAME|q`` are int8 rows, ``NAME|s`` a scale for each; the rest is float16.
    """
    weights: dict[str, Array] = {}
    rows: dict[str, NDArray[np.int8]] = {}
    scales: dict[str, Array] = {}
    with np.load(path) as held:
        for name in held.files:
            plain, _, kind = name.partition("|")
            if kind == "q":
                rows[plain] = held[name]
            else:
                (scales if kind else weights)[plain] = held[name].astype(np.float32)
    blocks = 1 + max(int(name.split(".")[1]) for name in weights if name.startswith("b."))
    return Network(weights, rows, scales, blocks)


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
    # One place for every weight in turn: fresh memory each time takes a third longer.
    room = np.empty(max(rows.size for rows in net.rows.values()), np.float32)

    def norm(x: Array, name: str) -> Array:
        centred = x - x.mean(1, keepdims=True)
        deviation = np.sqrt((centred**2).mean(1, keepdims=True) + _EPSILON)
        return np.asarray(centred / deviation * w[f"{name}.weight"] + w[f"{name}.bias"])

    def linear(x: Array, name: str, then: Callable[[Array], Array] | None = None) -> Array:
        rows = net.rows[f"{name}.weight"]
        rows = rows.reshape(len(rows), -1)
        scale, bias = net.scales[f"{name}.weight"].ravel(), w[f"{name}.bias"]
        full = room[: rows.size].reshape(rows.shape)
        made = np.empty((len(x), len(rows)), np.float32)

        def make(part: slice) -> None:
            np.copyto(full[part], rows[part])
            some = x @ full[part].T * scale[part] + bias[part]
            made[:, part] = some if then is None else then(some)

        middle = len(rows) // 2
        beside = _BESIDE.submit(make, slice(middle))
        make(slice(middle, None))
        beside.result()
        return made

    x = linear(_stretches(mel, 1), "c1", _gelu)
    x = linear(_stretches(x, 2), "c2", _gelu)
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
        x = x + linear(linear(norm(x, f"{block}.l2"), f"{block}.f1", _gelu), f"{block}.f2")
    return linear(norm(x, "ln"), "head")


def _stretches(x: Array, stride: int) -> Array:
    """What a convolution over time of width 3 sees, nothing before the start and after."""
    padded = np.pad(x, ((1, 1), (0, 0)))
    views: NDArray[np.float32] = np.lib.stride_tricks.sliding_window_view(padded, 3, axis=0)
    return views[::stride].reshape(-1, x.shape[1] * 3)
