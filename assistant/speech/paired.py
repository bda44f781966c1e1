"""Two recognisers that must agree.

The first is held to the step's grammar and can be forced onto a phrase; the second
writes what it hears and cannot. What the second wrote is compared by sound with what
the first recognised and with the phrase of the grammar that it is most like
(:mod:`.snap`). How surely either phrase is what was said is a logistic function of
that and of the first one's evidence, fitted by ``tests/hearing/calibrate.py``. Where
the two mean different things, the result never has the confidence to be stored
without a question (:data:`DISAGREED`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import astuple, dataclass

from assistant.procedure import intents as it
from assistant.speech.evidence import Evidence
from assistant.speech.fusion import BIAS, WEIGHTS
from assistant.speech.grammar import Grammar
from assistant.speech.listeners import Heard, Samples, StepGrammar
from assistant.speech.pocketsphinx_listener import PocketsphinxListener
from assistant.speech.snap import heard_phones, snap
from assistant.speech.soundalike import Phones, dictionary, distance, phones_of
from assistant.speech.transcriber import Transcriber
from assistant.speech.understand import meanings

DISAGREED = 0.5
"""Most confidence of a phrase that only one of the two heard."""


@dataclass(frozen=True, slots=True)
class Case:
    """What speaks for one phrase.

    Attributes:
        agreed: both mean this.
        first_only: the first recognised it, the second means something else.
        rival: it is what the second means, and among the first's next best.
        second_only: it is what the second means and the first never thought of.
        unlike: distance by sound from what the second wrote, 0 to 1.
        unlike_short: the same, over the number of phones: a short word can come
            near by chance.
        evidence: of the first one's hit; zeros where the phrase is not its hit.
    """

    agreed: float
    first_only: float
    rival: float
    second_only: float
    unlike: float
    unlike_short: float
    evidence: tuple[float, ...]

    def features(self) -> tuple[float, ...]:
        """As the logistic function takes them."""
        *own, evidence = astuple(self)
        return (*own, *evidence)


@dataclass(frozen=True, slots=True)
class Phrase:
    """A phrase that may have been said, with what speaks for it."""

    text: str
    case: Case

    @property
    def confidence(self) -> float:
        """0 to 1; under :data:`DISAGREED` where only one heard it."""
        score = BIAS + sum(w * x for w, x in zip(WEIGHTS, self.case.features(), strict=True))
        sure = 1.0 / (1.0 + math.exp(-max(-50.0, min(50.0, score))))
        return sure if self.case.agreed else min(sure, DISAGREED)


_NOTHING = (0.0,) * len(Evidence.__dataclass_fields__)


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
            TypeError: it is no :class:`~.grammar.Grammar`, whose meanings are needed here.
        """
        if not isinstance(grammar, Grammar):
            raise TypeError("a paired listener needs the meanings of a Grammar")
        self._first.prepare(grammar)
        self._grammar = grammar

    def ready(self) -> None:
        """Wait until the second has loaded. Raises EquipmentError where it cannot."""
        self._second.result()

    def hear(self, samples: Samples) -> Heard:
        """Recognise one utterance."""
        phrases, others = self.phrases(samples)
        if not phrases:
            return Heard("", 0.0, listener=self.name)
        best, *rest = sorted(phrases, key=lambda phrase: -phrase.confidence)
        alternatives = dict.fromkeys([*(phrase.text for phrase in rest), *others])
        return Heard(
            text=best.text,
            confidence=best.confidence,
            alternatives=tuple(text for text in alternatives if text != best.text),
            listener=self.name,
        )

    def phrases(self, samples: Samples) -> tuple[list[Phrase], tuple[str, ...]]:
        """The phrases in question, and the first one's next best (for calibration)."""
        assert self._grammar is not None, "prepare() must come before hear()"
        written = self._work.submit(lambda: self._second.result().transcribe(samples))
        heard, evidence = self._first.hear_with_evidence(samples)
        free = written.result()
        grammar, lexicon = self._grammar, self._lexicon.result()
        phones = heard_phones(free, lexicon)
        snapped = snap(phones, grammar, lexicon) if phones else None
        first = heard.text
        second = snapped.text if snapped else ""
        meant = meanings(second, grammar) if second else []
        if first and _same(meanings(first, grammar), meant):
            second = ""
        agreed = bool(first and snapped and not second)
        rivals = [
            text
            for text in heard.alternatives
            if second and _same(meanings(text, grammar), meant)
        ]
        found = []
        if first:
            apart = _apart(first, phones, lexicon)
            if agreed and snapped:
                apart = min(apart, snapped.distance)
            found.append(
                Phrase(first, _case(agreed, not agreed, False, False, apart, phones, evidence))
            )
        if second and snapped:
            case = _case(False, False, bool(rivals), not rivals, snapped.distance, phones, None)
            found.append(Phrase(second, case))
        return found, heard.alternatives


def _case(
    agreed: bool,
    first_only: bool,
    rival: bool,
    second_only: bool,
    unlike: float,
    phones: Phones,
    evidence: Evidence | None,
) -> Case:
    return Case(
        float(agreed),
        float(first_only),
        float(rival),
        float(second_only),
        unlike,
        unlike / max(1, len(phones)) * 10,
        astuple(evidence) if evidence else _NOTHING,
    )


def _apart(text: str, phones: Phones, lexicon: Mapping[str, tuple[str, ...]]) -> float:
    return distance(phones_of(text, lexicon), [phones]) if phones else 1.0


def _same(one: list[it.AnyIntent], other: list[it.AnyIntent]) -> bool:
    return bool(one) and one == other
