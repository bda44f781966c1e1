"""No rule that is shipped is dead: sentences of the dialogue trip each of them, for every
quantity and step it names, and do not while the value is exactly at its limit.

The rules come from the protocol files; how a check is tripped stands in ``SCENES``. A rule
whose check has no scene fails.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from functools import cache

import pytest
from fuzz.watched import PROTOCOLS, pluggers, polite, protocol
from typed_case import TypedCase

from assistant.canal import lengths
from assistant.canal.teeth import Canal, parse_fdi, plausible_length_mm, possible_canals
from assistant.files.shipped import data_folder
from assistant.progress import events as ev
from assistant.progress import facts, heat_reckoning, reckoning
from assistant.progress import intents as it
from assistant.protocol.expect import Timed
from assistant.protocol.model import Step
from assistant.protocol.own_instruments import CarrierLine, PluggerFile
from assistant.protocol.roles import Role
from assistant.protocol.rule import CheckName, Rule
from assistant.sitting.rehearsal import Line
from assistant.words.grammar import Language, load_language
from assistant.words.sayable import sayable
from assistant.words.sayings import Wording, load_wording, value_phrase

SKIP = "skip not needed"
OWN = pluggers().model_copy(update={"carrier": CarrierLine(setting_c=150.0)})
"""Invented pluggers, with a carrier of which the practice told how hot it is."""


@cache
def words() -> tuple[Language, Wording]:
    folder = data_folder("grammars") / "en"
    return load_language(folder), load_wording(folder)


class Told(TypedCase):
    """A case that is told in sentences, by somebody polite but for ``instead``: quantities,
    and what is said where they are asked for."""

    def __init__(
        self,
        name: str,
        instead: Mapping[str, str] | None = None,
        own: PluggerFile | None = None,
    ) -> None:
        super().__init__(protocol(name), *words())
        self.state = self.state.model_copy(update={"instruments": own})
        self.instead, self.mark = instead or {}, 0

    @property
    def step(self) -> Step:
        assert self.state.step is not None
        return self.state.step

    def reach(self, where: str, round_: int = 1) -> None:
        """Answer until a quantity, or a step, is asked for, in the round wanted; what is
        asked about a finding, once that is said."""
        for finding in self.state.protocol.findings:
            if where in {step.expect.quantity for step in finding.steps}:
                self.reach("dryness")
                self.found(finding.id)
        for _ in range(150):
            here = self.state.step
            names = {here.id, here.expect.quantity} if here else set()
            if here and where in names and self.state.here.round(here.loop) >= round_:
                self.mark = len(self.events)
                return
            self.answer()
        raise AssertionError(f"{where}, round {round_}, is never asked for")

    def found(self, finding: str) -> None:
        said = it.Finding(finding=finding)
        every = sayable(self.state, self.wording)
        self.say(next(one.text for one in every if one.intent == said))

    def answer(self) -> None:
        step = self.state.step
        intent, after_s = polite(self.state)
        if (
            step
            and step.expect.quantity in self.instead
            and not self.state.open_warnings(self.state.active)
        ):
            self.say(self.instead[step.expect.quantity])
        elif isinstance(intent, it.Tick):
            self.wait(after_s)
        else:
            if intent.heard.text == "stop":
                self.elapsed_s = round(self.elapsed_s + 3.0, 3)
            self.say(self._sentence(intent))

    def _sentence(self, intent: it.AnyIntent) -> str:
        match intent:
            case it.Given(kind=kind, value=value) if not isinstance(value, tuple):
                if self.step.role in {Role.HEAT_DEPTH, Role.COMPACTION}:
                    value = self._downwards()
                return value_phrase(kind, value, "en")
            case it.Given(value=tuple(canals)):
                return " and ".join(canals)
            case it.Chosen(option=option):
                return option_phrase(option)
            case it.Command(verb="start"):
                return "heat on" if self.step.role is Role.HEAT else "press"
            case it.Command(verb=verb):
                return self.language.phrases.commands[verb][0]
            case it.SwitchCanal(canal=canal):
                return "go to the finish" if canal == "case" else f"canal {canal}"
        raise AssertionError(f"nobody says {intent!r}")

    def _downwards(self) -> float:
        """A cycle as it is planned: the carrier 3.5 mm on, the plugger to where it was."""
        top = facts.cycle_top_mm(self.state, self.state.active, self.state.here.round("cycle"))
        limit = facts.depth_limit_mm(self.state, self.state.active)
        on = 10.0 if top is None else top + 3.5
        return round(on if limit is None else min(on, limit), 1)

    def say(self, *sentences: str) -> None:
        for one in sentences:
            before = len(self.events)
            self.type([one])
            made = self.events[before:]
            assert made, one
            assert not any(isinstance(e, ev.NotUnderstood | ev.Refused) for e in made), (
                one,
                made,
            )

    def mm(self, value: float) -> None:
        self.say(value_phrase("mm", round(value, 1), "en"))

    def wait(self, seconds: float) -> None:
        self.elapsed_s = round(self.elapsed_s + seconds, 3)
        self._take(it.Tick())

    def timed(self, seconds: float) -> None:
        """Start the act that is asked for, and end it after so long."""
        self.say("heat on" if self.step.role is Role.HEAT else "press")
        timer = self.state.timer
        assert timer is not None
        if timer.mode == "hold" and seconds >= timer.target_s:
            return self.wait(timer.target_s)
        self.type([Line(say="stop", after_s=seconds)])
        return None

    def fired(self, rule: Rule) -> bool:
        """Whether the rule was warned or asked about since what it waits for was reached."""
        sentence = re.sub(r"\\{\w+\\}", ".*", re.escape(rule.say))
        for event in self.events[self.mark :]:
            if isinstance(event, ev.Warned) and event.warning.rule == rule.id:
                return True
            if isinstance(event, ev.ConfirmAsked) and re.search(sentence, event.pending.why):
                return True
        return False

    def limit(self, rule: Rule) -> float:
        assert rule.limit is not None
        return self.state.protocol.limit(rule.limit)

    @property
    def wl(self) -> float:
        found = facts.wl_mm(self.state, self.state.active)
        assert found is not None
        return found

    @property
    def deepest(self) -> float:
        found = facts.depth_limit_mm(self.state, self.state.active)
        assert found is not None
        return found

    @property
    def top(self) -> float:
        found = facts.fill_top_mm(self.state, self.state.active)
        assert found is not None
        return found


def option_phrase(option: str) -> str:
    phrases = words()[0].phrases.options[option][0]
    return re.sub(r"\[[^]]*\]", "", phrases).strip()


Scene = Callable[[str, Rule, str], Iterator[tuple[Told, bool]]]
"""Protocol, rule, quantity or step: cases told as far as the rule, and whether it fires."""


def lengths_at(
    at: Callable[[Told, Rule], float],
    beyond: float,
    round_: int = 1,
    instead: Mapping[str, str] | None = None,
) -> Scene:
    """A length that is asked for, exactly at its limit and a tenth beyond."""

    def scene(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
        for off in (0.0, beyond):
            case = Told(name, instead)
            case.reach(where, round_)
            case.mm(at(case, rule) + off)
            yield case, off != 0.0

    return scene


def seal_short(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    """The level under a post is asked for; one that is left is told with the removal."""
    for off in (0.0, 0.1):
        case = Told(name, WITH_POST)
        case.reach("heat_s" if where == "removed_to_mm" else where)
        depth = round(case.wl - case.limit(rule) + off, 1)
        told = value_phrase("mm", depth, "en")
        case.say(f"fill removed to {told}" if where == "removed_to_mm" else told)
        yield case, off != 0.0


def limit_unknown(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    unknown = {"working_length_mm": SKIP, "final_working_length_mm": SKIP}
    for instead in ({}, unknown):
        case = Told(name, instead)
        case.reach(where)
        case.mm(10.0)
        yield case, bool(instead)


def amounts(beyond: float, round_: int = 1) -> Scene:
    """A length, a time or a taper, exactly at its limit and a step beyond."""

    def scene(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
        for off in (0.0, beyond):
            case = Told(name)
            case.reach(where, round_)
            at = case.limit(rule)
            if isinstance(case.step.expect, Timed):
                case.timed(round(at + off, 1))
            elif case.step.expect.kind == "taper":
                case.say(value_phrase("taper", round(at + off / 10, 2), "en"))
            else:
                case.mm(at + off)
            yield case, off != 0.0

    return scene


def late(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    for off in (0.0, 0.1):
        case = Told(name)
        case.reach(where)
        case.wait(case.limit(rule) + off)
        yield case, off != 0.0


def outside_handbook(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    for end, beyond in (("low", -0.1), ("high", 0.1)):
        for off in (0.0, beyond):
            case = Told(name)
            case.reach(where)
            assert case.state.tooth is not None
            usual = plausible_length_mm(parse_fdi(case.state.tooth))
            case.mm(getattr(usual, end) + off)
            yield case, off != 0.0


def odd_canals(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    case = Told(name)
    case.reach(where)
    assert case.state.tooth is not None
    usual = possible_canals(parse_fdi(case.state.tooth))
    case.say("buccal and palatal")
    yield case, False
    case = Told(name)
    case.reach(where)
    case.say(f"buccal and {next(one for one in Canal if one not in usual)}")
    yield case, True


def option_is(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    case = Told(name)
    if where in {finding.id for finding in protocol(name).findings}:
        case.reach("dryness")
        yield case, False
        case = Told(name)
        case.reach("dryness")
        case.found(where)
        yield case, True
        return
    case.reach(where)
    offered = [option.id for option in case.step.options]
    assert set(offered) & set(rule.options)
    case.answer()
    yield case, False
    for option in offered:
        case = Told(name)
        case.reach(where)
        case.say(option_phrase(option))
        yield case, option in rule.options


def advance_outside(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    limits = protocol(name).limits
    for bound, beyond in ((rule.limit, -0.1), (rule.limit_high, 0.1)):
        assert bound is not None
        for off in (0.0, beyond):
            case = Told(name)
            case.reach(where)
            case.mm(case.top + limits.value(bound) + off)
            yield case, off != 0.0


def readings_spread(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    for off in (0.0, 0.1):
        case = Told(name)
        case.reach(where)
        case.mm(21.0)
        case.mm(21.0 + case.limit(rule) + off)
        yield case, off != 0.0


def lengths_disagree(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    """The last paper point is told after the locator, or the locator corrected after it."""
    located, count = 21.0, int(protocol(name).limits.value("readings_min"))
    for off in (0.0, 0.1):
        case = Told(name)
        apart = case.limit(rule) + off
        case.reach("apex_locator_mm")
        case.mm(located)
        if where == "apex_locator_mm":
            case.reach("final_working_length_mm")
            middle = facts.suggestion(case.state, case.state.active, "final_length")
            assert middle is not None
            told = value_phrase("mm", round(middle + apart, 1), "en")
            case.say(f"correction apex locator {told}")
            yield case, off != 0.0
            continue
        near, far = located + case.limit(rule) - 0.1, round(located + apart, 1)
        stays = [near, *[far] * (count - 2)]
        last = next(
            tenths / 10
            for tenths in range(210, 230)
            if lengths.final_length_mm([*stays, tenths / 10]).centre_mm == far
        )
        case.reach(where)
        for reading in (*stays, last):
            case.mm(reading)
        yield case, off != 0.0


def not_above(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    for off in (-0.1, 0.0):
        case = Told(name)
        case.reach(where)
        case.mm(case.wl + off)
        yield case, off == 0.0


def finish_short(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    """The loop is left by an option, or by a branch where the fill is not known."""
    within = protocol(name).limits.value("at_limit_within_mm")
    at_option = any(o.to for o in protocol(name).by_id[where].options)
    for off in (0.0, -0.1):
        case = Told(name) if at_option or not off else Told(name, {"sear_depth_mm": SKIP})
        case.reach("plugger_depth_mm")
        if at_option:
            case.mm(case.wl - case.limit(rule) - within - 0.1)
            case.reach(where, 2)
            if not off:
                reached = case.wl - case.limit(rule) - within
                case.say(f"correction plugger {value_phrase('mm', reached, 'en')}")
            case.mark = len(case.events)
            case.say("downpack done")
        elif not off:
            case.mm(case.wl - case.limit(rule) - within)
        else:
            case.say(SKIP)
        yield case, off != 0.0


def cone_misfit(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    """The most that can be cut off before no cone of this size would be held, and more."""
    case = Told(name)
    case.reach(where)
    fits = [
        cut / 10
        for cut in range(100)
        if (found := reckoning.cone(case.state, case.state.active, cut_mm=cut / 10))
        and found.verdict in {"tight", "perhaps"}
    ]
    for off in (0.0, 0.1):
        case = Told(name)
        case.reach(where)
        case.mm(max(fits) + off)
        yield case, off != 0.0


def surface_rise(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    """The longest heat in tenths after which the computed rise is within the limit."""

    def heated(tenths: int) -> Told:
        case = Told(name, own=OWN)
        case.reach("heat_s")
        case.timed(tenths / 10)
        case.reach(where)
        case.answer()
        return case

    short, long = 2, 300
    while long - short > 1:
        middle = (short + long) // 2
        short, long = (short, middle) if heated(middle).fired(rule) else (middle, long)
    for tenths in (short, long):
        case = heated(tenths)
        found = heat_reckoning.heat(case.state, case.state.active)
        assert found is not None
        assert (found.surface_rise_c.high > case.limit(rule)) is (tenths == long)
        yield case, tenths == long


def beyond_reach(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    for off in (0.0, 0.1):
        case = Told(name, {"apical_size": "twenty"}, OWN)
        case.reach(where)
        thinnest = reckoning.thinnest_binds_mm(case.state, case.state.active)
        assert thinnest is not None
        case.mm(int(thinnest[1].high * 10) / 10 + off)
        yield case, off != 0.0


def skipped(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    case = Told(name)
    case.reach("working_length")
    case.answer()
    yield case, False
    for step in protocol(name).canal[:3]:
        case = Told(name)
        case.reach(step.id)
        case.say(SKIP)
        yield case, True


def last_press(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    """The depth at its limit is told before the press or after it; and one short of it."""
    within = protocol(name).limits.value("at_limit_within_mm")
    for off, above in ((0.0, 0.0), (-0.1, 0.0), (-0.1, 0.1)):
        case = Told(name)
        case.reach("press_s", 2)
        deepest = facts.depth_limit_mm(case.state, case.state.active)
        assert deepest is not None
        depth = round(deepest - within - above, 1)
        if where == "press_s":
            case.say("press")
            assert case.state.timer is not None
            began = case.elapsed_s
            case.mm(depth)  # the carrier came as deep
            case.mm(depth)
            held_s = round(case.limit(rule) + off - (case.elapsed_s - began), 3)
            if off:
                case.type([Line(say="stop", after_s=held_s)])
            else:
                case.wait(held_s)
        else:
            case.timed(case.limit(rule) + off)
            mark = case.mark
            case.reach(where)
            case.mark = mark
            case.mm(depth)
        yield case, off != 0.0 and not above


WITH_POST = {"post_planned": "yes"}
SHALLOW = {"sear_depth_mm": "eight"}
"""So that there is room above the depth limit, of which other rules speak."""


def past_carrier(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    """The plugger is told last, or the carrier is corrected after it."""
    for off in (0.0, 0.1):
        case = Told(name, SHALLOW)
        case.reach("plugger_depth_mm")
        carrier = facts.number(case.state.last(case.state.active, Role.HEAT_DEPTH))
        assert carrier is not None
        last_told = where == "plugger_depth_mm"
        case.mm(carrier + case.limit(rule) + (off if last_told else 0.0))
        if not last_told:
            case.mark = len(case.events)
            case.say(f"correction carrier {value_phrase('mm', round(carrier - off, 1), 'en')}")
        yield case, off != 0.0


def out_of_order(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    """Somebody polite has the coronal and the middle plugger at the same depth."""
    for off in (0.0, 0.1):
        case = Told(name)
        case.reach(where)
        if where != "coronal_plugger_mm":
            case.mm(10.0 - off)
        else:
            case.reach("apical_plugger_mm")
            case.say(f"correction coronal plugger {value_phrase('mm', 10.0 + off, 'en')}")
        yield case, off != 0.0


def level_off(name: str, rule: Rule, where: str) -> Iterator[tuple[Told, bool]]:
    for off in (0.0, 0.1):
        case = Told(name)
        case.reach(where)
        planned = round(case.top - case.limit(rule) - off, 1)
        case.say(f"correction coronal level {value_phrase('mm', planned, 'en')}")
        case.mark = len(case.events)
        case.say("yes" if where == "level_reached" else "level reached")
        yield case, off != 0.0


SCENES: dict[CheckName, Scene] = {
    "deeper_than_limit": lengths_at(lambda case, rule: case.wl - case.limit(rule), 0.1),
    "limit_unknown": limit_unknown,
    "below": amounts(-0.1),
    "above": amounts(0.1),
    "first_round_above": amounts(0.1),
    "first_round_below": amounts(-0.1),
    "last_press_below": last_press,
    "later_round_above": amounts(0.1, 2),
    "late": late,
    "short_of_wl": lengths_at(lambda case, rule: case.wl - case.limit(rule), -0.1),
    "beyond_wl": lengths_at(lambda case, rule: case.wl + case.limit(rule), 0.1),
    "outside_handbook": outside_handbook,
    "odd_canals": odd_canals,
    "option_is": option_is,
    "advance_outside": advance_outside,
    "readings_spread": readings_spread,
    "differs_from_paper_points": lengths_disagree,
    "seal_below": seal_short,
    "not_shallower_than": not_above,
    "finish_short": finish_short,
    "cone_misfit": cone_misfit,
    "surface_rise_above": surface_rise,
    "beyond_reach": beyond_reach,
    "skipped": skipped,
    "above_fill": lengths_at(lambda case, _: case.top, -0.1, instead=WITH_POST),
    "not_advanced": lengths_at(lambda case, _: case.top + 0.1, -0.1),
    "advance_above": lengths_at(
        lambda case, rule: case.top + case.limit(rule), 0.1, instead=SHALLOW
    ),
    "past_carrier": past_carrier,
    "out_of_order": out_of_order,
    "short_of_limit": lengths_at(lambda case, rule: case.deepest - case.limit(rule), -0.1),
    "past_coronal_level": lengths_at(lambda case, rule: 10.0 + case.limit(rule), 0.1),
    "level_off": level_off,
}


def places(name: str, rule: Rule) -> tuple[str, ...]:
    """What a rule is about: its quantities, or its steps. A loop is left only from the steps
    that have a way out of it."""
    if rule.check != "finish_short":
        return rule.quantities or rule.steps or ("",)
    known = protocol(name).by_id
    return tuple(one for one in rule.steps if any(_out(known, one)))


def _out(known: Mapping[str, Step], one: str) -> Iterator[str]:
    step = known[one]
    ways = [branch.to for branch in step.next]
    ways += [option.to for option in step.options if option.to]
    return (to for to in ways if to in known and known[to].loop is None)


EVERY = [
    (name, rule, where)
    for name in PROTOCOLS
    for rule in protocol(name).rules
    for where in places(name, rule)
]
NAMES = [f"{name}-{rule.id}-{where}".rstrip("-") for name, rule, where in EVERY]


@pytest.mark.parametrize(("name", "rule", "where"), EVERY, ids=NAMES)
def test_a_rule_fires_beyond_its_limit_and_not_at_it(name: str, rule: Rule, where: str) -> None:
    assert rule.check in SCENES, f"no scene trips the check {rule.check} of {rule.id}"
    told = list(SCENES[rule.check](name, rule, where))
    assert {fires for _, fires in told} == {False, True}
    for case, fires in told:
        assert case.fired(rule) is fires, (case.said[-3:], case.events[-1])


def test_every_protocol_that_is_shipped_is_tried() -> None:
    assert {path.stem for path in data_folder("protocols").glob("*.yaml")} == set(PROTOCOLS)
    shipped = {(name, rule.id) for name in PROTOCOLS for rule in protocol(name).rules}
    assert shipped == {(name, rule.id) for name, rule, _ in EVERY}
