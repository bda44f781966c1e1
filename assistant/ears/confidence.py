"""How sure it is that something was said to the program, and that it was this.

The product of two logistic curves, for there are two ways to be wrong. One says whether
what was heard is a sentence of the step at all: how far it falls behind the free path,
what share of the speech it explains, how long it is. The other says whether it is this
sentence and not its nearest rival of another meaning: how far that is behind, and how
clear the speech is. The coefficients were fitted on the calibration half by
``tests/hearing/making/confidence_fit.py``: phrases in all its rooms, and people who say
something else.
"""

from __future__ import annotations

import math

from assistant.ears.decode import Evidence

Curve = tuple[float, ...]
"""A weight for each measure, and last the bias."""

OURS: Curve = (1.528, -11.349, 10.9, 0.974, -3.811)
THIS: Curve = (0.704, 2.708, -0.718, 0.305)


def of_ours(evidence: Evidence) -> tuple[float, ...]:
    """What tells a sentence of the step from other talk, each bounded."""
    behind = min(max(-evidence.gap, 0.0), 2.0)
    return (
        behind,
        math.sqrt(behind),
        evidence.explained,
        math.log1p(min(evidence.phones, 20)),
    )


def of_this(evidence: Evidence) -> tuple[float, ...]:
    """What tells the sentence from its nearest rival, each bounded."""
    behind = min(max(-evidence.gap, 0.0), 2.0)
    return min(max(evidence.rival, 0.0), 15.0), max(evidence.clear, -1.5), behind


def confidence(evidence: Evidence) -> float:
    """0 to 1: the share of sounds with such evidence of which it is right."""
    return ours(evidence) * _curve(THIS, of_this(evidence))


def ours(evidence: Evidence) -> float:
    """0 to 1: how surely it is a sentence of the step at all, and not other talk."""
    return _curve(OURS, of_ours(evidence)) if evidence.phones else 0.0


def _curve(weights: Curve, measures: tuple[float, ...]) -> float:
    odds = weights[-1] + sum(w * m for w, m in zip(weights[:-1], measures, strict=True))
    return 1 / (1 + math.exp(-max(-30.0, min(30.0, odds))))
