"""From a stream of frames to single utterances ready for a recogniser."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from assistant.sound.samples import FRAME_SAMPLES, RATE_HZ, Samples, to_int16
from assistant.sound.voiced import BEGIN, BLOCK, FIRST_S, STAY, Block, Detector, Room
from assistant.speech.look import END_S

BEGIN_BLOCKS = 2
"""So many blocks of speech in a row (64 ms) begin an utterance; a click makes one."""

PRE_ROLL_S = 0.25
POST_ROLL_S = 0.15
"""Sound kept around what the detector calls speech: soft consonants at the
edges, and a little room tone, by which the recogniser sets its mean."""

MAX_UTTERANCE_S = 12.0
"""An utterance is cut here. The longest phrase of the grammars takes about 5 s;
what goes on longer is suction, a radio or a conversation."""

DITHER_STEPS = 8.0
"""Standard deviation of the noise added, in 16-bit steps. Phrases right of 60
(the recogniser before, synthetic voices at 3000 RMS): 42 without, 48 at 2, 54 at 8."""

TARGET_RMS = 3000.0
MAX_GAIN = 32.0
"""Level to which a quiet utterance is raised before the dither, and the limit.
The same 60 phrases with the dither, 35 dB quieter: 33 right as they are, 56
raised; 45 dB quieter: 4 and 57."""

FADED_DB, FADED_SNR_DB = 3.0, 20.0
"""The detector holds on to a voice for 0.11 to 0.16 s after it (medians of four rooms). Where
the voice stands 20 dB over the noise (75th percentile of its blocks), a block within 3 dB of
the noise is no voice any more. On 40 phrases of the calibration half, quiet and in suction at
20 dB: found 0.07 and 0.03 s after the voice instead of 0.11 and 0.13 s, never more than 0.02 s
before it, and no gap within a phrase is longer than 0.1 s, as before. With 6 dB, or in more
noise, the ends of words were lost. It tells when to look; silence is counted from where the
detector lets go, which it does not within "hel(d) for"."""

_RAIL = 32_700
_POLE = 0.995  # of the one-pole high pass: -3 dB at about 13 Hz
_DECAY = _POLE ** np.arange(FRAME_SAMPLES)


@dataclass(frozen=True, slots=True)
class Utterance:
    """One stretch of speech.

    Attributes:
        samples: conditioned sound, 16 kHz mono int16, with a little of the
            silence on both sides.
        started_s, ended_s: the speech itself (without that silence), in
            seconds of sound since the first frame pushed.
        peak: largest magnitude as it came in, 0 to 32768.
        clipped: three or more successive samples stood at full scale.
        level_dbfs: RMS level as it came in, without its offset, in dB
            relative to a full-scale square wave.
        snr_db: speech over the noise before it, as it came in.
        cut: it was ended by the maximum length, not by silence.
        final: it is over. One that is not is a first look, and comes again:
            with the same ``ended_s`` if nothing more was said.
    """

    samples: Samples
    started_s: float
    ended_s: float
    peak: int
    clipped: bool
    level_dbfs: float
    snr_db: float
    cut: bool = False
    final: bool = True


class Ear:
    """Finds utterances in a stream of 30 ms frames.

    Args:
        seed: of the dither.
        max_utterance_s: longest utterance before it is cut.
        early: offer utterances for a first look too.
    """

    def __init__(
        self,
        *,
        seed: int = 0,
        max_utterance_s: float = MAX_UTTERANCE_S,
        early: bool = False,
    ) -> None:
        self._seed = seed
        self._max_samples = round(max_utterance_s * RATE_HZ)
        self._early = early
        self._detector = Detector()
        self.reset()

    def reset(self) -> None:
        """Forget everything, the room too; the next frame is at 0 s."""
        self._room = Room()
        self.restart()

    def restart(self) -> None:
        """Forget what is being said, but not the room; the next frame is at 0 s."""
        self._detector.reset()
        self._rng = np.random.default_rng(self._seed)
        self._filter_state: tuple[float, float] | None = None  # last sample in, last out
        self._raw: Samples = np.zeros(0, np.int16)
        self._clean: NDArray[np.float64] = np.zeros(0)
        self._held_from = 0  # sample position of the first sample held
        self._pending: list[Block] = []  # blocks not yet judged, or of speech that may begin
        self._drop_speech()

    def _drop_speech(self) -> None:
        self._start: int | None = None
        self._voiced_to = self._held_to = 0  # by level and detector; by the detector alone
        self._noise_db = 0.0
        self._talk_db: float | None = None
        self._loud: list[float] = []
        self._looked_at = -1
        self._end_s = END_S

    @property
    def in_speech(self) -> bool:
        """Whether someone is speaking now."""
        return self._start is not None

    @property
    def _now(self) -> int:
        return self._held_from + len(self._raw)

    def push(self, frame: Samples) -> Utterance | None:
        """Take one frame (:mod:`assistant.sound.samples`); return an utterance that it ends,
         or with ``early`` one that it may end.

        Raises:
            ValueError: the frame has another length (a defect of the caller).
        """
        if frame.shape != (FRAME_SAMPLES,):
            raise ValueError(f"a frame is {FRAME_SAMPLES} samples, not {frame.shape}")
        clean = self._without_offset(frame)
        self._raw = np.concatenate([self._raw, frame])
        self._clean = np.concatenate([self._clean, clean])
        for block in self._detector.push(clean, self._room.noise_db()):
            self._judge(block)
        if self._start is None:
            self._forget(self._now - round((PRE_ROLL_S + FIRST_S) * RATE_HZ))
            return None
        if self._now - self._held_to >= self._end_s * RATE_HZ:
            return self._finish()
        if self._now - self._start >= self._max_samples:
            return self._finish(cut=True)
        # Judged, not only heard: what waits for the detector may be a block's length of voice,
        # and a look at half a word keeps the recogniser from the whole one.
        silent = self._room.blocks[-1].end > self._voiced_to
        if self._early and silent and self._looked_at != self._voiced_to:
            self._looked_at = self._voiced_to
            return replace(self._utterance(self._voiced_to), final=False)
        return None

    def wait(self, silence_s: float) -> None:
        """So much silence ends what was said so far; if more is said, :data:`END_S` again."""
        self._end_s = silence_s

    def drop(self) -> None:
        """Forget what was said so far."""
        if self._start is not None:
            self._drop_speech()

    def flush(self) -> Utterance | None:
        """End of the stream: return the utterance in progress, if any."""
        if self._start is None:
            self._begin(final=True)
        if self._start is None:
            return None
        self._voiced_to = self._now
        return self._finish()

    def _judge(self, block: Block) -> None:
        self._room.blocks.append(block)
        if self._start is not None:
            self._go_on(block)
            return
        self._pending.append(block)
        if self._room.heard_s >= FIRST_S - 0.05:
            self._begin()

    def _begin(self, *, final: bool = False) -> None:
        """Look through the blocks not yet judged for the beginning of speech."""
        self._talk_db = self._room.talk_db()
        row: list[Block] = []
        pending, self._pending = self._pending, []
        for number, block in enumerate(pending):
            spoken = block.speech >= BEGIN and self._stands_out(block)
            row = [*row, block] if spoken else []
            if len(row) >= BEGIN_BLOCKS:
                self._open(row, pending[number + 1 :])
                return
        self._pending = [] if final else row

    def _open(self, row: list[Block], rest: list[Block]) -> None:
        start = row[0].end - BLOCK
        # Of the room before this: speech that has just begun is not its noise.
        before = [b.level_db for b in self._room.blocks if b.end < start and b.speech < STAY]
        self._noise_db = float(np.median(before)) if before else self._room.noise_db()
        self._start = max(start, self._held_from)
        self._voiced_to = self._held_to = row[-1].end
        self._loud = [block.level_db for block in row]
        for block in rest:
            self._go_on(block)

    def _go_on(self, block: Block) -> None:
        """The utterance reaches to the end of ``block``, if that is speech."""
        if block.speech >= STAY and self._stands_out(block):
            self._held_to = block.end
            if not self._faded(block):
                self._voiced_to = block.end
                self._end_s = END_S
                self._loud.append(block.level_db)

    def _faded(self, block: Block) -> bool:
        """Whether a clear voice has sunk into the noise."""
        clear = float(np.percentile(self._loud, 75)) - self._noise_db >= FADED_SNR_DB
        return clear and block.level_db < self._noise_db + FADED_DB

    def _stands_out(self, block: Block) -> bool:
        return self._talk_db is None or block.level_db >= self._talk_db

    def _without_offset(self, frame: Samples) -> NDArray[np.float64]:
        """Streaming high pass y[n] = x[n] - x[n-1] + p y[n-1], started in its steady state.

        Solved for a whole frame, as scipy.signal.lfilter would, whose import takes a second.
        """
        sound = frame.astype(np.float64)
        before, past = self._filter_state or (float(sound[0]), 0.0)
        rise = np.diff(sound, prepend=before)
        clean: NDArray[np.float64] = _DECAY * (_POLE * past + np.cumsum(rise / _DECAY))
        self._filter_state = float(sound[-1]), float(clean[-1])
        return clean

    def _forget(self, before: int) -> None:
        drop = max(0, before - self._held_from)
        self._raw, self._clean = self._raw[drop:], self._clean[drop:]
        self._held_from += drop

    def _finish(self, *, cut: bool = False) -> Utterance:
        end = self._now if cut else self._voiced_to
        utterance = replace(self._utterance(end), cut=cut)
        self._drop_speech()
        return utterance

    def _utterance(self, end: int) -> Utterance:
        assert self._start is not None
        first = max(self._start - round(PRE_ROLL_S * RATE_HZ), self._held_from)
        last = min(end + round(POST_ROLL_S * RATE_HZ), self._now)
        held = slice(first - self._held_from, last - self._held_from)
        raw, clean = self._raw[held], self._clean[held]
        rms = float(np.sqrt(np.mean(clean**2)))
        peak = int(np.abs(raw.astype(np.int32)).max())
        rails = np.abs(raw.astype(np.int32)) >= _RAIL
        # Power of the speech alone, from the louder half of its blocks.
        both = 10 ** (float(np.percentile(self._loud, 75)) / 10)
        noise = 10 ** (self._noise_db / 10)
        snr_db = 10 * float(np.log10(max(both - noise, 1e-3 * noise) / noise))
        return Utterance(
            samples=self._condition(clean),
            started_s=self._start / RATE_HZ,
            ended_s=end / RATE_HZ,
            peak=peak,
            clipped=bool((rails[2:] & rails[1:-1] & rails[:-2]).any()),
            level_dbfs=20 * float(np.log10(max(rms, 0.1) / 32768)),
            snr_db=snr_db,
        )

    def _condition(self, sound: NDArray[np.float64]) -> Samples:
        """Raise a quiet voice, then add the dither."""
        rms = float(np.sqrt(np.mean(sound**2))) if len(sound) else 0.0
        gain = float(np.clip(TARGET_RMS / max(rms, 1.0), 1.0, MAX_GAIN))
        return to_int16(sound * gain + self._rng.normal(0.0, DITHER_STEPS, len(sound)))
