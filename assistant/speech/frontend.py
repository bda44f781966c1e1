"""From a stream of frames to single utterances ready for a recogniser."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from pocketsphinx import Endpointer, Vad
from scipy.signal import lfilter

from assistant.speech.audio import FRAME_SAMPLES, RATE_HZ, to_int16
from assistant.speech.listeners import Samples

WINDOW_S = 0.3
"""Length of the sliding window in which speech and silence are counted."""

SPEECH_RATIO = 0.7
"""Share of the window that must be speech to begin, or silence to end.

On 84 phrases, half of them of one short word, by six synthetic voices: none
missed or split, in quiet or in noise 26 dB down; the end is found 0.42 s after
the voice (median; 0.38-0.48). At the endpointer's own 0.9: 0.48 s and one "six"
missed in the noise.
"""

PRE_ROLL_S = 0.25
POST_ROLL_S = 0.15
"""Sound kept around what the detector calls speech: soft consonants at the
edges, and a little room tone, by which the recogniser sets its mean."""

MAX_UTTERANCE_S = 12.0
"""An utterance is cut here. The longest phrase of the grammars takes about 5 s;
what goes on longer is suction, a radio or a conversation."""

DITHER_STEPS = 8.0
"""Standard deviation of the noise added, in 16-bit steps. Phrases right of 60
(pocketsphinx, synthetic voices at 3000 RMS): 42 without, 48 at 2, 54 at 8."""

TARGET_RMS = 3000.0
MAX_GAIN = 32.0
"""Level to which a quiet utterance is raised before the dither, and the limit.
The same 60 phrases with the dither, 35 dB quieter: 33 right as they are, 56
raised; 45 dB quieter: 4 and 57."""

_FRAME_S = FRAME_SAMPLES / RATE_HZ
_RAIL = 32_700
_POLE = 0.995  # of the one-pole high pass: -3 dB at about 13 Hz


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
        cut: it was ended by the maximum length, not by silence.
    """

    samples: Samples
    started_s: float
    ended_s: float
    peak: int
    clipped: bool
    level_dbfs: float
    cut: bool = False


class Ear:
    """Finds utterances in a stream of 30 ms frames.

    Voice activity is the WebRTC detector inside pocketsphinx's ``Endpointer``.
    The same frames after :meth:`reset` give the same utterances to the bit.

    Args:
        seed: of the dither.
        max_utterance_s: longest utterance before it is cut.
    """

    def __init__(self, *, seed: int = 0, max_utterance_s: float = MAX_UTTERANCE_S) -> None:
        self._seed = seed
        self._max_samples = round(max_utterance_s * RATE_HZ)
        self.reset()

    def reset(self) -> None:
        """Forget everything; the next frame is at 0 s."""
        self._endpointer = _new_endpointer()
        self._epoch = 0  # sample position at which this endpointer's clock began
        self._rng = np.random.default_rng(self._seed)
        self._filter_state: NDArray[np.float64] | None = None
        self._raw: Samples = np.zeros(0, np.int16)
        self._clean: NDArray[np.float64] = np.zeros(0)
        self._held_from = 0  # sample position of the first sample held
        self._start: int | None = None

    @property
    def in_speech(self) -> bool:
        """Whether someone is speaking now."""
        return self._start is not None

    @property
    def _now(self) -> int:
        return self._held_from + len(self._raw)

    def push(self, frame: Samples) -> Utterance | None:
        """Take one frame of :data:`~.audio.FRAME_SAMPLES`; return an utterance that it ends.

        Raises:
            ValueError: the frame has another length (a defect of the caller).
        """
        if frame.shape != (FRAME_SAMPLES,):
            raise ValueError(f"a frame is {FRAME_SAMPLES} samples, not {frame.shape}")
        clean = self._without_offset(frame)
        self._raw = np.concatenate([self._raw, frame])
        self._clean = np.concatenate([self._clean, clean])
        self._endpointer.process(to_int16(clean).tobytes())
        if self._start is None:
            if not self._endpointer.in_speech:
                self._forget(self._now - round((WINDOW_S + PRE_ROLL_S) * RATE_HZ))
                return None
            self._start = self._epoch + round(self._endpointer.speech_start * RATE_HZ)
        if not self._endpointer.in_speech:
            return self._finish(self._epoch + round(self._endpointer.speech_end * RATE_HZ))
        if self._now - self._start >= self._max_samples:
            return self._finish(self._now, cut=True)
        return None

    def flush(self) -> Utterance | None:
        """End of the stream: return the utterance in progress, if any."""
        return None if self._start is None else self._finish(self._now)

    def _without_offset(self, frame: Samples) -> NDArray[np.float64]:
        """Streaming high pass y[n] = x[n] - x[n-1] + p y[n-1], started in its steady state."""
        if self._filter_state is None:
            self._filter_state = np.array([-float(frame[0])])
        clean: NDArray[np.float64]
        clean, self._filter_state = lfilter(
            [1.0, -1.0], [1.0, -_POLE], frame.astype(np.float64), zi=self._filter_state
        )
        return clean

    def _forget(self, before: int) -> None:
        drop = max(0, before - self._held_from)
        self._raw, self._clean = self._raw[drop:], self._clean[drop:]
        self._held_from += drop

    def _finish(self, end: int, *, cut: bool = False) -> Utterance:
        assert self._start is not None
        first = max(self._start - round(PRE_ROLL_S * RATE_HZ), self._held_from)
        last = min(end + round(POST_ROLL_S * RATE_HZ), self._now)
        held = slice(first - self._held_from, last - self._held_from)
        raw, clean = self._raw[held], self._clean[held]
        rms = float(np.sqrt(np.mean(clean**2)))
        peak = int(np.abs(raw.astype(np.int32)).max())
        rails = np.abs(raw.astype(np.int32)) >= _RAIL
        utterance = Utterance(
            samples=self._condition(clean, rms),
            started_s=self._start / RATE_HZ,
            ended_s=end / RATE_HZ,
            peak=peak,
            clipped=bool((rails[2:] & rails[1:-1] & rails[:-2]).any()),
            level_dbfs=20 * float(np.log10(max(rms, 0.1) / 32768)),
            cut=cut,
        )
        self._start = None
        self._forget(last)
        if cut:
            # The detector still stands in the old speech; begin afresh.
            self._endpointer, self._epoch = _new_endpointer(), self._now
        return utterance

    def _condition(self, clean: NDArray[np.float64], rms: float) -> Samples:
        """Raise a quiet voice, then add the dither."""
        gain = float(np.clip(TARGET_RMS / max(rms, 1.0), 1.0, MAX_GAIN))
        return to_int16(clean * gain + self._rng.normal(0.0, DITHER_STEPS, len(clean)))


def _new_endpointer() -> Endpointer:
    return Endpointer(
        window=WINDOW_S,
        ratio=SPEECH_RATIO,
        vad_mode=Vad.LOOSE,
        sample_rate=RATE_HZ,
        frame_length=_FRAME_S,
    )
