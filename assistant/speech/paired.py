"""Two recognisers that must agree.

The first is held to the step's grammar and can be forced onto a phrase; the second
writes what it hears and cannot. What the second wrote is compared by sound with the
phrases in question (:mod:`assistant.words.snap`), and it is asked how likely it finds
each of them.
How surely a phrase is what was said is a logistic function of all that and of the
first one's evidence, fitted by ``tests/hearing/calibrate.py``. A phrase that only one
of them supports never has the confidence to be stored or obeyed without a question
(:data:`DISAGREED`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import astuple, dataclass
from threading import Event

from assistant.procedure import intents as it
from assistant.sound.samples import Samples
from assistant.speech.evidence import Evidence
from assistant.speech.fusion import AGREED, ALONE
from assistant.speech.listeners import StepGrammar
from assistant.speech.pocketsphinx_listener import PocketsphinxListener
from assistant.speech.transcriber import Transcriber, Written
from assistant.words.grammar import Grammar
from assistant.words.recognised import Recognised
from assistant.words.snap import Snapped, heard_phones, snap
from assistant.words.soundalike import Phones, dictionary, distance, phones_of
from assistant.words.understand import meanings

DISAGREED = 0.4
"""Most confidence of a phrase that only one of the two supports; under what a command
needs (``assembly.TRUST``)."""

CLEARLY = 1.0
"""So much likelier (nats) the second must find a phrase than all others to support it
although it wrote something else. Of 180 phrases of the calibration half, at 10 dB or
better, 135 were supported so, none of them wrong; at 0 one was."""

NEAR, LIKELY = 0.27, -5.0
"""However well two recognisers agree within a grammar, what the second wrote must be
near the phrase (distance by sound), or the phrase likely for it (nats a word). Of 125
phrases that both supported in 12 minutes of talk, none was either, nor were 5 of 6
misheard ones; 21 % of the right ones were not (272, calibration half, 10 dB or better)."""

_NEXT_BEST, _RIVALS = 5, 2
_MOST = 6.0
_HEAD_START_S = 0.1  # at most; 0.01 s is usual
_NOTHING = (0.0,) * 4


@dataclass(frozen=True, slots=True)
class Support:
    """What speaks for one phrase; yes is 1.

    Attributes:
        first: it is what the first recognised.
        next_best: it is among the first one's next best.
        second: it is the phrase most like what the second wrote.
        preferred: the second finds it likelier than the others in question.
        margin: by how much, in nats, negative if it does not; within 6.
        per_word: its log likelihood for the second, by words, not under -6.
        unlike: distance by sound from what the second wrote, 0 to 1.
        unlike_short: the same over the number of phones, times 10: a short word can
            come near by chance.
        evidence: the first one's, where it is the first's: what of it takes no further
            decode. Phones heard in a loop added little (of 336 supported and right 98.1 %
            passed with them, 98.4 % without, 3 of 152 wrong both times; calibration half)
            and took as long as the decode.
    """

    first: float
    next_best: float
    second: float
    preferred: float
    margin: float
    per_word: float
    unlike: float
    unlike_short: float
    evidence: tuple[float, ...]

    @property
    def agreed(self) -> bool:
        """Both support it, and the second could have heard it."""
        likely = self.per_word >= LIKELY and self.unlike < 1.0  # it wrote something
        return self.supported and (self.unlike <= NEAR or likely)

    @property
    def supported(self) -> bool:
        """Both support it, within the grammar."""
        if self.first:
            return bool(self.second) or self.margin >= CLEARLY
        return bool(self.next_best and self.second and self.preferred)

    def features(self) -> tuple[float, ...]:
        """As the logistic function takes them."""
        *own, evidence = astuple(self)
        both = self.first * self.second, self.first * self.preferred
        return (*own, *both, *evidence)


@dataclass(frozen=True, slots=True)
class Phrase:
    """A phrase that may have been said, with what speaks for it."""

    text: str
    support: Support

    @property
    def confidence(self) -> float:
        """0 to 1; not over :data:`DISAGREED` without agreement."""
        if self.support.agreed:
            return _logistic(AGREED, self.support.features())
        return DISAGREED * _logistic(ALONE, self.support.features())


def _logistic(weights: tuple[float, ...], features: tuple[float, ...]) -> float:
    """The last weight is the bias."""
    score = weights[-1] + sum(w * x for w, x in zip(weights, features, strict=False))
    return 1.0 / (1.0 + math.exp(-max(-50.0, min(50.0, score))))


class PairedListener:
    """A :class:`~assistant.speech.listeners.Listener` of two.

    Args:
        first: held to the grammar.
        second: makes the one that writes freely; called in another thread, so that
            its model loads while the rest starts.
        lexicon: pronunciations of the grammar's own words.
    """

    name = "paired"

    def __init__(
        self,
        first: PocketsphinxListener,
        second: Callable[[], Transcriber],
        lexicon: Mapping[str, tuple[str, ...]],
    ) -> None:
        self._first = first
        self._work = ThreadPoolExecutor(1, thread_name_prefix="second recogniser")
        self._second: Future[Transcriber] = self._work.submit(second)
        self._lexicon = self._work.submit(dictionary, None, lexicon)
        self._grammar: Grammar | None = None

    def prepare(self, grammar: StepGrammar) -> None:
        """Make ``grammar`` the one in force. Raises as the first listener does.

        Raises:
            TypeError: it is no :class:`~assistant.words.grammar.Grammar`, whose meanings
                are needed here.
        """
        if not isinstance(grammar, Grammar):
            raise TypeError("a paired listener needs the meanings of a Grammar")
        self._first.prepare(grammar)
        self._grammar = grammar

    def ready(self) -> None:
        """Wait until the second has loaded. Raises EquipmentError where it cannot."""
        self._second.result()

    def hear(self, samples: Samples) -> Recognised:
        """Recognise one utterance."""
        phrases = self.phrases(samples)
        if not phrases:
            return Recognised("", 0.0, listener=self.name)
        best, *rest = sorted(phrases, key=lambda phrase: -phrase.confidence)
        return Recognised(
            text=best.text,
            confidence=best.confidence,
            alternatives=tuple(phrase.text for phrase in rest),
            listener=self.name,
        )

    def phrases(self, samples: Samples) -> list[Phrase]:
        """The phrases in question, one of each meaning."""
        assert self._grammar is not None, "prepare() must come before hear()"
        started = Event()
        writing = self._work.submit(lambda: self._second.result().transcribe(samples, started))
        # The first holds the interpreter while it decodes, so the second goes before.
        started.wait(_HEAD_START_S)
        heard, evidence = self._first.hear_with_evidence(samples)
        written, lexicon = writing.result(), self._lexicon.result()
        phones = heard_phones(written.text, lexicon)
        snapped = snap(phones, self._grammar, lexicon, rivals=_RIVALS)
        groups = _by_meaning(_texts(heard, snapped), self._grammar)
        likely = _likely(groups, written)
        found = []
        for number, group in enumerate(groups):
            others = max((v for n, v in enumerate(likely) if n != number), default=-math.inf)
            first = heard.text in group
            second = snapped is not None and snapped.text in group
            unlike = min(_apart(text, phones, lexicon) for text in group)
            if second and snapped is not None:
                unlike = min(unlike, snapped.distance)
            margin = max(-_MOST, min(_MOST, likely[number] - others))
            support = Support(
                first=float(first),
                next_best=float(any(text in heard.alternatives for text in group)),
                second=float(second),
                preferred=float(margin > 0),
                margin=margin,
                per_word=max(-_MOST, likely[number] / len(group[0].split())),
                unlike=unlike,
                unlike_short=10 * unlike / max(1, len(phones)),
                evidence=_of_first(evidence) if first and evidence else _NOTHING,
            )
            found.append(Phrase(group[0], support))
        return found


def _of_first(evidence: Evidence) -> tuple[float, ...]:
    return evidence.unrivalled, evidence.density, evidence.coverage, evidence.snr_db


def _texts(heard: Recognised, snapped: Snapped | None) -> list[str]:
    """What either thought of, the most likely of each first."""
    first = [heard.text, *heard.alternatives[:_NEXT_BEST]]
    second = [snapped.text, *(rival.text for rival in snapped.rivals)] if snapped else []
    return [text for text in dict.fromkeys([*first, *second]) if text]


def _by_meaning(texts: list[str], grammar: Grammar) -> list[list[str]]:
    """Texts of one meaning together; what is no whole phrase, or has two meanings and
    so is asked about anyway, stays only where it is the first of all."""
    groups: list[tuple[list[it.AnyIntent], list[str]]] = []
    for text in texts:
        meant = meanings(text, grammar)
        if len(meant) != 1 and text != texts[0]:
            continue
        for known, group in groups:
            if known == meant:
                group.append(text)
                break
        else:
            groups.append((meant, [text]))
    return [group for _, group in groups]


def _likely(groups: list[list[str]], written: Written) -> list[float]:
    """Log likelihood of each group for the second: that of its likeliest text."""
    scores = iter(written.scores([text for group in groups for text in group]))
    return [max(next(scores) for _ in group) for group in groups]


def _apart(text: str, phones: Phones, lexicon: Mapping[str, tuple[str, ...]]) -> float:
    return distance(phones_of(text, lexicon), [phones]) if phones else 1.0
