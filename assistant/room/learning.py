"""What the gate learns of one voice at one microphone: how much surer, or less sure, to be.

Pure. A phrase whose words are known says whether the ears were right and how sure they were.
From all of them comes one number, a shift of the odds, by which the thresholds for values and
commands are moved: a voice that is always heard right with little confidence is asked less, one
that is misheard with much is asked more. The model itself does not change.

One number and no more, for there are some forty phrases. It is drawn towards 0 by
:data:`PRIOR_SD` and bounded by :data:`MOST`, and it is kept only if phrases that it was not
learned from are judged better with it, none of them wrongly taken. On the calibration half,
36 phrases of each of its 18 voices at 20 dB had 3.5 % of the other 3,950 asked about instead
of 3.8 %, none wrongly taken; at 10 dB 4.6 instead of 5.2 % of 3,080, none either.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from assistant.progress import events as ev
from assistant.words.understand import Trust

PRIOR_SD = 1.0
"""Spread of the shift between voices that is reckoned with before one is heard. Those of the
calibration half would have been best at 2.5 on average, with a spread of 1.5; a wrong value
taken costs more than a question, so the middle is 0."""

MOST = 1.5
"""The most that the odds are raised: a threshold of 0.95 becomes 0.81. Chosen here."""

LEAST = -3.0
"""The most that they are lowered: 0.95 becomes 0.997. Chosen here."""

FEWEST = 24
"""With fewer phrases nothing is learned: two checks. Chosen here."""


class Known(NamedTuple):
    """A phrase of which the truth is known: how sure the ears were, and whether rightly."""

    confidence: float
    right: bool


class Judged(BaseModel):
    """What a gate made of phrases: how many were asked about, and how many wrongly taken."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    asked: int = Field(ge=0)
    wrong: int = Field(ge=0)


class Learned(BaseModel):
    """What was learned; kept with the room's profile.

    Attributes:
        shift: added to the odds (natural logarithm) of every confidence.
        phrases: how many it was learned from.
        before, after: of the same phrases, ``after`` each by the shift that those of the
            other half gave.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    shift: float = Field(ge=LEAST, le=MOST)
    phrases: int = Field(ge=FEWEST)
    before: Judged
    after: Judged

    def trust(self, default: Trust) -> Trust:
        """``default`` for this voice: its thresholds for values and commands moved."""
        return replace(
            default,
            accept=_moved(default.accept, self.shift),
            command=_moved(default.command, self.shift),
        )


def learned(known: Sequence[Known], accept: float) -> Learned | None:
    """What phrases teach, judged by a gate of ``accept``; None if there are too few, or if
    those held out are not judged better by it than without."""
    if len(known) < FEWEST:
        return None
    halves = known[::2], known[1::2]
    shifts = [shift_of(half) for half in reversed(halves)]
    none = [0.0, 0.0]
    before, after = (_judged(halves, by, accept) for by in (none, shifts))
    losses = [
        sum(_loss(half, shift) for half, shift in zip(halves, by, strict=True))
        for by in (none, shifts)
    ]
    if after.wrong > before.wrong or losses[1] >= losses[0]:
        return None
    return Learned(shift=shift_of(known), phrases=len(known), before=before, after=after)


def shift_of(known: Sequence[Known]) -> float:
    """The likeliest shift of the odds, :data:`LEAST` to :data:`MOST`, in hundredths."""
    shifts = np.arange(round(100 * LEAST), round(100 * MOST) + 1) / 100
    losses = [_loss(known, float(one)) + (one / PRIOR_SD) ** 2 / 2 for one in shifts]
    return float(shifts[int(np.argmin(losses))])


def confirmed(events: Sequence[ev.AnyEvent]) -> list[Known]:
    """The values of a case that were asked about because they were heard in doubt, and
    answered: right if the value was confirmed as it was heard."""
    found: list[Known] = []
    asked: ev.ConfirmAsked | None = None
    for event in events:
        match event:
            case ev.ConfirmAsked():
                asked = event if event.pending.heard.doubt else None
            case ev.ConfirmDropped() if asked is not None:
                found.append(Known(asked.pending.heard.confidence, right=False))
                asked = None
            case ev.EntryMade(entry=entry) if asked is not None and entry.confirmed:
                right = entry.value == asked.pending.value
                found.append(Known(asked.pending.heard.confidence, right))
                asked = None
    return found


def _odds(confidence: float) -> float:
    bounded = min(max(confidence, 1e-6), 1 - 1e-6)
    return math.log(bounded / (1 - bounded))


def _moved(threshold: float, shift: float) -> float:
    return 1 / (1 + math.exp(shift - _odds(threshold)))


def _loss(known: Sequence[Known], shift: float) -> float:
    """Log-loss of the confidences moved by ``shift``."""
    odds = np.array([_odds(one.confidence) for one in known]) + shift
    right = np.array([one.right for one in known])
    return float((np.logaddexp(0, odds) - right * odds).sum())


def _judged(
    halves: Sequence[Sequence[Known]], shifts: Sequence[float], accept: float
) -> Judged:
    taken = [
        (one.confidence >= _moved(accept, shift), one.right)
        for half, shift in zip(halves, shifts, strict=True)
        for one in half
    ]
    return Judged(
        asked=sum(not passed for passed, _ in taken),
        wrong=sum(passed and not right for passed, right in taken),
    )
