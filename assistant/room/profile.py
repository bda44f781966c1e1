"""How good a room, a microphone and a voice are: from one short check to a profile.

Pure. The sound is driven by ``assistant/room/check.py``. Levels are in dB relative
to a full-scale square wave, as in :mod:`assistant.speech.ear`.

**Twelve phrases bound little.** With all twelve right, Wilson's 95 % interval for
the share right is still 76 to 100 %; with ten of twelve, 55 to 95 %. The check finds
what is plainly bad (a muted microphone, suction over the voice, a voice that the
model does not know). It cannot show that a rare mistake will not happen: every value
is read back all the same, and the thresholds can only become stricter by it. What may make
them less strict for one voice has rules of its own (:mod:`.learning`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Annotated, Literal

import numpy as np
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from assistant.room.learning import Known, Learned
from assistant.shares import wilson
from assistant.sound.samples import FRAME_SAMPLES, Samples
from assistant.words.understand import Trust

GOOD_SNR_DB, USABLE_SNR_DB = 15.0, 6.0
GOOD_SHARE, USABLE_SHARE = 10 / 12, 8 / 12
"""Least signal-to-noise ratio and least share of phrases heard right for "good" and
for "usable". Chosen here, not taken from a standard; 8 of 12 is a phrase repeated
every third time."""

USABLE_WRONG = 1
"""Phrases taken for another without a question: none is "good", more than this is
"not good enough". Chosen here."""

LOW_SPEECH_DBFS = -45.0
"""Speech under this is advised to come nearer; 23 dB under the level at which the
rehearsed operator speaks. Chosen here."""

MARGIN, CEILING = 0.05, 0.95
"""How far over the confidence of a wrong phrase a threshold is set, and the highest
it is set to: at 1 every value would be questioned. Chosen here."""

MIN_GAIN, MAX_GAIN = 0.25, 16.0
"""Limits of the gain (-12 to +24 dB). Chosen here: more only raises noise."""

HEADROOM = 0.7
"""Share of full scale that the loudest peak heard may reach after the gain."""

LEAST_LEVELS = 3
"""With fewer utterances no level of speech is known and the gain stays 1."""

QUIETEST_DBFS = -90.0
"""Under this there is no room to be heard, only a muted input (one 16-bit step)."""

Taken = Literal["said", "value", "command", "harmless", "nothing"]
"""What a phrase was taken for: itself; another value or answer; another command; a
command that stores nothing; or nothing at all, so that it would be asked for again."""

VerdictName = Literal["good", "usable", "not_good_enough"]
Advice = Literal[
    "muted", "nearer", "suction", "softer", "listen", "read_back", "again", "typed"
]
Share = Annotated[float, Field(ge=0.0, le=1.0)]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one phrase.

    Attributes:
        phrase: what was asked for.
        text, confidence: what the listener heard; empty and 0 for nothing.
        taken_for: see :data:`Taken`.
        level_dbfs: RMS level of the utterance as it came in, noise included; None
            where no utterance was found.
        peak: its largest magnitude, 0 to 32768.
        clipped: it stood at full scale.
        meant: the text means what was asked for, however surely it was heard.
    """

    phrase: str
    text: str = ""
    confidence: float = 0.0
    taken_for: Taken = "nothing"
    level_dbfs: float | None = None
    peak: int = 0
    clipped: bool = False
    meant: bool = False

    @property
    def misheard(self) -> bool:
        """Whether it was taken for something else."""
        return self.taken_for not in {"said", "nothing"}


class RoomProfile(BaseModel):
    """What one check found; kept as ``room.json``.

    ``right_low`` and ``right_high`` are the 95 % interval of the share heard right.
    ``gain`` is linear, for the samples before the ear. ``speech_dbfs`` is the voice
    without the noise. Both it and ``snr_db`` are None where too little was heard.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    version: Literal[1] = 1
    made_at: AwareDatetime
    microphone: str
    listener: str
    seed: int
    noise_dbfs: float
    speech_dbfs: float | None
    snr_db: float | None
    gain: float = Field(ge=MIN_GAIN, le=MAX_GAIN)
    clipped: int = Field(ge=0)
    right: int = Field(ge=0)
    misheard: int = Field(ge=0)
    missed: int = Field(ge=0)
    right_low: Share
    right_high: Share
    accept: Share
    command: Share
    reject: Share
    verdict: VerdictName
    advice: tuple[Advice, ...]
    learned: Learned | None = None

    def trust(self, default: Trust) -> Trust:
        """The thresholds to use: those of the check, never under ``default``, which
        may have become stricter since; moved by what was learned of the voice."""
        stricter = replace(
            default,
            accept=max(default.accept, self.accept),
            command=max(default.command, self.command),
            reject=max(default.reject, self.reject),
        )
        return self.learned.trust(stricter) if self.learned else stricter


def known(outcomes: Sequence[Outcome]) -> list[Known]:
    """What phrases teach of the voice: those of which something was heard."""
    return [Known(one.confidence, one.meant) for one in outcomes if one.text]


def profile(
    noise: Samples,
    outcomes: Sequence[Outcome],
    default: Trust,
    *,
    target_rms: float,
    made_at: AwareDatetime,
    microphone: str,
    listener: str,
    seed: int,
) -> RoomProfile:
    """The profile of a room.

    Args:
        noise: the room without a voice, 16 kHz, at least one frame.
        outcomes: one for each phrase asked for.
        default: the listener's own thresholds.
        target_rms: the level (16-bit steps) at which the front end wants speech.
        made_at, microphone, listener, seed: kept with it.
    """
    noise_dbfs = noise_level(noise)
    speech_dbfs = speech_level(outcomes, noise_dbfs)
    snr_db = None if speech_dbfs is None else speech_dbfs - noise_dbfs
    right = sum(one.taken_for == "said" for one in outcomes)
    misheard = sum(one.misheard for one in outcomes)
    clipped = sum(one.clipped for one in outcomes)
    low, high = wilson(right, len(outcomes))
    trust = raised(default, outcomes)
    name, advice = judge(outcomes, default, noise_dbfs, speech_dbfs)
    return RoomProfile(
        made_at=made_at,
        microphone=microphone,
        listener=listener,
        seed=seed,
        noise_dbfs=round(noise_dbfs, 1),
        speech_dbfs=None if speech_dbfs is None else round(speech_dbfs, 1),
        snr_db=None if snr_db is None else round(snr_db, 1),
        gain=gain_for(speech_dbfs, max((one.peak for one in outcomes), default=0), target_rms),
        clipped=clipped,
        right=right,
        misheard=misheard,
        missed=len(outcomes) - right - misheard,
        right_low=low,
        right_high=high,
        accept=trust.accept,
        command=trust.command,
        reject=trust.reject,
        verdict=name,
        advice=advice,
    )


def noise_level(noise: Samples) -> float:
    """RMS level of the room in dBFS, without the loudest tenth of its 30 ms frames
    (a door, a cough) and without its offset."""
    whole = noise[: len(noise) // FRAME_SAMPLES * FRAME_SAMPLES].astype(np.float64)
    frames = (whole - whole.mean()).reshape(-1, FRAME_SAMPLES)
    power = np.sort((frames**2).mean(axis=1))
    kept = power[: max(1, math.ceil(0.9 * len(power)))]
    return _dbfs(float(np.sqrt(kept.mean())))


def speech_level(outcomes: Sequence[Outcome], noise_dbfs: float) -> float | None:
    """Median level of the utterances, with the power of the noise taken off.

    At least a hundredth of the power is left as speech, so that noise taken for
    speech comes out as a bad ratio rather than as none.
    """
    levels = [one.level_dbfs for one in outcomes if one.level_dbfs is not None]
    if len(levels) < LEAST_LEVELS:
        return None
    both, noise = 10 ** (median(levels) / 10), 10 ** (noise_dbfs / 10)
    return 10 * math.log10(max(both - noise, 0.01 * both))


def gain_for(speech_dbfs: float | None, peak: int, target_rms: float) -> float:
    """Linear gain that brings speech to ``target_rms``; peaks stay under full scale."""
    if speech_dbfs is None:
        return 1.0
    wanted = target_rms / (32768 * 10 ** (speech_dbfs / 20))
    if wanted > 1.0 and peak > 0:
        wanted = max(1.0, min(wanted, HEADROOM * 32768 / peak))
    return round(min(MAX_GAIN, max(MIN_GAIN, wanted)), 3)


def raised(default: Trust, outcomes: Sequence[Outcome]) -> Trust:
    """The thresholds after the check: over every wrong phrase that passed ``default``.

    ``accept`` over those taken for a value, ``command`` over those taken for a
    command. A command that stores nothing raises neither: it has a threshold of its own.
    """

    def over(limit: float, taken: Taken) -> float:
        passed = [
            one.confidence
            for one in outcomes
            if one.taken_for == taken and one.confidence >= limit
        ]
        wanted = max(passed) + MARGIN if passed else limit
        return max(limit, min(CEILING, wanted))

    return replace(
        default,
        accept=over(default.accept, "value"),
        command=over(default.command, "command"),
    )


def judge(
    outcomes: Sequence[Outcome],
    default: Trust,
    noise_dbfs: float,
    speech_dbfs: float | None,
) -> tuple[VerdictName, tuple[Advice, ...]]:
    """The verdict and what to do, most useful first; see the limits above."""
    if speech_dbfs is None:
        first: Advice = "muted" if noise_dbfs <= QUIETEST_DBFS else "nearer"
        return "not_good_enough", (first, "typed")
    snr_db = speech_dbfs - noise_dbfs
    share = sum(one.taken_for == "said" for one in outcomes) / len(outcomes)
    wrong = sum(_passed(one, default) for one in outcomes)
    clipped = sum(one.clipped for one in outcomes)
    advice: list[Advice] = []
    if snr_db < GOOD_SNR_DB:
        advice += ["nearer", "suction", "listen"]
    elif speech_dbfs < LOW_SPEECH_DBFS:
        advice.append("nearer")
    if clipped:
        advice.append("softer")
    if wrong:
        advice.append("read_back")
    if share < GOOD_SHARE and snr_db >= GOOD_SNR_DB:
        advice.append("again")
    if share < USABLE_SHARE or snr_db < USABLE_SNR_DB or wrong > USABLE_WRONG:
        return "not_good_enough", (*advice, "typed")
    return ("usable" if advice else "good"), tuple(advice)


def _passed(one: Outcome, default: Trust) -> bool:
    """Whether a wrong value or command would have been taken without a question."""
    if one.taken_for == "value":
        return one.confidence >= default.accept
    return one.taken_for == "command" and one.confidence >= default.command


def _dbfs(rms: float) -> float:
    return 20 * math.log10(max(rms, 0.1) / 32768)
