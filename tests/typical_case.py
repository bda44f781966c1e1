"""Cases driven to where a test wants them, through ``decide`` and ``apply`` alone.

Everything in them is invented. The whole cases below are made once: do not drive
them on.
"""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from functools import cache
from pathlib import Path

from assistant.files.yamlfile import load_yaml
from assistant.procedure.decide import decide
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.apply import apply, opened
from assistant.progress.state import CaseState
from assistant.protocol.model import Protocol
from assistant.protocol.moment import Moment

PROTOCOL = load_yaml(Path(__file__).parents[1] / "protocols" / "warm-vertical.yaml", Protocol)
START = datetime(2026, 3, 9, 14, 5, 0, tzinfo=timezone(timedelta(hours=2)))
HEAD = "0123456789abcdef" * 4
"""Stands for the head hash of a journal."""


class Driver:
    """Gives intents to a case and keeps its clock."""

    def __init__(
        self,
        operator: str = "Operator A",
        *,
        demo: bool = False,
        code: str = "case-7",
        read_out: bool = True,
        protocol: Protocol = PROTOCOL,
    ) -> None:
        self.elapsed_s = 0.0
        self.read_out = read_out
        self.events: list[ev.AnyEvent] = [
            ev.CaseOpened(
                at=self.now(),
                case_code=code,
                operator=operator,
                demo=demo,
                program="test",
                protocol=protocol,
            )
        ]
        first = self.events[0]
        assert isinstance(first, ev.CaseOpened)
        self.state: CaseState = opened(first)

    def now(self) -> Moment:
        return Moment(wall=START + timedelta(seconds=self.elapsed_s), mono_s=self.elapsed_s)

    def do(self, intent: it.AnyIntent, after_s: float = 1.0) -> None:
        self.elapsed_s = round(self.elapsed_s + after_s, 3)
        for event in decide(self.state, intent, self.now()).events:
            self.events.append(event)
            self.state = apply(self.state, event)
            if self.read_out and isinstance(event, ev.EntryMade):
                self.do(it.ReadOut(seq=event.entry.seq), 0.0)

    def say(self, kind: it.ValueKind, value: it.Scalar, text: str | None = None) -> None:
        heard = it.Heard(text=text or f"{value}", confidence=0.9, channel="voice")
        self.do(it.Given(kind=kind, value=value, heard=heard))

    def mm(self, *values: float) -> None:
        for value in values:
            self.say("mm", value)

    def correct(
        self, kind: it.ValueKind, value: it.Scalar, quantity: str | None = None
    ) -> None:
        heard = it.Heard(text=f"correction {value}", confidence=0.9, channel="voice")
        self.do(it.Correction(kind=kind, value=value, quantity=quantity, heard=heard))

    def choose(self, *options: str) -> None:
        for option in options:
            heard = it.Heard(text=option.replace("_", " "), confidence=0.9, channel="voice")
            self.do(it.Chosen(option=option, heard=heard))

    def command(self, *verbs: it.Verb, after_s: float = 1.0) -> None:
        for verb in verbs:
            heard = it.Heard(text=verb, confidence=0.9, channel="voice")
            self.do(it.Command(verb=verb, heard=heard), after_s)

    def heat(self, seconds: float) -> None:
        self.command("start")
        self.command("stop", after_s=seconds)

    def press(self) -> None:
        self.command("start")
        self.wait_out()

    def wait_out(self) -> None:
        """Until the running hold has ended by itself, as long as it is."""
        timer = self.state.timer
        assert timer is not None
        self.do(it.Tick(), timer.target_s + 0.2)

    def press_cut_short(self, seconds: float) -> None:
        self.command("start")
        self.command("stop", after_s=seconds)

    def skip(self, reason: str) -> None:
        heard = it.Heard(text=f"skip, {reason}", confidence=0.9, channel="voice")
        self.do(it.Skip(reason=reason, heard=heard))

    # -- whole stretches ----------------------------------------------------

    def set_up(self, tooth: int, *canals: str) -> Driver:
        self.say("tooth", tooth)
        self.say("canals", canals)
        self.choose("yes", "yes", "yes", "none_known")
        return self

    def canal_to_pluggers(
        self, wl: float, post: str = "no", locator: float | None = None
    ) -> None:
        self.mm(wl)
        self.choose("buccal_cusp")
        self.mm(wl if locator is None else locator)
        self.say("size", 30)
        self.say("taper", 0.06)
        self.choose(post)
        self.mm(10.0)
        self.choose("yes")
        self.cone(wl + 0.5)
        self.choose("yes", "accepted")
        self.mm(10.0, 13.0, wl - 5, wl - 5)

    def cone(self, length: float) -> None:
        self.say("size", 30)
        self.say("taper", 0.06)
        self.mm(length)

    def canal_to_sear(self, wl: float) -> None:
        """Paper points 0.1 mm longer than ``wl``, which becomes the final length."""
        self.choose("dry")
        self.mm(wl, wl + 0.2, round(wl + 0.1, 1))
        self.command("confirm", "confirm")
        self.choose("yes", "yes")
        self.command("next")
        self.mm(10.0)

    def downpack(self, wl: float) -> None:
        """Two cycles; in the second the carrier is said 1 mm too deep, then corrected."""
        self.heat(3.0)
        self.press()
        self.mm(13.5, 13.5)
        self.heat(3.2)
        self.press()
        self.mm(wl - 4.0)
        self.correct("mm", wl - 5.0)
        self.mm(wl - 5.0)
        self.choose("none")

    def backfill(self, *increments_mm: float) -> None:
        """Each increment's press is first cut short at 3.1 s."""
        for length in increments_mm:
            self.press_cut_short(3.1)
            self.press()
            self.mm(length)
        self.choose("yes")

    def canal(self, wl: float, *increments_mm: float) -> None:
        self.canal_to_pluggers(wl)
        self.canal_to_sear(wl)
        self.downpack(wl)
        self.backfill(*increments_mm)

    def finish(self) -> Driver:
        self.command("next", "next")
        self.choose("accepted")
        self.command("sign", "confirm")
        assert self.state.signed is not None
        return self


@cache
def two_canals(operator: str = "Operator A", *, demo: bool = False) -> Driver:
    """An upper first premolar, both canals filled, signed."""
    case = Driver(operator, demo=demo).set_up(24, "buccal", "palatal")
    case.canal(21.0, 2.5, 3.0)
    case.canal(20.5, 2.5, 2.5)
    return case.finish()


@cache
def molar() -> Driver:
    """A lower first molar with three canals, signed."""
    case = Driver().set_up(46, "mesiobuccal", "mesiolingual", "distal")
    for _ in range(3):
        case.canal(20.0, 2.5, 2.5)
    return case.finish()


@cache
def barely_started() -> Driver:
    """Tooth and canals named, one length given, a second one not understood."""
    case = Driver().set_up(11, "single")
    case.mm(22.5)
    unclear = it.Heard(text="plugger seven", confidence=0.3, channel="voice")
    case.do(it.Unclear(reason="not_understood", heard=unclear))
    return case


@cache
def many_warnings(count: int = 20) -> Driver:
    """One canal; a plugger said too deep until ``count`` warnings are on record."""
    case = Driver().set_up(11, "single")
    case.mm(22.0)
    case.choose("incisal_edge", "no_reading")
    case.say("size", 30)
    case.say("taper", 0.04)  # too little taper: a caution
    case.choose("no")
    case.mm(8.0)
    case.choose("yes")
    case.cone(22.5)
    case.choose("yes", "accepted")
    while len(case.state.warnings) < count:
        case.mm(17.5 + 0.1 * len(case.state.warnings))
    return case
