"""Anything said, in any order, at any time: what must hold all the same.

A case is put somewhere on the road from the tooth to the signature, then
anything at all is said to it, and at the end somebody who only ever answers
what is asked must still get it signed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import cache
from typing import get_args

import pytest
from hypothesis import event, given
from hypothesis import strategies as st

from assistant.canal.teeth import length_plausible, parse_fdi
from assistant.files.shipped import data_folder
from assistant.files.yamlfile import load_yaml
from assistant.procedure.decide import decide
from assistant.progress import events as ev
from assistant.progress import intents as it
from assistant.progress.apply import apply, opened, replay
from assistant.progress.entries import Entry, Warning
from assistant.progress.facts import depth_limit_mm, suggestion, wl_mm
from assistant.progress.state import CASE, KIND_OF, CaseState
from assistant.prompt.prompts import Prompt, Urgency
from assistant.prompt.wording import respond
from assistant.protocol.conditions import Condition
from assistant.protocol.expect import Measure, Readings
from assistant.protocol.model import Protocol, Step
from assistant.protocol.moment import Moment
from assistant.words.grammar import load_language
from assistant.words.sayings import load_wording

PROTOCOLS = {
    name: load_yaml(data_folder("protocols") / f"{name}.yaml", Protocol)
    for name in ("warm-vertical", "to-post-level", "cold-lateral")
}
WORDING = load_wording(data_folder("grammars") / "en")
URGENT = load_language(data_folder("grammars") / "en").phrases.urgent
START = datetime(2026, 3, 9, 14, 5, tzinfo=UTC)

DEPTHS = {
    "coronal_plugger_mm",
    "middle_plugger_mm",
    "apical_plugger_mm",
    "heat_carrier_fit_mm",
    "sear_depth_mm",
    "heat_depth_mm",
    "plugger_depth_mm",
    "spreader_fit_mm",
    "spreader_depth_mm",
}
"""What goes down a canal and must stay short of its working length."""

SHORT_MM = {"warm-vertical": 5, "to-post-level": 5, "cold-lateral": 1}
"""By so much, in each protocol."""

# -- the depth rule, written a second time --------------------------------------


def working_length(state: CaseState, canal: str) -> float | None:
    """The final one if there is one, else the provisional; of a canal that joins another
    no more than down to there."""
    joins = state.track(canal).joins
    ends = [joins.at_mm] if joins is not None else []
    for quantity in ("final_working_length_mm", "working_length_mm"):
        for entry in reversed(state.entries):
            if (entry.track, entry.quantity, entry.standing) == (canal, quantity, "standing"):
                return min([float(str(entry.value)), *ends])
    return min(ends, default=None)


def too_deep(state: CaseState, entry: Entry) -> bool:
    if entry.standing != "standing" or entry.quantity not in DEPTHS:
        return False
    wl = working_length(state, entry.track)
    if wl is None or isinstance(entry.value, str):
        return False
    return Decimal(str(entry.value)) > deepest(state, wl)


def deepest(state: CaseState, wl: float) -> Decimal:
    return max(Decimal(0), Decimal(str(wl)) - SHORT_MM[state.protocol.id])


def limit_text(state: CaseState, canal: str) -> str:
    wl = working_length(state, canal)
    assert wl is not None
    return f"limit {float(deepest(state, wl)):g},"


def still_known(state: CaseState, warning: Warning | None, canal: str) -> bool:
    """Said under this very limit, and either unanswered or kept as said."""
    if warning is None or limit_text(state, canal) not in warning.text:
        return False
    return warning.answer in {None, "kept as said"}


def newest_warning(state: CaseState, entry: Entry) -> Warning | None:
    found = [w for w in state.warnings if w.entry == entry.seq and w.rule == "depth-limit"]
    return found[-1] if found else None


def expected_depth_warnings(before: CaseState, after: CaseState) -> list[int]:
    return [
        entry.seq
        for entry in after.entries
        if too_deep(after, entry)
        and not still_known(after, newest_warning(before, entry), entry.track)
    ]


# -- a case that is watched -----------------------------------------------------


@dataclass
class Watched:
    """A case; every intent given to it is checked against what must always hold."""

    protocol: Protocol
    state: CaseState
    log: list[ev.AnyEvent]
    mono_s: float = 0.0
    prompts: list[Prompt] = field(default_factory=list)

    @classmethod
    def begun(cls, protocol: Protocol) -> Watched:
        first = ev.CaseOpened(
            at=Moment(wall=START, mono_s=0.0),
            case_code="case-7",
            operator="Operator A",
            demo=False,
            program="test",
            protocol=protocol,
        )
        return cls(protocol, opened(first), [first])

    def copy(self) -> Watched:
        return Watched(self.protocol, self.state, list(self.log), self.mono_s)

    def now(self) -> Moment:
        return Moment(wall=START + timedelta(seconds=self.mono_s), mono_s=self.mono_s)

    def give(self, intent: it.AnyIntent, after_s: float = 1.0) -> None:
        self.mono_s += after_s
        before, now = self.state, self.now()
        events, after = decide(before, intent, now)
        self.log += events
        for one in events:
            self.state = apply(self.state, one)
        assert after == self.state
        self.prompts = respond(events, self.state, WORDING)
        self.check_depths(before, events)
        self.check_prompts(intent, events)
        self.check_record(before, intent, events)
        self.check_beside(before, intent, events)

    def give_twice(self, intent: it.AnyIntent, after_s: float) -> None:
        """As ``give``, and that deciding is repeatable and leaves no trace."""
        before = self.state
        now = Moment(wall=self.now().wall + timedelta(seconds=after_s), mono_s=self.mono_s)
        written = before.model_dump_json(exclude={"protocol"})
        assert decide(before, intent, now) == decide(before, intent, now)
        assert before.model_dump_json(exclude={"protocol"}) == written
        self.give(intent, after_s)

    def check_depths(self, before: CaseState, events: tuple[ev.AnyEvent, ...]) -> None:
        raised = [
            e.warning.entry
            for e in events
            if isinstance(e, ev.Warned)
            and e.warning.rule == "depth-limit"
            and e.warning.entry is not None
        ]
        assert sorted(raised) == expected_depth_warnings(before, self.state)
        for entry in self.state.entries:
            if too_deep(self.state, entry):
                known = newest_warning(self.state, entry)
                assert still_known(self.state, known, entry.track)
                assert known is not None
                assert known.open or known.answer == "kept as said"
        if raised:
            # Where it is in another canal than was at work, that is named first.
            canals = {f"{track.name.capitalize()}." for track in self.state.canals}
            loud = [p.text for p in self.prompts if p.urgency is Urgency.WARNING]
            assert self.prompts[0].text in loud
            assert "Depth check" in next(text for text in loud if text not in canals)

    def check_beside(
        self, before: CaseState, intent: it.AnyIntent, events: tuple[ev.AnyEvent, ...]
    ) -> None:
        """What is kept beside the steps is never lost and is no measurement; who takes over
        moves nothing, and a visit that is closed takes nothing until it is opened again."""
        for name in ("takeovers", "visits", "conditions", "dictated"):
            was, now = getattr(before, name), getattr(self.state, name)
            assert len(now) >= len(was)
            bare = [one.model_copy(update={"standing": "standing"}) for one in now[: len(was)]]
            assert [one.model_copy(update={"standing": "standing"}) for one in was] == bare
        beside = it.Remark | it.CorrectRemark | it.DropRemark | it.Note | it.TakeOver
        if isinstance(intent, beside):
            assert self.state.entries == before.entries
            assert self.state.tracks == before.tracks
        if before.resting and not isinstance(intent, it.Reopen):
            assert self.state.entries == before.entries
            assert self.state.resting or any(isinstance(e, ev.Resumed) for e in events)

    def check_prompts(self, intent: it.AnyIntent, events: tuple[ev.AnyEvent, ...]) -> None:
        if not isinstance(intent, it.Tick | it.ReadOut):
            assert events
            assert self.prompts
        if any(e.kind == "warned" and e.warning.severity == "urgent" for e in events):
            assert self.prompts[0].urgency is Urgency.WARNING
        urgencies = [prompt.urgency for prompt in self.prompts]
        assert urgencies == sorted(urgencies, reverse=True)
        never = [*URGENT.always, *(URGENT.in_timer if self.state.timer else ())]
        for prompt in self.prompts:
            for text in (prompt.text, prompt.spoken or ""):
                assert not re.search(rf"\b({'|'.join(never)})\b", text, re.IGNORECASE), text
            assert "{" not in prompt.text

    def check_record(
        self, before: CaseState, intent: it.AnyIntent, events: tuple[ev.AnyEvent, ...]
    ) -> None:
        made = [e.entry for e in events if isinstance(e, ev.EntryMade)]
        values = it.Given | it.Correction | it.Chosen | it.AsPlanned
        if isinstance(intent, values) and intent.heard.doubt:
            assert not made  # a doubtful value never enters the record at once
        if before.pending is not None and self.state.pending != before.pending:
            entered = any(entry.heard == before.pending.heard for entry in made)
            over = ev.ConfirmDropped | ev.VisitEnded
            assert entered or any(isinstance(e, over) for e in events)
        for entry in made:
            if entry.origin == "said" and entry.confirmed and before.pending is not None:
                answered = getattr(intent, "value", before.pending.value)
                assert entry.value == answered  # the one that was said, or confirmed
                assert entry.value in (before.pending.offers or (before.pending.value,))
        if before.signed is not None:
            assert self.state.entries == before.entries or not made
            assert self.state.warnings == before.warnings
        self.check_kept(before, events)
        seqs = [entry.seq for entry in self.state.entries]
        assert seqs == list(range(1, len(seqs) + 1))
        for track in self.state.tracks:
            places = [
                (e.step, e.round)
                for e in self.state.standing(track.name)
                if e.quantity != "signature"
            ]
            assert len(places) == len(set(places))  # one value stands in one place
        if self.state.signed is not None:
            assert not any(warning.open for warning in self.state.warnings)
            assert all(track.finished for track in self.state.tracks)

    def check_kept(self, before: CaseState, events: tuple[ev.AnyEvent, ...]) -> None:
        """Nothing acknowledged is lost, whatever became of it; after another tooth, every
        length in force was judged for it."""
        for was, now in zip(before.entries, self.state.entries, strict=False):
            told = ("seq", "step", "round", "value", "heard", "by", "at", "replaces")
            assert was is now or all(getattr(was, name) == getattr(now, name) for name in told)
        for name in ("warnings", "skipped", "rejected", "changes"):
            assert len(getattr(self.state, name)) >= len(getattr(before, name))
        names = {track.name for track in self.state.tracks}
        assert {entry.track for entry in self.state.entries} <= names
        changed = [e.change for e in events if isinstance(e, ev.CaseChanged)]
        if not any(change.what == "tooth" for change in changed):
            return
        assert self.state.tooth is not None
        tooth = parse_fdi(self.state.tooth)
        for track in self.state.canals:
            wl = working_length(self.state, track.name)
            if wl is not None and not length_plausible(tooth, wl):
                about = [w for w in self.state.warnings if w.rule == "length-implausible"]
                assert any(w.open and w.track == track.name for w in about)


# -- somebody who only answers what is asked ------------------------------------


def cooperative(state: CaseState) -> tuple[it.AnyIntent, float]:
    """The next thing a patient person says, and after how many seconds."""
    verb: it.Verb | None = None
    if state.paused or state.resting:
        verb = "resume"
    elif state.timer is not None:
        return (it.Tick(), 11.0) if state.timer.mode == "hold" else (_say("stop"), 3.0)
    elif state.who != "operator":
        return it.WhoSpeaks(who="operator"), 1.0
    elif state.pending is not None and state.pending.rival is not None:
        assert state.pending.kind != "option"
        kind, value = state.pending.kind, state.pending.rival
        return it.Given(kind=kind, value=value), 1.0
    elif state.pending is not None and state.pending.revises is not None:
        which = "corrected" if len(state.entries) % 3 else "again"
        return it.Chosen(option=which), 1.0
    elif state.pending is not None or state.proposed is not None:
        verb = "confirm"
    elif state.open_warnings(state.active):
        verb = "keep"
    elif state.aside is not None:
        return _about_finding(state), 1.0
    elif state.step is None or (state.step.expect.kind == "sign" and _elsewhere(state)):
        return it.SwitchCanal(canal=_elsewhere(state) or CASE), 1.0
    return (_say(verb) if verb else _answer(state, state.step)), 1.0


def _say(verb: it.Verb) -> it.Command:
    return it.Command(verb=verb, heard=it.Heard(text=verb, channel="voice"))


def _elsewhere(state: CaseState) -> str | None:
    """A canal that is not finished, or has a warning to be answered."""
    names = [t.name for t in state.canals if not t.finished or state.open_warnings(t.name)]
    return names[0] if names else None


def _about_finding(state: CaseState) -> it.AnyIntent:
    """An answer that leads on, and nothing that is done again."""
    step = state.step
    assert step is not None
    if step.expect.kind == "measure":
        return it.Given(kind="mm", value=2.0)
    plain = [o.id for o in step.options if o.to is None and o.change is None]
    return it.Chosen(option=plain[0])


def _answer(state: CaseState, step: Step | None) -> it.AnyIntent:
    assert step is not None
    match step.expect.kind:
        case "sign":
            return _say("sign")
        case "done":
            return _say("next")
        case "timed":
            return _say("start")
        case "choice":
            return it.Chosen(option=_onward(step))
        case "tooth":
            return it.Given(kind="tooth", value=24)
        case "canals":
            return it.Given(kind="canals", value=("buccal", "palatal"))
        case "size":
            return it.Given(kind="size", value=30)
        case "taper":
            return it.Given(kind="taper", value=0.06)
    rounds = state.standing(state.active, step)
    if step.loop and len(rounds) > 1 and any(o.id == "canal_full" for o in step.options):
        return it.Chosen(option="canal_full")
    return it.Given(kind="mm", value=_length(state, step))


def _onward(step: Step) -> str:
    plain = [option.id for option in step.options if option.to is None]
    return plain[0] if plain else step.options[0].id


def _length(state: CaseState, step: Step) -> float:
    expect, canal = step.expect, state.active
    assert isinstance(expect, Measure | Readings)
    offered = (
        suggestion(state, canal, expect.suggest)
        if isinstance(expect, Measure) and (expect.suggest)
        else None
    )
    limit = depth_limit_mm(state, canal)
    wanted = {
        "working_length_mm": 21.0,
        "cone_length_mm": wl_mm(state, canal) or 21.0,
        "paper_point_mm": 21.0,
        "apex_locator_mm": 21.0,
        "increment_mm": 2.5,
        "post_level_mm": 12.0,
    }.get(expect.quantity)
    if wanted is None:
        deep = {"apical_plugger_mm", "plugger_depth_mm"}
        wanted = limit if expect.quantity in deep and limit is not None else 10.0
    value = offered if offered is not None else wanted
    return min(max(value, expect.min_mm), expect.max_mm)


def finish(case: Watched) -> int:
    """Answer what is asked until the note is signed; the number of answers it took."""
    bound = 150 * (1 + max(2, len(case.state.canals)))
    for said in range(bound):
        if case.state.signed is not None:
            return said
        case.give(*cooperative(case.state))
    step = case.state.step
    raise AssertionError(f"not signed after {bound} answers, at {step.id if step else None}")


@cache
def road(name: str) -> tuple[Watched, ...]:
    """A whole case of that protocol, stopped after every answer."""
    case = Watched.begun(PROTOCOLS[name])
    stops = [case.copy()]
    while case.state.signed is None:
        case.give(*cooperative(case.state))
        stops.append(case.copy())
        assert len(stops) < 300
    return tuple(stops)


# -- anything at all ------------------------------------------------------------

TENTHS = st.integers(0, 350).map(lambda n: n / 10)
LENGTHS = st.one_of(st.integers(70, 240).map(lambda n: n / 10), TENTHS)
ABSURD: st.SearchStrategy[it.Scalar] = st.sampled_from(
    [float("nan"), float("inf"), -float("inf"), -1.0, 1e9, 10**400, 0, "x", "", (), ("case",)]
)
OPTIONS = sorted(
    {o.id for protocol in PROTOCOLS.values() for s in protocol.steps() for o in s.options}
    | {"yes", "no", "corrected", "again", "no_such_option"}
)
QUANTITIES = sorted(
    {s.expect.quantity for protocol in PROTOCOLS.values() for s in protocol.steps()}
    | {"plugger_mm", "cone_mm", "heat_carrier_mm", "no_such_mm"}
)
CANALS = ["buccal", "palatal", "single", "mesial"]
VALUES: dict[str, st.SearchStrategy[it.Scalar]] = {
    "mm": LENGTHS,
    "s": st.sampled_from([0.0, 3.0, 5.0, 6.5, 61.0]),
    "size": st.sampled_from([6, 10, 30, 27]),
    "taper": st.sampled_from([0.02, 0.04, 0.06, 6.0]),
    "tooth": st.sampled_from([11, 24, 36, 55, 99]),
    "canals": st.lists(st.sampled_from(CANALS), max_size=3).map(tuple),
}
MOMENTS = st.floats(-50, 500).map(lambda s: Moment(wall=START, mono_s=s))
HEARD = st.builds(
    it.Heard,
    text=st.sampled_from(["twenty one", "sixteen point five", "", "é\u2028"]),
    confidence=st.sampled_from([0.0, 0.5, 1.0]),
    doubt=st.sampled_from([None, None, None, "Not heard clearly."]),
    channel=st.sampled_from(["voice", "typed", "key", "pedal"]),
    began=st.none() | MOMENTS,
)


@st.composite
def values(draw: st.DrawFn) -> it.AnyIntent:
    kind = draw(st.sampled_from(["mm", "mm", "mm", *VALUES]))
    value = draw(VALUES[kind] if draw(st.integers(0, 9)) else ABSURD)
    quantity = draw(st.none() | st.sampled_from(QUANTITIES))
    said = it.Correction if draw(st.booleans()) else it.Given
    heard = draw(HEARD)
    rival = draw(st.none() | VALUES[kind] | ABSURD) if heard.doubt else None
    return said(kind=kind, value=value, quantity=quantity, rival=rival, heard=heard)


VERBS: tuple[it.Verb, ...] = get_args(it.Verb)
COMMON: list[it.Verb] = ["back", "undo", "keep", "confirm", "start", "stop", "next"]
FINDINGS = [*(f.id for f in PROTOCOLS["warm-vertical"].findings), "no_such_finding"]
CHANGES: list[it.AnyIntent] = [
    it.Change(what="found", canal="mesial"),
    it.Change(what="found", canal="palatal"),
    it.Change(what="absent", canal="palatal"),
    *(
        it.Change(what="absent", canal=canal, reason="calcified")
        for canal in ("buccal", "palatal", "mesial")
    ),
    it.Change(what="renamed", canal="palatal", to="mesiopalatal", reason="one of two"),
    it.Change(what="renamed", canal="mesiopalatal", to="palatal", reason="the only one"),
    *(it.Change(what="tooth", tooth=tooth, reason="misread") for tooth in (14, 28, 46, 99)),
    it.Change(what="post"),
    *(
        it.Change(what="joins", canal=one, to=other, mm=mm)
        for one, other in (("palatal", "buccal"), ("mesial", "palatal"), ("buccal", "buccal"))
        for mm in (14.5, 17.0, 20.0, 29.0, None)
    ),
    it.Change(what="separate", canal="palatal"),
    *(it.Change(what=what) for what in ("reheated", "replaced", "removed", "film")),
    *(it.Change(what="removed", mm=mm) for mm in (10.5, 12.0, 13.5, 15.4, 16.1, 18.0, 20.9)),
    *(
        it.Change(what="again", to=phase, reason="void seen")
        for phase in ("Master cone", "Pluggers", "Drying", "Downpack", "Backfill", "Finish")
    ),
]
INTENTS: st.SearchStrategy[it.AnyIntent] = st.one_of(
    values(),
    values(),
    st.builds(it.Chosen, option=st.sampled_from(OPTIONS), heard=HEARD),
    st.builds(it.AsPlanned, quantity=st.none() | st.sampled_from(QUANTITIES), heard=HEARD),
    st.builds(it.Command, verb=st.sampled_from(COMMON), heard=HEARD),
    st.builds(it.Command, verb=st.sampled_from(VERBS), heard=HEARD),
    st.builds(it.Skip, reason=st.sampled_from([None, "", "not needed"]), heard=HEARD),
    st.builds(it.SwitchCanal, canal=st.sampled_from([*CANALS, CASE]), heard=HEARD),
    st.builds(
        it.TakeOver,
        role=st.sampled_from(["operator", "chairside"]),
        name=st.sampled_from(["operator b", "Operator A", "Dr Invented", " ", "x" * 65]),
        heard=HEARD,
    ),
    st.builds(it.Remark, text=st.sampled_from(["15 mm", " ", "x" * 301]), heard=HEARD),
    st.builds(
        it.CorrectRemark,
        text=st.sampled_from(["16 mm", ""]),
        number=st.sampled_from([None, 1, 2]),
        heard=HEARD,
    ),
    st.builds(
        it.CloseVisit,
        dressing=st.sampled_from(["temporary filling", "temporary filling", None]),
        plan=st.sampled_from(["go on with the filling", " "]),
        heard=HEARD,
    ),
    st.builds(
        it.Note,
        condition=st.sampled_from(list(Condition)),
        text=st.sampled_from(["A1-23", "x" * 121, ""]),
        heard=HEARD,
    ),
    st.builds(it.DropRemark, number=st.sampled_from([None, 1, 3]), heard=HEARD),
    st.builds(it.SignAs, name=st.sampled_from(["Operator A", "Dr Invented", ""]), heard=HEARD),
    st.builds(it.WhoSpeaks, who=st.sampled_from(["operator", "chairside"]), heard=HEARD),
    st.sampled_from(CHANGES),
    st.builds(
        it.Finding,
        finding=st.sampled_from(FINDINGS),
        mm=st.none() | TENTHS,
        heard=HEARD,
    ),
    st.builds(
        it.Unclear,
        reason=st.just("not a whole phrase"),
        readings=st.sampled_from([(), ("20", "30")]),
        heard=HEARD,
    ),
    st.just(it.Tick()),
    st.builds(it.ReadOut, seq=st.integers(-1, 60)),
    st.just(it.Reopen(note="Nothing was lost.")),
    st.just(it.Trouble(text="No loudspeaker. The screen still works.")),
)
WAITS = st.one_of(st.floats(0, 8), st.sampled_from([0.0, 5.0, 3600.0, -1000.0]))
COOPERATE = "answer what is asked"
ACTIONS = st.lists(st.tuples(st.just(COOPERATE) | INTENTS, WAITS), max_size=25)


@given(name=st.sampled_from(sorted(PROTOCOLS)), start=st.floats(0, 1), actions=ACTIONS)
def test_anything_said_in_any_order(
    name: str, start: float, actions: list[tuple[it.AnyIntent | str, float]]
) -> None:
    stops = road(name)
    case = stops[round(start * (len(stops) - 1))].copy()
    for action, wait_s in actions:
        if isinstance(action, str):
            case.give(*cooperative(case.state))
        else:
            case.give_twice(action, wait_s)
    answers = finish(case)
    event(f"signed after {answers // 25 * 25} answers or more")
    lines = [ev.EVENTS.dump_json(one) for one in case.log]
    again = replay(ev.EVENTS.validate_json(line) for line in lines)
    assert again == case.state
    assert again.model_dump_json() == case.state.model_dump_json()


@pytest.mark.parametrize("name", sorted(PROTOCOLS))
def test_who_only_answers_what_is_asked_gets_the_note_signed(name: str) -> None:
    last = road(name)[-1]
    assert last.state.signed is not None
    assert not last.state.skipped
    assert not last.state.rejected


@given(
    name=st.sampled_from(sorted(PROTOCOLS)),
    start=st.floats(0, 1),
    verbs=st.lists(st.sampled_from(["back", "undo", "coop"]), max_size=40),
)
def test_going_back_and_forth_never_leaves_a_gap_in_the_rounds(
    name: str, start: float, verbs: list[str]
) -> None:
    stops = road(name)
    case = stops[round(start * (len(stops) - 2))].copy()
    for verb in verbs:
        if verb == "coop" and case.state.signed is None:
            case.give(*cooperative(case.state))
        elif verb != "coop":
            case.give(it.Command(verb=verb))
    finish(case)
    for canal in case.state.canals:
        for loop in ("cycle", "increment"):
            steps = {s.id for s in case.protocol.canal if s.loop == loop}
            rounds = {e.round for e in case.state.standing(canal.name) if e.step in steps}
            assert rounds == set(range(1, len(rounds) + 1))


def test_every_kind_of_value_is_tried() -> None:
    assert set(VALUES) == set(KIND_OF.values())


@pytest.mark.parametrize("name", sorted(PROTOCOLS))
def test_a_length_put_right_and_taken_back_from_the_next_canal_is_judged_again(
    name: str,
) -> None:
    case = next(
        stop.copy()
        for stop in road(name)
        if stop.state.active == "palatal" and stop.state.track("buccal").finished
    )
    told = it.Correction(kind="mm", value=10.0, quantity="working_length_mm")
    for value in (10.0, 22.0):
        case.give(told.model_copy(update={"value": value}))
        if case.state.pending is not None:
            case.give(it.Command(verb="confirm"))
        assert case.state.active == "palatal"
    case.give(it.Command(verb="undo"))
    assert case.prompts[0].text == "Buccal."
    assert any(warning.open for warning in case.state.warnings)
