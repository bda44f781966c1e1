"""Packing a trained network: int8 with a scale a row, the rest float16.

Arrays ``NAME|q`` (int8) and ``NAME|s`` (float32, one a row) stand for ``NAME``; what
has one dimension, and the position table, is float16. A scale is the row's largest
weight over 127, or a little less where clipping the largest makes the row's squared
error smaller.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
CLIPS = (1.0, 0.95, 0.9, 0.85, 0.8, 0.75)
"""Shares of a row's largest weight that are tried as the end of the scale."""


def by_rows(weight: Array) -> tuple[NDArray[np.int8], Array]:
    """Int8 and the scales of the rows (first axis)."""
    rows = weight.reshape(len(weight), -1)
    top = np.maximum(np.abs(rows).max(1), 1e-8)
    best, least = np.zeros(len(rows), np.float32), np.full(len(rows), np.inf)
    for clip in CLIPS:
        scale = top * clip / 127
        error = (
            (np.clip(np.round(rows / scale[:, None]), -127, 127) * scale[:, None] - rows) ** 2
        ).sum(1)
        better = error < least
        best[better], least[better] = scale[better], error[better]
    quantised = np.clip(np.round(rows / best[:, None]), -127, 127).astype(np.int8)
    return quantised.reshape(weight.shape), best


def packed(net: dict[str, Array]) -> dict[str, NDArray[np.generic]]:
    """The arrays to write."""
    out: dict[str, NDArray[np.generic]] = {}
    for name, value in net.items():
        if value.ndim > 1 and name != "pe":
            out[f"{name}|q"], out[f"{name}|s"] = by_rows(value)
        else:
            out[name] = value.astype(np.float16)
    return out


def main() -> None:
    """Pack a .pt file of :mod:`.train`."""
    import torch

    parser = argparse.ArgumentParser(description="Pack a trained network into int8.")
    parser.add_argument("trained", type=Path)
    parser.add_argument("out", type=Path)
    asked = parser.parse_args()
    net = {n: v.float().numpy() for n, v in torch.load(asked.trained).items()}
    arrays: dict[str, Any] = {**packed(net)}
    np.savez(asked.out, **arrays)
    print(f"{asked.out.stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
