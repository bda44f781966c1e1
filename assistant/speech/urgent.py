"""The one word that must get through while the assistant itself is speaking.

During a prompt the microphone hears the prompt, so whole phrases are not
listened for; a keyword spotter running on the stream may still be told to
stop. It has its own small decoder and knows the urgent words only.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import numpy as np
from pocketsphinx import Decoder

from assistant.errors import InputFileError
from assistant.sound.samples import RATE_HZ, Samples, to_int16
from assistant.speech.ear import DITHER_STEPS, MAX_GAIN, TARGET_RMS

STOP_THRESHOLD = 1e-18
"""Keyword against background likelihood ratio from which "stop" counts as heard.

Measured with six synthetic voices (four of flite, two of espeak-ng) saying it
once, alone and at five places each of an espeak-ng prompt that is 12 dB quieter
or as loud; the same twice in a row; and on 163 s of prompts without the word,
as loud as the voices and 12 dB quieter:

=====  =====  ======  =====  ==========  =========  ============
limit  alone  -12 dB  0 dB   twice, -12  twice, 0   false alarms
=====  =====  ======  =====  ==========  =========  ============
1e-12  4/6    5/30    8/30   21/30       17/30      2, 2
1e-15  5/6    16/30   8/30   24/30       16/30      3, 4
1e-18  6/6    17/30   13/30  25/30       20/30      6, 6
=====  =====  ======  =====  ==========  =========  ============

Twice and alone was heard 6/6 at all three. A false alarm of the prompt counts
as a hit in the middle columns (about 1 in 15 at the last row), and the limit
was chosen on these same figures. The last row is taken: a missed stop costs
more than a silenced prompt, which stays on the screen, and
the false alarms come from a few wordings of our own that can be avoided ("the
top of", "must not touch"). Against a prompt, single stops are often
missed: an earpiece, or saying it twice, is the way out.

With an echo canceller before it (:mod:`assistant.sound.echo`), measured anew with the
prompt as a delayed echo (30 to 300 ms, reverberation of 0.3 s) after three prompts from which
the canceller could learn; same voices and five places, 60 words, once or twice
("python tests/measure_echo.py stop"):

===========  =====  =====  ==============  ==================
at 1e-18     once   twice  prompts with a  alarms in 210 s of
                           false alarm     prompts alone
===========  =====  =====  ==============  ==================
-12 dB       14/30  24/30  38/60           16
  cancelled  26/30  30/30  4/60            1
0 dB         4/30   12/30  2/60            12
  cancelled  28/30  28/30  16/60           1
===========  =====  =====  ==============  ==================

The third column counts alarms on one sentence before the word, so it hangs on that
sentence and on how far the canceller has learnt; some hits of the last row are such
alarms, too. So without a timer a loudspeaker still takes two. The canceller is that of
libspeexdsp. Another, from a real-time library (106 MB installed), gave 1 alarm
in 161 s but heard less than none at all (10/30 and 4/30 once, in an earlier run of the
same kind): it mutes the operator while the prompt is on. A plain NLMS filter of our
own heard 25/30, with 16 to 20 alarms in 161 s.
"""

RESTART_S = 10.0
"""The decoder's utterance is begun afresh after this long without a hit, so
that neither its memory nor its idea of the room grows old."""

# Cepstral mean of speech at TARGET_RMS, which the decoder starts from: it would
# otherwise take 8 s of sound to find its own, longer than most prompts.
_SPEECH_MEAN = "47,2.1,6.0,7.5,-3.5,-1.2,0.6,-0.5,1.6,6.6,-1,7,5"
_LEVEL_DECAY = 0.995  # per 30 ms frame: the remembered level halves in about 4 s


_FRAME_S = 0.01  # of the recogniser
_PIECE = 480

BEGINS_S = 0.7
"""A word that begins so soon begins the utterance: the front end leaves about 0.25 s
of room before the voice, and the spotter's own idea of a beginning is loose."""


class Spotted(NamedTuple):
    """An urgent word, and how long before the end of the sound it began."""

    word: str
    ago_s: float


class UrgentEar:
    """Spots urgent words in a stream of frames.

    Args:
        words: the words or short phrases, in the dictionary of the embedded
            English model, each with the threshold from which it counts as
            heard; larger is stricter. A threshold holds for one word only
            (neither one value for all nor one per phone carries over: at what
            suits "stop", "hold on" is never heard), so measure a new one.

    Raises:
        InputFileError: a word is not in the dictionary.
    """

    def __init__(self, words: Mapping[str, float] | None = None) -> None:
        words = words or {"stop": STOP_THRESHOLD}
        self._decoder = Decoder(lm=None, loglevel="FATAL")
        for word in sorted({part for phrase in words for part in phrase.split()}):
            if self._decoder.lookup_word(word) is None:
                raise InputFileError(
                    f"The urgent word {word!r} is not in the recogniser's dictionary; "
                    "choose a common English word."
                )
        # Keywords can be handed over by file only.
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "keywords"
            lines = [f"{phrase} /{threshold:g}/\n" for phrase, threshold in words.items()]
            path.write_text("".join(lines), "utf-8")
            self._decoder.add_kws("urgent", str(path))
        self._decoder.activate_search("urgent")
        self._listening = False
        self.reset()

    def reset(self) -> None:
        """Forget the sound so far, as at the beginning of a prompt."""
        self._rng = np.random.default_rng(0)
        self._level = 1.0
        if self._listening:
            self._decoder.end_utt()
        self._decoder.reinit_feat()
        self._begin()

    def _begin(self) -> None:
        self._decoder.set_cmn(_SPEECH_MEAN)
        self._decoder.start_utt()
        self._listening = True
        self._samples = 0

    def _levelled(self, frame: Samples) -> Samples:
        """Raised to the level that the starting mean is for, and dithered."""
        values = frame.astype(np.float64)
        rms = float(np.sqrt(np.mean((values - values.mean()) ** 2)))
        self._level = max(rms, self._level * _LEVEL_DECAY)
        gain = float(np.clip(TARGET_RMS / self._level, 1.0, MAX_GAIN))
        return to_int16(values * gain + self._rng.normal(0.0, DITHER_STEPS, len(frame)))

    def begins(self, samples: Samples) -> bool:
        """Whether a whole utterance begins with one of the words."""
        self.reset()
        for end in range(_PIECE, len(samples) + _PIECE, _PIECE):
            hit = self.push(samples[end - _PIECE : end])
            if hit is not None:
                return min(end, len(samples)) / RATE_HZ - hit.ago_s <= BEGINS_S
        return False

    def push(self, frame: Samples) -> Spotted | None:
        """Take one frame of any length; return the word it completes, if any."""
        if not len(frame):
            return None
        self._decoder.process_raw(self._levelled(frame).tobytes())
        self._samples += len(frame)
        hit = self._decoder.hyp()
        if hit is None and self._samples < RESTART_S * RATE_HZ:
            return None
        spotted = None
        if hit is not None:
            first = next(iter(self._decoder.seg()))
            ago_s = (self._decoder.n_frames() - first.start_frame) * _FRAME_S
            spotted = Spotted(str(first.word).strip(), ago_s)
        self._decoder.end_utt()
        self._begin()
        return spotted
