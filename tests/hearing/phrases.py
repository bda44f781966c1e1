"""What is said: phrases drawn from the grammar of every step, with their meaning.

Drawn uniformly over the steps, then over the kinds of request (60 % answer what
the step asks, the rest are spread evenly over everything else that can be said
there), then over meanings, then over ways to say them. A length is uniform over
the step's range: 40 % whole, 20 % halves, 40 % any tenth. Only what the case can
take is kept, of values, options and corrections: nobody answers a question about
a length with the name of another one.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

from assistant.canal.teeth import parse_fdi, possible_canals
from assistant.procedure.decide import decide
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.facts import suggestion
from assistant.protocol.moment import Moment
from assistant.words.grammar import Wanted
from assistant.words.recognised import Recognised
from assistant.words.understand import TYPED, understand
from hearing import halves
from hearing.halves import Half
from hearing.scenes import Scene, scenes
from hearing.templates import Fixed, Miss, grammar, sample
from hearing.voices import Recording

OWN_SHARE = 0.6
"""Share of phrases that answer what the step asks."""

UNSAID = re.compile(
    r"^(correction |correct that to |plugger |at )?is |\b(\w+) \2\b|(?<!one) second$"
)
"""What the templates allow and nobody says: "is twenty", "taper taper six", "four second"."""

_TENTHS = {"tenth", "half"}
TRIES = 400
NO_HEARD = it.Heard()


@dataclass(frozen=True)
class Phrase:
    """One thing said at one step.

    Attributes:
        scene: where.
        group: ``value``, ``option``, ``correction``, ``command``, ``skip``,
            ``switch`` or ``who``.
        text: the words.
        meaning: the intent of the words heard perfectly, without how it was heard.
        recording: a file in which somebody says it, or None.
    """

    scene: Scene
    group: str
    text: str
    meaning: it.AnyIntent
    recording: Recording | None = None

    @property
    def step(self) -> str:
        """Protocol and step, for tables."""
        return self.scene.place

    @property
    def wanted(self) -> Wanted:
        """The grammar's parameters at the step."""
        return self.scene.wanted


def bare(intent: it.AnyIntent) -> it.AnyIntent:
    """An intent without how it was heard."""
    return intent.model_copy(update={"heard": NO_HEARD})


def perfect(text: str, wanted: Wanted) -> it.AnyIntent | None:
    """The one undoubted meaning of ``text`` at a step, or None."""
    intent = understand(Recognised(text, 1.0), grammar(wanted), TYPED, channel="voice")
    if isinstance(intent, it.Unclear) or intent.heard.doubt is not None:
        return None
    return bare(intent)


def phrase_set(seed: int, count: int, half: Half = "report") -> list[Phrase]:
    """``count`` phrases; the first as many as there are scenes are of one step each.

    The same seed and half give the same phrases.
    """
    rng = random.Random(seed + halves.SEED_OFFSET[half])
    return [draw(scene, rng) for scene in islice(_rounds(rng), count)]


def _rounds(rng: random.Random) -> Iterator[Scene]:
    """Every scene once in a random order, and so on without end."""
    while True:
        round_ = list(scenes())
        rng.shuffle(round_)
        yield from round_


def draw(scene: Scene, rng: random.Random) -> Phrase:
    """One phrase for a scene."""
    groups = _groups(scene)
    own, others = _own(scene, groups), _others(scene, groups)
    for _ in range(TRIES):
        if own and (not others or rng.random() < OWN_SHARE):
            name = rng.choice(own)
        else:
            name = rng.choice(others[rng.choice(sorted(others))])
        phrase = _say(scene, name, rng)
        if phrase is not None:
            return phrase
    raise AssertionError(f"nothing to say at {scene.place}")


def for_recordings(found: list[Recording], rng: random.Random) -> Iterator[Phrase]:
    """Each recording at some step where its words have one meaning that is taken."""
    for recording in found:
        for scene in islice(_rounds(rng), len(scenes())):
            meaning = perfect(recording.text, scene.wanted)
            if meaning is not None and _taken(scene, meaning):
                yield Phrase(scene, _group_of(meaning), recording.text, meaning, recording)
                break


def _groups(scene: Scene) -> dict[str, list[str]]:
    """Names of the grammar's intents by their first word."""
    groups: dict[str, list[str]] = {}
    for name in dict.fromkeys(end.intent for end, _ in grammar(scene.wanted).sentences):
        groups.setdefault(name.partition(" ")[0], []).append(name)
    return groups


def _own(scene: Scene, groups: dict[str, list[str]]) -> list[str]:
    """Names that answer the step."""
    if scene.state.timer is not None:
        return ["command stop"]
    expect = scene.step.expect
    names = [*groups.get("given", ())]
    names += [f"option {o.id}" for o in scene.step.options]
    offered = getattr(expect, "suggest", None)
    if offered and suggestion(scene.state, scene.state.active, offered) is not None:
        names.append("command confirm")
    match expect.kind:
        case "done":
            names += ["command next", "option yes"]
        case "timed":
            verb = "heat_on" if expect.mode == "until_off" else "press"
            names = [f"command {verb}", f"command {verb}", *names]
        case "sign":
            names.append("command sign")
    return names


def _others(scene: Scene, groups: dict[str, list[str]]) -> dict[str, list[str]]:
    if scene.state.timer is not None:
        queries = ("repeat", "where", "how_long", "what_is_left")
        return {"command": [f"command {verb}" for verb in queries]}
    own = set(_own(scene, groups))
    left = {g: [n for n in names if n not in own] for g, names in groups.items()}
    return {group: names for group, names in left.items() if names}


def _say(scene: Scene, name: str, rng: random.Random) -> Phrase | None:
    """A way to say one intent; None if none was found in a few tries."""
    blocks = [said for end, said in grammar(scene.wanted).sentences if end.intent == name]
    fixed = _values(scene, name, rng)
    target = _target(name, fixed)
    for _ in range(60):
        template = rng.choice(rng.choice(blocks))
        used: set[str] = set()
        try:
            text = sample(template, scene.wanted, fixed, used, rng)
        except Miss:
            continue
        if (fixed.get("tenth") and not used & _TENTHS) or UNSAID.search(text):
            continue
        meaning = perfect(text, scene.wanted)
        if meaning is None or not _meant(meaning, name, target) or not _taken(scene, meaning):
            continue
        return Phrase(scene, _group_of(meaning), text, meaning)
    return None


def _values(scene: Scene, name: str, rng: random.Random) -> Fixed:
    """What the lists of a template must take, so that values are uniform."""
    kind = name.partition(" ")[2]
    match kind:
        case "mm" | "s":
            low, high = scene.wanted.low, scene.wanted.high
            if kind == "s":
                low, high = 1.0, 10.0
            elif name.startswith("correction"):
                low, high = _corrected_range(scene)
            tenths = rng.randint(round(10 * low), round(10 * high))
            shape = rng.random()
            if shape < 0.4:
                tenths = 10 * min(round(tenths / 10), int(high))
            elif shape < 0.6:
                tenths = min(tenths // 10 * 10 + 5, round(10 * high))
            whole, tenth = divmod(tenths, 10)
            return {"whole": whole, "whole_any": whole, "tenth": tenth, "half": tenth}
        case "canals" if name.startswith("given") and scene.state.tooth:
            canals = sorted(possible_canals(parse_fdi(scene.state.tooth)))
            return {"canal": tuple(canals)}
        case "size" | "taper" | "tooth":
            values = sorted({item.means for item in grammar(scene.wanted).lists[kind]})
            value = rng.choice(values)
            return {kind: value, "taper_teen": value, "size_also": value}
    return {}


def _corrected_range(scene: Scene) -> tuple[float, float]:
    """Range of the newest length on record, which a bare correction replaces."""
    for entry in reversed(tuple(scene.state.standing(scene.state.active))):
        expect = scene.state.protocol.by_id[entry.step].expect
        if expect.kind in {"measure", "readings"}:
            return getattr(expect, "min_mm", 0.0), getattr(expect, "max_mm", 35.0)
    return 0.0, 35.0


def _target(name: str, fixed: Fixed) -> object:
    kind = name.partition(" ")[2]
    if kind in {"mm", "s"}:
        return (10 * int(str(fixed["whole"])) + int(str(fixed["tenth"]))) / 10
    return fixed.get(kind)


def _meant(meaning: it.AnyIntent, name: str, target: object) -> bool:
    """Whether a text has come out as the intent it was drawn for."""
    if _name_of(meaning) != name.partition(" ")[0]:
        return False
    return target is None or getattr(meaning, "value", None) == target


def _taken(scene: Scene, meaning: it.AnyIntent) -> bool:
    """Whether the case takes it; commands may be said in vain."""
    if not isinstance(meaning, it.Given | it.Correction | it.Chosen | it.AsPlanned):
        return True
    now = scene.state.opened
    later = Moment(wall=now.wall, mono_s=now.mono_s + 10_000)
    return not any(
        isinstance(e, ev.Refused) for e in decide(scene.state, meaning, later).events
    )


def _name_of(meaning: it.AnyIntent) -> str:
    match meaning:
        case it.Given():
            return "given"
        case it.Correction():
            return "correction"
        case it.Chosen():
            return "option"
        case it.AsPlanned():
            return "planned"
        case it.Skip():
            return "skip"
        case it.SwitchCanal():
            return "switch"
        case it.WhoSpeaks():
            return "who"
    return "command"


def _group_of(meaning: it.AnyIntent) -> str:
    return "value" if isinstance(meaning, it.Given) else _name_of(meaning)
