"""The embedded recogniser: pocketsphinx with the English model in its wheel.

The text comes from a search of the grammar's graph. The search forces anything it hears
onto the grammar and pocketsphinx gives no confidence for it, so ``confidence``
is made here, by decoding the same samples twice more: once through a loop of
all phones (what would *any* speech score?) and once slightly slowed (does the
same text come back?). See :mod:`.evidence` for the measure and its figures.

Where no path reaches the end of the grammar, the utterance counts as not
understood. Wider beams found 2 of 6 such (of 240, calibration half) and once
took 13 s.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import SequenceMatcher
from itertools import islice

import numpy as np
from pocketsphinx import Decoder, get_model_path

from assistant.errors import InputFileError
from assistant.sound.resample import resample
from assistant.sound.samples import RATE_HZ, Samples, to_int16
from assistant.speech.evidence import WORST_WORD, Evidence, confidence, levels_db
from assistant.speech.listeners import StepGrammar
from assistant.words.recognised import Recognised

CACHED_GRAMMARS = 32
"""Compiled grammars kept; a case has about a dozen steps."""

MIN_SAMPLES = RATE_HZ // 10
"""Under 0.1 s there is no word, and pocketsphinx has too few frames to work on."""

_PHONES = "phones"
_N_BEST = 20
# Pocketsphinx gives the best score of every search, and the segment scores of the
# phone loop, shifted right by 10 bits (SENSCR_SHIFT); a grammar's segment scores
# come unshifted.
_SHIFTED = 1024.0
_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class _Span:
    """A word or phone on the best path; frames are 10 ms, ends included."""

    label: str
    first: int
    last: int
    log_score: float

    @property
    def frames(self) -> int:
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True)
class _Path:
    """Best path of one search."""

    text: str
    log_score: float
    frames: int
    spans: tuple[_Span, ...]
    others: tuple[str, ...] = ()


class _GrammarDecoder:
    """One pocketsphinx decoder with its compiled grammars and the phone loop."""

    def __init__(self) -> None:
        # With bestpath the lattice may end in the middle of a sentence ("nine
        # and a"): 254 of 294 phrases right with it, 271 without (synthetic).
        self.decoder = Decoder(lm=None, loglevel="FATAL", bestpath=False)
        self.decoder.add_allphone_file(_PHONES, get_model_path("en-us/en-us-phone.lm.bin"))
        self.searches: OrderedDict[str, str] = OrderedDict()  # grammar key: search name
        self._made = 0

    def search_for(self, grammar: StepGrammar) -> str:
        """Name of the compiled search for ``grammar``. Raises InputFileError."""
        if grammar.key not in self.searches:
            _add_words(self.decoder, grammar)
            search = f"grammar{self._made}"
            try:
                fsg = self.decoder.create_fsg(search, *grammar.graph.fsg)
                self.decoder.add_fsg(search, fsg)
            except (ValueError, RuntimeError) as error:
                raise InputFileError(
                    f"The grammar of this step ({grammar.key}) cannot be compiled; "
                    "correct its sentences in the grammars folder."
                ) from error
            self._made += 1
            self.searches[grammar.key] = search
            if len(self.searches) > CACHED_GRAMMARS:
                _, oldest = self.searches.popitem(last=False)
                # The search in force must not be freed under the decoder.
                self.decoder.activate_search(search)
                self.decoder.remove_search(oldest)
        self.searches.move_to_end(grammar.key)
        return self.searches[grammar.key]

    def decode(self, search: str, samples: Samples) -> _Path | None:
        """Best path of ``search`` through ``samples``, None where there is none."""
        decoder = self.decoder
        # Without this the noise floor and the mean of earlier utterances leak in.
        decoder.reinit_feat()
        decoder.activate_search(search)
        decoder.start_utt()
        try:
            decoder.process_raw(samples.tobytes(), full_utt=True)
        finally:
            decoder.end_utt()
        best = decoder.hyp()
        if best is None or not best.hypstr:
            return None
        scale = _SHIFTED if search == _PHONES else 1.0
        spans = tuple(
            _Span(
                segment.word,
                segment.start_frame,
                segment.end_frame,
                scale * math.log(max(segment.ascore, _TINY)),
            )
            for segment in decoder.seg() or ()
        )
        others: tuple[str, ...] = ()
        if search != _PHONES:
            paths = (path.hypstr for path in islice(decoder.nbest() or (), _N_BEST) if path)
            others = tuple(_distinct(paths, besides=best.hypstr))
        log_score = _SHIFTED * math.log(max(best.best_score, _TINY))
        return _Path(best.hypstr, log_score, max(1, decoder.n_frames()), spans, others)


class PocketsphinxListener:
    """A :class:`~assistant.speech.listeners.Listener` that needs nothing installed.

    The same samples give the same result whatever was heard before.

    Args:
        alone: False where a better second opinion is at hand (:mod:`.paired`): the
            phone loop and the second decode are left out, and the confidence means less.
    """

    name = "pocketsphinx"

    def __init__(self, *, alone: bool = True) -> None:
        self._alone = alone
        self._quick = _GrammarDecoder()
        self._grammar: StepGrammar | None = None

    def prepare(self, grammar: StepGrammar) -> None:
        """Make ``grammar`` the one in force.

        Raises:
            InputFileError: a word has no pronunciation, a pronunciation uses
                an unknown phone, or the grammar does not parse.
        """
        self._quick.search_for(grammar)
        self._grammar = grammar

    def hear(self, samples: Samples) -> Recognised:
        """Recognise one utterance; noise gives an empty text or low confidence."""
        heard, _ = self.hear_with_evidence(samples)
        return heard

    def hear_with_evidence(self, samples: Samples) -> tuple[Recognised, Evidence | None]:
        """As :meth:`hear`, with what the confidence was made from (for calibration)."""
        if self._grammar is None:
            raise RuntimeError("prepare() must come before hear()")
        if len(samples) < MIN_SAMPLES:
            return Recognised("", 0.0, listener=self.name), None
        search = self._quick.search_for(self._grammar)
        hit = self._quick.decode(search, samples)
        if hit is None:
            return Recognised("", 0.0, listener=self.name), None
        # Each costs as much time as the first decode.
        phones = self._quick.decode(_PHONES, samples) if self._alone else None
        second = self._quick.decode(search, _slowed(samples)) if self._alone else None
        second_text = second.text if second else ""
        evidence = self._weigh(hit, phones, second_text, samples)
        others = [*hit.others, second_text, *(second.others if second else ())]
        return (
            Recognised(
                text=hit.text,
                confidence=confidence(evidence),
                alternatives=tuple(_distinct(others, besides=hit.text)),
                listener=self.name,
            ),
            evidence,
        )

    def _weigh(
        self, hit: _Path, loop: _Path | None, second_text: str, samples: Samples
    ) -> Evidence:
        words = [span for span in hit.spans if span.label[0] not in "<[+"]
        heard_phones: list[str] = []
        loop_score = np.zeros(hit.frames + 1)  # log likelihood of the loop by frame
        for span in loop.spans if loop else ():
            loop_score[span.first : span.last + 1] = span.log_score / span.frames
            if span.label != "SIL" and not span.label.startswith("+"):
                heard_phones.append(span.label)
        said_phones = [
            phone
            for word in words
            for phone in (self._quick.decoder.lookup_word(word.label) or "").split()
        ]
        word_scores = [
            (word.log_score - loop_score[word.first : word.last + 1].sum()) / word.frames
            for word in words
        ]
        level = levels_db(samples)
        floor, top = np.percentile(level, [10, 90])
        loud = level > (floor + top) / 2
        covered = np.zeros(len(level), bool)
        for word in words:
            covered[word.first : word.last + 1] = True
        frames_per_phone = sum(word.frames for word in words) / max(1, len(said_phones))
        return Evidence(
            versus_phones=(hit.log_score - (loop.log_score if loop else 0.0)) / hit.frames,
            weakest_word=float(max(WORST_WORD, min(word_scores, default=WORST_WORD))),
            phone_match=_similarity(said_phones, heard_phones),
            second_decode=_similarity(hit.text.split(), second_text.split()),
            unrivalled=0.0 if hit.others else 1.0,
            density=min(0.0, -math.log(max(frames_per_phone, 1.0) / 10.0)),
            coverage=float(covered[loud].mean()) if loud.any() else 0.0,
            snr_db=float(min(40.0, top - floor)),
        )


def _slowed(samples: Samples) -> Samples:
    """4 % slower and lower: enough to shake a hit that hangs by a thread."""
    return to_int16(resample(samples.astype(np.float32), 25, 26))


def _similarity(one: list[str], other: list[str]) -> float:
    """Twice the matching share of two sequences, 0 to 1."""
    return SequenceMatcher(None, one, other, autojunk=False).ratio()


def _distinct(texts: Iterable[str], besides: str) -> list[str]:
    """Order kept; without doubles, empty texts and ``besides``."""
    return [text for text in dict.fromkeys(texts) if text and text != besides]


def _add_words(decoder: Decoder, grammar: StepGrammar) -> None:
    """Teach the dictionary words and pronunciations it lacks. Raises InputFileError."""
    for word in sorted(grammar.graph.words):
        pronunciations = grammar.lexicon.get(word, ())
        if _known(decoder, word) and not pronunciations:
            continue
        if not pronunciations:
            raise InputFileError(
                f"The word {word!r} has no pronunciation; add one to the lexicon file in the "
                "grammars folder, as CMU phones."
            )
        for phones in pronunciations:
            variants = _variants(decoder, word)
            if phones in variants.values():
                continue
            entry = f"{word}({len(variants) + 1})" if variants else word
            try:
                decoder.add_word(entry, phones, True)
            except RuntimeError as error:
                raise InputFileError(
                    f"The pronunciation {phones!r} of the word {word!r} is not made of CMU "
                    "phones without stress marks; correct it in the lexicon file in the "
                    "grammars folder."
                ) from error


def _known(decoder: Decoder, word: str) -> bool:
    return decoder.lookup_word(word) is not None


def _variants(decoder: Decoder, word: str) -> dict[str, str]:
    """The pronunciations a dictionary has for a word: ``word``, ``word(2)``, ..."""
    found: dict[str, str] = {}
    entry = word
    while (phones := decoder.lookup_word(entry)) is not None:
        found[entry] = phones
        entry = f"{word}({len(found) + 1})"
    return found
