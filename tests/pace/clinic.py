"""A simulated clinic: seeded operators, a virtual clock, whole cases in typed words.

Every case is invented. The operator hears the assistant out, reacts after a time drawn
for a person (lognormal, median 0.6 s, chosen here) and speaks at 2.6 words a second
(chosen here). "Press" is said over the prompt, as an earpiece lets it be, and the depths
while the press runs; how long the hands take is not simulated. What the assistant says is
timed by its own voice, or without one at 2.6 words a second too. Nothing is misheard
here: how well it hears is another campaign's.

    python tests/pace/clinic.py --cases 200 --seed 1 --results
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import results

from assistant.case.prepared import parse_set_up
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.procedure.decide import decide
from assistant.procedure.reach import ahead
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.apply import opened
from assistant.progress.state import CaseState
from assistant.prompt.voice import Pyttsx3Voice
from assistant.prompt.wording import respond
from assistant.protocol.model import Protocol, Step
from assistant.protocol.moment import Moment
from assistant.sitting import assembly
from assistant.sound.samples import RATE_HZ
from assistant.words.expected import wanted_now
from assistant.words.grammar import Grammar, Wanted
from assistant.words.sayings import load_wording
from assistant.words.understand import understand_typed

PROTOCOL = load_yaml(protocol_path("warm-vertical"), Protocol)
WORDS = assembly.language()
WORDING = load_wording(WORDS.folder, WORDS.phrases)
WORDS_A_SECOND = 2.6
REACTION_S, SPREAD = 0.6, 0.35
TEETH = {
    11: ("single",),
    24: ("buccal", "palatal"),
    36: ("mesiobuccal", "mesiolingual", "distal"),
    16: ("mesiobuccal", "second mesiobuccal", "distobuccal", "palatal"),
}
CYCLES = INCREMENTS = 3
LONGEST = 2000


@dataclass(frozen=True)
class Canal:
    """What an operator will measure in one canal, mm."""

    wl: float
    size: int

    @property
    def depths(self) -> tuple[tuple[float, float], ...]:
        """Carrier and plugger of each cycle; the last is at the limit."""
        limit = self.wl - 5
        return (13.0, 12.5), (limit - 1, limit - 1.5), (limit, limit)

    @property
    def increments(self) -> tuple[float, ...]:
        """Up to the coronal level of 9."""
        left = self.wl - 5 - 9
        first = min(2.5, left / 3)
        rest = round((left - first) / 2, 1)
        return round(first, 1), rest, round(left - round(first, 1) - rest, 1)


@dataclass
class Counted:
    """One case in figures."""

    tooth: int
    canals: int
    said: int = 0
    set_up: int = 0
    operator_s: float = 0.0
    assistant_s: float = 0.0
    dialogue_s: float = 0.0
    confirmations: int = 0
    wrong_values: int = 0
    wrong_canal: int = 0
    to_press_s: list[float] = field(default_factory=list)


class Sitting:
    """One simulated case."""

    def __init__(self, seed: int, tooth: int, *, in_sentences: bool) -> None:
        self.rng = random.Random(seed)
        self.in_sentences = in_sentences
        self.names = TEETH[tooth]
        self.plan = {
            name: Canal(
                self.rng.choice((20.5, 21.0, 21.5, 22.0)), self.rng.choice((25, 30, 35))
            )
            for name in self.names
        }
        self.now_s, self.quiet_s = 0.0, 0.0
        self.heat_off_s: float | None = None
        self.count = Counted(tooth, len(self.names))
        first = ev.CaseOpened(
            at=self.moment(),
            case_code="clinic",
            operator="Operator A",
            demo=True,
            program="clinic",
            protocol=PROTOCOL,
        )
        self.state: CaseState = opened(first)

    def moment(self) -> Moment:
        wall = datetime.fromtimestamp(1e9 + self.now_s, UTC)
        return Moment(wall=wall, mono_s=self.now_s)

    def take(self, intent: it.AnyIntent) -> None:
        decided = decide(self.state, intent, self.moment())
        self.state = decided.state
        for event in decided.events:
            if isinstance(event, ev.ConfirmAsked) and event.pending.quantity != "signature":
                self.count.confirmations += 1
            if isinstance(event, ev.TimerStarted) and event.timer.mode == "hold":
                if self.heat_off_s is not None:
                    self.count.to_press_s.append(self.now_s - self.heat_off_s)
                self.heat_off_s = None
            if isinstance(event, ev.TimerStarted):
                self.quiet_s = self.now_s  # a question that was answered is cut short
        for prompt in respond(decided.events, self.state, WORDING):
            spoken_s = seconds(prompt.text if prompt.spoken is None else prompt.spoken)
            self.count.assistant_s += spoken_s
            self.quiet_s = max(self.quiet_s, self.now_s) + spoken_s

    def say(self, line: str, *, during: bool = False, over: bool = False) -> None:
        """The operator speaks once the assistant is quiet, or, of the heat, over it."""
        if not during:
            react = self.rng.lognormvariate(0.0, SPREAD) * REACTION_S
            self.now_s = (self.now_s if over else max(self.now_s, self.quiet_s)) + react
        spoken_s = len(line.split()) / WORDS_A_SECOND
        self.now_s += spoken_s
        self.count.said += 1
        self.count.operator_s += spoken_s
        intent = understand_typed(line, _grammar(wanted_now(self.state)))
        assert not isinstance(intent, it.Unclear), (line, self.state.here, intent)
        self.take(intent)

    def run(self) -> Counted:
        if self.in_sentences:
            self.take(parse_set_up(self.set_up(), PROTOCOL, "set-up").intent(PROTOCOL))
        else:
            self.say(f"tooth {' '.join(str(self.count.tooth))}")
            self.say(" and ".join(self.names) if len(self.names) > 1 else "single canal")
        while self.state.signed is None and self.count.said < LONGEST:
            if self.state.pending is not None:
                self.say("confirm")
            elif self.state.timer is not None:
                self.wait()
            else:
                # A press waits for nobody: it is said over the prompt after the heat.
                self.say(self.line(), over=self.heat_off_s is not None)
            if self.state.step and self.state.step.id == "shaped" and not self.count.set_up:
                self.count.set_up = self.count.said
        assert self.state.signed is not None, self.state.here
        self.count.dialogue_s = max(self.now_s, self.quiet_s)
        self.judge()
        return self.count

    def set_up(self) -> str:
        lines = [f"tooth: {self.count.tooth}", "every_canal: {taper: 0.06, post_planned: no,"]
        lines += ["  reference_point: cusp_tip, coronal_level_mm: 9}", "canals:"]
        for name, canal in self.plan.items():
            lines.append(
                f"  {name}: {{working_length_mm: {canal.wl}, apical_size: {canal.size}}}"
            )
        return "\n".join(lines)

    def wait(self) -> None:
        """What is told while a press runs, and its end; the heat goes off after one or two
        seconds."""
        timer = self.state.timer
        assert timer is not None
        if timer.mode == "hold":
            if told := self.beside():
                self.say(told, over=True)
            self.now_s = max(self.now_s, timer.started.mono_s + timer.target_s + 0.01)
            self.take(it.Tick())
        else:
            self.now_s = timer.started.mono_s + self.rng.uniform(1.2, 2.2)
            self.quiet_s = self.now_s
            self.say("heat off", during=True)
            self.heat_off_s = self.now_s

    def line(self) -> str:
        """What answers now: as many steps as a person would say in one breath."""
        step = self.state.step
        assert step is not None
        if not self.in_sentences or step.expect.kind == "timed":
            return self.alone(step)
        steps = ahead(self.state)
        names = [one.id for one in steps]
        canal = self.plan.get(self.state.active)
        match names:
            case ["dam", *_]:
                return "all yes"
            case ["cone_size", "cone_taper", "cone_length", "tugback", *_] if canal:
                return f"cone size {canal.size} oh six length {canal.wl + 0.5} tugback"
            case ["plugger_coronal", *_] if canal:
                limit = canal.wl - 5
                return f"pluggers 9 12.5 {limit} carrier {limit}"
            case ["dry", "paper_point", "paper_point", "paper_point", *_] if canal:
                return f"dry three points at {canal.wl}"
            case ["tugback_again", *_]:
                return "tugback coat complete seated sear 9"
            case ["heat_depth", "plugger_depth", *_] if canal:
                return f"carrier {self.cycle()[0]} plugger {self.cycle()[1]}"
            case ["chamber", "barrier", *_]:
                return "chamber clean and barrier placed"
        return self.alone(step)

    def beside(self) -> str:
        """What is told while a press runs; one by one, nothing is."""
        names = [one.id for one in ahead(self.state)] if self.in_sentences else []
        match names:
            case ["heat_depth", "plugger_depth"]:
                return f"carrier {self.cycle()[0]} plugger {self.cycle()[1]}"
            case ["increment"]:
                return f"increment {self.increment()}"
        return ""

    def increment(self) -> float:
        return self.plan[self.state.active].increments[self.round("increment") - 1]

    def cycle(self) -> tuple[float, float]:
        return self.plan[self.state.active].depths[min(self.round("cycle"), CYCLES) - 1]

    def round(self, loop: str) -> int:
        return self.state.here.round(loop)

    def alone(self, step: Step) -> str:
        canal = self.plan.get(self.state.active)
        if canal is None:
            of_the_case = {
                "patient_risks": "none",
                "chamber": "done",
                "barrier": "done",
                "final_radiograph": "accepted",
                "sign": "sign the note",
            }
            return of_the_case.get(step.id, "yes")
        limit = canal.wl - 5
        answers: dict[str, Callable[[], str]] = {
            "working_length": lambda: f"working length {canal.wl}",
            "reference_point": lambda: "cusp tip",
            "apex_locator": lambda: f"apex locator {canal.wl}",
            "apical_size": lambda: f"size {canal.size}",
            "taper": lambda: "taper point oh six",
            "post": lambda: "no",
            "coronal_level": lambda: "coronal level 9",
            "cone_size": lambda: f"cone size {canal.size}",
            "cone_taper": lambda: "cone taper point oh six",
            "cone_length": lambda: f"cone length {canal.wl + 0.5}",
            "verification": lambda: "accepted",
            "plugger_coronal": lambda: "plugger 9",
            "plugger_middle": lambda: "plugger 12.5",
            "plugger_apical": lambda: f"plugger {limit}",
            "heat_tip_fit": lambda: f"carrier {limit}",
            "dry": lambda: "dry",
            "paper_point": lambda: f"paper point {canal.wl}",
            "final_length": lambda: "confirm",
            "cut_back": lambda: "confirm",
            "seated": lambda: "seated",
            "sear": lambda: "sear 9",
            "heat": lambda: "heat on",
            "heat_depth": lambda: f"carrier {self.cycle()[0]}",
            "plugger_depth": lambda: f"plugger {self.cycle()[1]}",
            "press": lambda: "press",
            "downpack_radiograph": lambda: "none",
            "increment": lambda: f"increment {self.increment()}",
            "increment_press": lambda: "press",
        }
        return answers.get(step.id, lambda: "yes")()

    def judge(self) -> None:
        """Values that stand and are not those meant, and entries in another canal."""
        for name, canal in self.plan.items():
            wanted: dict[str, set[float]] = {
                "working_length_mm": {canal.wl},
                "apical_size": {canal.size},
                "cone_size": {canal.size},
                "apical_plugger_mm": {canal.wl - 5},
                "heat_depth_mm": {depth for depth, _ in canal.depths},
                "plugger_depth_mm": {depth for _, depth in canal.depths},
                "increment_mm": set(canal.increments),
            }
            for entry in self.state.standing(name):
                right = wanted.get(entry.quantity)
                self.count.wrong_values += (
                    right is not None
                    and not isinstance(entry.value, str | tuple)
                    and entry.value not in right
                )
            for quantity in wanted:
                found = [e for e in self.state.standing(name) if e.quantity == quantity]
                self.count.wrong_canal += not found


@cache
def _grammar(wanted: Wanted) -> Grammar:
    grammar = Grammar(WORDS, wanted)
    assert grammar.graph.arcs
    return grammar


@cache
def _voice() -> Pyttsx3Voice | None:
    try:
        voice = Pyttsx3Voice()
        voice.render("Ready.")
    except Exception:
        return None
    return voice


@cache
def seconds(text: str) -> float:
    """How long the assistant takes to say this."""
    if not text:
        return 0.0
    voice = _voice()
    if voice is None:
        return len(text.split()) / WORDS_A_SECOND
    return len(voice.render(text)) / RATE_HZ


def clinic(cases: int, seed: int, *, in_sentences: bool) -> Iterator[Counted]:
    """So many cases, the teeth in turn."""
    teeth = list(TEETH)
    for number in range(cases):
        tooth = teeth[number % len(teeth)]
        yield Sitting(seed * 100_000 + number, tooth, in_sentences=in_sentences).run()


def _of_median(ordered: list[float]) -> tuple[float, float]:
    """The interval of a median: the order statistics that hold it with 95 %."""
    n, wide = len(ordered), 0.98 * len(ordered) ** 0.5
    return ordered[max(0, int(n / 2 - wide))], ordered[min(n - 1, int(n / 2 + wide))]


def table(counted: list[Counted]) -> list[str]:
    """The figures, a line each, with intervals of 95 % (of a median: by its ranks)."""
    presses = sorted(s for one in counted for s in one.to_press_s)
    canals = sum(one.canals for one in counted)
    p95 = presses[int(0.95 * (len(presses) - 1))] if presses else float("nan")
    low, high = _of_median(presses)
    single = [one for one in counted if one.canals == 1]
    two = [one for one in counted if one.canals == 2]
    four = [one for one in counted if one.canals == 4]

    def mean(of: list[Counted], read: Callable[[Counted], float]) -> str:
        if len(of) < 2:
            return "-"
        values = list(map(read, of))
        wide = 1.96 * statistics.stdev(values) / len(values) ** 0.5
        return f"{statistics.mean(values):.1f} (+-{wide:.1f})"

    return [
        f"cases {len(counted)}, canals {canals}, presses after heat {len(presses)}",
        f"heat off to press: median {statistics.median(presses):.2f} s "
        f"({low:.2f} to {high:.2f}), p95 {p95:.2f} s",
        f"a one-canal case after set-up: {mean(single, lambda c: c.said - c.set_up)} said",
        f"a two-canal case: {mean(two, lambda c: c.said)} utterances, "
        f"{mean(two, lambda c: c.dialogue_s / 60)} minutes",
        f"a four-canal case: {mean(four, lambda c: c.said)} utterances",
        f"a canal: {mean(counted, lambda c: c.said / c.canals)} utterances, "
        f"{mean(counted, lambda c: (c.said - c.set_up) / c.canals)} after set-up, "
        f"operator {mean(counted, lambda c: c.operator_s / c.canals)} s, "
        f"assistant {mean(counted, lambda c: c.assistant_s / c.canals)} s",
        f"confirmations {sum(c.confirmations for c in counted)}, "
        f"wrong canal {sum(c.wrong_canal for c in counted)}, "
        f"wrong value standing {sum(c.wrong_values for c in counted)}",
    ]


def main() -> None:
    """Run the clinic from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--results", action="store_true", help=results.HELP)
    given = parser.parse_args()
    with results.kept(__file__, "The simulated clinic", wanted=given.results):
        for in_sentences in (False, True):
            counted = list(clinic(given.cases, given.seed, in_sentences=in_sentences))
            print("Prepared, several answers in a sentence:" if in_sentences else "One by one:")
            print()
            print("\n".join(f"- {line}" for line in table(counted)))
            print()


if __name__ == "__main__":
    main()
