"""Fitting the confidence on the calibration half, and showing it on the report half.

A line for each decoded sound, as :mod:`.measure` writes them. Whether it was for the
program is fitted on phrases against people who say something else, a tenth of the
weight theirs; whether it was this phrase, on phrases alone.
"""

from __future__ import annotations

import argparse
import gzip
import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from assistant.ears.confidence import of_ours, of_this
from assistant.ears.decode import Evidence

PENALTY = 1e-6
TALK_SHARE = 0.1
Floats = NDArray[np.float64]


def lines(path: Path) -> list[dict[str, Any]]:
    """Decoded sounds of the model itself."""
    content = path.read_bytes()
    text = (gzip.decompress(content) if path.suffix == ".gz" else content).decode("utf-8")
    found = [json.loads(line) for line in text.splitlines()]
    return [line for line in found if line["weights"] == "ears"]


Measured = tuple[Floats, Floats, Floats]


def table(found: list[dict[str, Any]]) -> Measured:
    """Both kinds of measures, and whether it was right."""
    evidence = [Evidence(**{name: line[name] for name in Evidence._fields}) for line in found]
    return (
        np.array([of_ours(e) for e in evidence]),
        np.array([of_this(e) for e in evidence]),
        np.array([float(line["right"]) for line in found]),
    )


def fitted(x: Floats, right: Floats, weight: Floats) -> Floats:
    """Weights and, last, the bias, of the least weighted log-loss."""
    full = np.column_stack([x, np.ones(len(x))])

    def loss(w: Floats) -> tuple[float, Floats]:
        odds = full @ w
        each = np.logaddexp(0, odds) - right * odds
        slope = full.T @ (weight * (1 / (1 + np.exp(-odds)) - right))
        penalty = PENALTY * (w[:-1] ** 2).sum()
        grad = slope / weight.sum()
        grad[:-1] += 2 * PENALTY * w[:-1]
        return float((weight * each).sum() / weight.sum() + penalty), grad

    got = minimize(loss, np.zeros(full.shape[1]), jac=True, method="L-BFGS-B")
    return np.asarray(got.x)


def curve(w: Floats, x: Floats) -> Floats:
    """A logistic curve."""
    return np.asarray(1 / (1 + np.exp(-np.clip(x @ w[:-1] + w[-1], -30, 30))))


def main() -> None:
    """Fit, and print what a gate would do on both halves."""
    parser = argparse.ArgumentParser(description="Fit the confidence of the ears.")
    parser.add_argument("calibrate", type=Path, nargs="+", help="phrases of the half")
    parser.add_argument("--talk", type=Path, nargs=2, help="other talk of both halves")
    parser.add_argument("--report", type=Path, nargs="+")
    parser.add_argument("--plot", type=Path)
    asked = parser.parse_args()
    said = [line for path in asked.calibrate for line in lines(path)]
    talk, other = (
        # A number that was said and heard is a phrase of the step, not other talk.
        [line for line in lines(path) if line["heard"] and line["heard"] != line["text"]]
        for path in asked.talk
    )
    ours, this, right = table(said)
    both = np.concatenate([ours, table(talk)[0]])
    theirs = np.full(len(talk), TALK_SHARE * len(said) / len(talk))
    is_ours = np.concatenate([np.ones(len(said)), np.zeros(len(talk))])
    w_ours = fitted(both, is_ours, np.concatenate([np.ones(len(said)), theirs]))
    w_this = fitted(this, right, np.ones(len(said)))
    print("OURS: Curve =", tuple(round(float(v), 3) for v in w_ours))
    print("THIS: Curve =", tuple(round(float(v), 3) for v in w_this))

    def sure(measured: Measured) -> Floats:
        return curve(w_ours, measured[0]) * curve(w_this, measured[1])

    report = [line for path in asked.report for line in lines(path)]
    shown = {"calibrate": (said, talk), "report": (report, other)}
    for half, (phrases, talks) in shown.items():
        measured = table(phrases)
        p, ok, t = sure(measured), measured[2] == 1, sure(table(talks))
        quiet = np.array([line["room"] == "quiet" for line in phrases])
        for gate in (0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99):
            print(
                f"{half} {gate}: accepted {(p >= gate).mean():.4f} (quiet "
                f"{(p >= gate)[quiet].mean():.4f}), wrong accepted "
                f"{int((~ok & (p >= gate)).sum())} of {len(ok)}, other talk accepted "
                f"{int((t >= gate).sum())} of {len(t)}"
            )
        if half == "report" and asked.plot:
            plot(asked.plot, p, measured[2])


def plot(path: Path, p: Floats, right: Floats) -> None:
    """Reliability: the share that is right in each tenth of the confidence's odds."""
    import matplotlib.pyplot as plt

    edges = np.array([0, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 0.98, 0.99, 0.995, 0.998, 1.0001])
    which = np.digitize(p, edges) - 1
    figure, axes = plt.subplots(figsize=(4.5, 4.5))
    for bin_ in range(len(edges) - 1):
        held = which == bin_
        n, k = int(held.sum()), float(right[held].sum())
        if n >= 10:
            middle, half = wilson(k, n)
            axes.errorbar(p[held].mean(), middle, half, fmt="o", color="black", capsize=2)
            axes.annotate(str(n), (p[held].mean(), middle), fontsize=6)
    axes.plot([0, 1], [0, 1], color="grey", linewidth=0.7)
    axes.set_xlabel("confidence")
    axes.set_ylabel("share right (95 %)")
    figure.tight_layout()
    figure.savefig(path)


def wilson(k: float, n: int, z: float = 1.96) -> tuple[float, float]:
    """Middle and half width of Wilson's interval."""
    share, whole = k / n, 1 + z * z / n
    half = z * (share * (1 - share) / n + z * z / 4 / n / n) ** 0.5
    return (share + z * z / 2 / n) / whole, half / whole


if __name__ == "__main__":
    main()
