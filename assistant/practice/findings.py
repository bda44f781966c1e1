"""What a learner would see at the present step, and which answers agree with it.

A pure function of scenario and state. What a step leaves to judgement (how deep, how
long, how much) has no right answer here; the protocol's limits judge it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from assistant.canal.lengths import round_mm
from assistant.canal.teeth import Tooth
from assistant.practice.scenario import PracticeCanal, Scenario
from assistant.practice.texts import texts
from assistant.progress import facts
from assistant.progress.facts import EPSILON_MM, number, text_of
from assistant.progress.intents import Scalar
from assistant.progress.reckoning import value_of
from assistant.progress.state import CASE, CaseState
from assistant.protocol.model import Step
from assistant.protocol.roles import Role
from assistant.report.rounds import CONE_VERDICTS, made


class Sight(NamedTuple):
    """What is seen.

    Attributes:
        key: of the sentence in ``texts.yaml``.
        accepts: answers that agree with it, the plainest first; empty where the
            learner decides.
        fields: of the sentence.
    """

    key: str
    accepts: tuple[Scalar, ...] = ()
    fields: dict[str, str] = {}  # noqa: RUF012 - never changed


def findings(scenario: Scenario, state: CaseState) -> str | None:
    """The sentence on what is seen at the present step; None where there is nothing."""
    seen = sight(scenario, state)
    return None if seen is None else texts().findings[seen.key].format_map(seen.fields)


def sight(scenario: Scenario, state: CaseState) -> Sight | None:
    """What is seen at the present step of the active canal, None where nothing is or a
    timed act runs."""
    step = state.step
    if step is None or state.timer is not None:
        return None
    if state.active == CASE:
        return _of_case(scenario, step)
    canal = scenario.canal(state.active)
    if canal is None:
        return Sight("no_such_canal", fields={"canal": state.active})
    found = _OF_CANAL.get(step.role) if step.role else None
    if found is not None:
        return found(_Scene(canal, state, step))
    return _unremarkable(step)


def _of_case(scenario: Scenario, step: Step) -> Sight | None:
    if step.expect.kind == "tooth":
        name = Tooth(scenario.tooth).name
        return Sight("tooth", (scenario.tooth,), {"tooth": str(scenario.tooth), "name": name})
    if step.expect.kind == "canals":
        names = tuple(canal.name for canal in scenario.canals)
        return Sight("canals", (names,), {"canals": ", ".join(names)})
    return _unremarkable(step)


def _unremarkable(step: Step) -> Sight | None:
    """A question of a practice's own, or one about the tooth: nothing stands against
    the first answer that goes on."""
    known = step.role if step.role in texts().findings else None
    if step.expect.kind == "done":
        return Sight(known or "done")
    onward = [option.id for option in step.options if option.to is None]
    if step.expect.kind != "choice" or not onward:
        return None
    return Sight(known or "ready", tuple(onward), {"what": step.title})


class _Scene(NamedTuple):
    canal: PracticeCanal
    state: CaseState
    step: Step

    @property
    def options(self) -> tuple[str, ...]:
        return tuple(option.id for option in self.step.options)

    def choose(self, *wanted: str) -> tuple[str, ...]:
        """Those of the answers that the step knows."""
        return tuple(option for option in wanted if option in self.options)

    def limit_mm(self) -> float | None:
        return facts.depth_limit_mm(self.state, self.canal.name)

    def within_limit(self, depth_mm: float) -> bool:
        limit = self.limit_mm()
        return limit is None or depth_mm <= limit + EPSILON_MM

    def made(self, *roles: Role) -> int:
        """How many answers there were that asked the same, or for another cone."""
        back = 0
        for entry in made(self.state, self.canal.name, roles):
            step = self.state.protocol.by_id[entry.step]
            option = facts.option_of(step, str(entry.value))
            back += option is not None and option.to is not None
        return back


def _mm(key: str, value: Callable[[PracticeCanal], float]) -> Callable[[_Scene], Sight]:
    """A length that is read off."""

    def seen(scene: _Scene) -> Sight:
        length = value(scene.canal)
        return Sight(key, (length,), {"mm": text_of(length)})

    return seen


def _plain(key: str, *answers: str) -> Callable[[_Scene], Sight]:
    return lambda scene: Sight(key, scene.choose(*answers))


def _cone(scene: _Scene) -> Sight:
    cones = scene.canal.cones
    cone = cones[min(scene.made(*CONE_VERDICTS), len(cones) - 1)]
    role = scene.step.role
    if role is Role.CONE_SIZE:
        fields = {"size": f"{cone.size:03d}", "taper": _taper_text(cone.taper)}
        return Sight(role, (cone.size,), fields)
    if role is Role.CONE_TAPER:
        return Sight(role, (cone.taper,), {"taper": _taper_text(cone.taper)})
    if role is Role.CONE_LENGTH:
        key = role if cone.contact == "tip" else "cone_binds"
        return Sight(key, (cone.length_mm,), {"mm": text_of(cone.length_mm)})
    if cone.contact == "tip":
        return Sight(Role.CONE_FIT, scene.choose("yes"))
    return Sight("contact_high", scene.choose("contact_high", "no"))


def _reference(scene: _Scene) -> Sight:
    wanted = scene.canal.reference
    reference = wanted if wanted in scene.options else scene.options[0]
    return Sight(Role.REFERENCE_POINT, (reference,), {"point": reference.replace("_", " ")})


def _free(third: int | None) -> Callable[[_Scene], Sight]:
    """How deep a plugger (of a third) or the cold carrier goes without touching: read
    off where it may go so deep, decided where it may not."""

    def seen(scene: _Scene) -> Sight:
        depth = scene.canal.free_mm[2 if third is None else third]
        key = "carrier_free" if third is None else "plugger_free"
        allowed = scene.within_limit(depth)
        return Sight(key, (depth,) if allowed else (), {"mm": text_of(depth)})

    return seen


def _dryness(scene: _Scene) -> Sight:
    shown = scene.canal.dryness
    now = shown[min(scene.made(Role.DRYNESS), len(shown) - 1)]
    answers = {"dry": ("dry", "yes"), "wet": ("wet", "no"), "bleeding": ("bleeding", "no")}
    return Sight(now, scene.choose(*answers[now]))


def _paper_point(scene: _Scene) -> Sight:
    readings = scene.canal.readings_mm
    count = sum(1 for _ in scene.state.standing(scene.canal.name, Role.PAPER_POINT))
    reading = readings[count % len(readings)]
    return Sight(Role.PAPER_POINT, (reading,), {"mm": text_of(reading)})


def _locator(scene: _Scene) -> Sight:
    reading = scene.canal.locator_mm
    if reading is None:
        return Sight("no_reading", scene.choose("no_reading"))
    return Sight(Role.APEX_LOCATOR, (reading,), {"mm": text_of(reading)})


def carrier_mm(canal: PracticeCanal, state: CaseState) -> float | None:
    """How deep the hot carrier has sunk in this cycle, to 0.5 mm: its speed times the
    seconds of heat, as far as its marker (set when it was fitted) lets it. None before
    there was heat in this cycle."""
    track = state.track(canal.name)
    step = state.step
    round_ = track.round(step.loop if step else None)
    top = facts.fill_top_mm(state, canal.name)
    timed = [e for e in state.standing(canal.name, Role.HEAT) if e.round == round_]
    heat_s = number(timed[-1]) if timed else None
    if top is None or heat_s is None:
        return None
    marker = number(state.last(canal.name, Role.HEAT_FIT))
    sunk = round(2 * (top + canal.sinks_mm_s * heat_s)) / 2
    return sunk if marker is None else max(top, min(sunk, marker))


def _heat(scene: _Scene) -> Sight:
    top = facts.fill_top_mm(scene.state, scene.canal.name)
    fields = {"top": text_of(top), "speed": text_of(scene.canal.sinks_mm_s)}
    marker = number(scene.state.last(scene.canal.name, Role.HEAT_FIT))
    if marker is None:
        return Sight(Role.HEAT, fields=fields)
    return Sight("heat_marked", fields=fields | {"marker": text_of(marker)})


def _heat_depth(scene: _Scene) -> Sight:
    sunk = carrier_mm(scene.canal, scene.state)
    if sunk is None:
        return Sight("no_heat")
    return Sight(Role.HEAT_DEPTH, (sunk,), {"mm": text_of(sunk)})


def _plugger_depth(scene: _Scene) -> Sight:
    """As deep as the carrier was, since it took out what was above its tip; further
    where the mass gives way, which is then for the learner to hold."""
    said = number(scene.state.last(scene.canal.name, Role.HEAT_DEPTH))
    asked = scene.state.protocol.with_role(Role.HEAT_DEPTH)
    sunk = said if asked else carrier_mm(scene.canal, scene.state)
    limit = scene.limit_mm()
    if sunk is None:
        return Sight("no_heat")
    near = value_of(scene.state.protocol.limits.at_limit_within_mm)
    if limit is not None and scene.canal.gives_way_mm and sunk >= limit - near - EPSILON_MM:
        return Sight(
            "gives_way", (), {"mm": text_of(round_mm(limit + scene.canal.gives_way_mm))}
        )
    if not scene.within_limit(sunk):
        return Sight("gives_way", (), {"mm": text_of(sunk)})
    return Sight("plugger_stands", (sunk,), {"mm": text_of(sunk)})


def _increment(scene: _Scene) -> Sight:
    return Sight(Role.INCREMENT, (), _levels(scene))


def _level(scene: _Scene) -> Sight:
    reached = facts.holds(scene.state, scene.canal.name)("backfill_complete")
    return Sight("level", scene.choose("yes" if reached else "no"), _levels(scene))


def _levels(scene: _Scene) -> dict[str, str]:
    name, state = scene.canal.name, scene.state
    planned = number(state.last(name, Role.CORONAL_LEVEL))
    return {"mm": text_of(facts.fill_top_mm(state, name)), "planned": text_of(planned)}


def _post_level(scene: _Scene) -> Sight:
    top = facts.fill_top_mm(scene.state, scene.canal.name)
    return Sight(Role.POST_LEVEL, () if top is None else (top,), {"mm": text_of(top)})


def _nothing(_: _Scene) -> None:
    return None


def _taper_text(taper: float) -> str:
    return f"{taper:.2f}".removeprefix("0")


_OF_CANAL: dict[Role, Callable[[_Scene], Sight | None]] = {
    Role.WORKING_LENGTH: _mm(Role.WORKING_LENGTH, lambda canal: canal.provisional_mm),
    Role.REFERENCE_POINT: _reference,
    Role.APICAL_SIZE: lambda s: Sight(
        Role.APICAL_SIZE, (s.canal.apical_size,), {"size": f"{s.canal.apical_size:03d}"}
    ),
    Role.TAPER: lambda s: Sight(
        Role.TAPER, (s.canal.taper,), {"taper": _taper_text(s.canal.taper)}
    ),
    Role.POST_PLANNED: lambda s: Sight(
        "no_post" if s.canal.post == "no" else "post",
        s.choose("no" if s.canal.post == "no" else "yes"),
    ),
    Role.CORONAL_LEVEL: _mm(Role.CORONAL_LEVEL, lambda canal: canal.coronal_level_mm),
    Role.CONE_SIZE: _cone,
    Role.CONE_TAPER: _cone,
    Role.CONE_LENGTH: _cone,
    Role.CONE_FIT: _cone,
    Role.CONE_FIT_AGAIN: _plain(Role.CONE_FIT, "yes"),
    Role.CORONAL_PLUGGER: _free(0),
    Role.MIDDLE_PLUGGER: _free(1),
    Role.APICAL_PLUGGER: _free(2),
    Role.HEAT_FIT: _free(None),
    Role.DRYNESS: _dryness,
    Role.PAPER_POINT: _paper_point,
    Role.APEX_LOCATOR: _locator,
    Role.FINAL_LENGTH: _nothing,
    Role.CUT_BACK: _nothing,
    Role.SEALER: _plain(Role.SEALER, "yes", "complete"),
    Role.SEAR: _mm(Role.SEAR, lambda canal: canal.orifice_mm),
    Role.CUT_OFF: _mm(Role.CUT_OFF, lambda canal: canal.orifice_mm),
    Role.HEAT: _heat,
    Role.HEAT_DEPTH: _heat_depth,
    Role.COMPACTION: _plugger_depth,
    Role.DOWNPACK_RADIOGRAPH: _plain("film", "accepted", "none"),
    Role.POST_DECISION: lambda s: Sight(s.canal.post, s.choose(s.canal.post)),
    Role.POST_LEVEL: _post_level,
    Role.INCREMENT: _increment,
    Role.FILL_LEVEL: _level,
}
"""What is seen, by the role of a step. Timed holds show nothing."""
