"""The safety rules, written a second time from their sentences alone.

``Rules`` keeps its own list of what was accepted and says which rules a value breaks.
It was written from the sentences, severities and limits in ``protocols/*.yaml`` and the
trade's description of the sequence, not from ``assistant/procedure/rules.py``, and shares
no computation with the program except the handbook tables of teeth (data, not rules).

Rules whose sentence rests on a computation (what a set of pluggers reaches, the cone by its
size, heat at the root surface) are judged where it is certain: ``computed``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import ROUND_FLOOR, ROUND_HALF_UP, Decimal
from statistics import median

from assistant.canal.teeth import Tooth, canal_sets, length_plausible
from assistant.progress.intents import Scalar
from assistant.protocol.model import Protocol
from assistant.protocol.own_instruments import PluggerFile

DEPTHS = frozenset(
    {
        "coronal_plugger_mm",
        "middle_plugger_mm",
        "apical_plugger_mm",
        "heat_carrier_fit_mm",
        "heat_depth_mm",
        "plugger_depth_mm",
    }
)
"""Everything that goes down a canal and stays short of its working length."""

DOWNPACK = frozenset({"heat", "heat_depth", "plugger_depth", "press"})
FITTED = ("coronal_plugger_mm", "middle_plugger_mm", "apical_plugger_mm")
SAYS_WHERE = (
    "sear_depth_mm", "cut_off_mm", "plugger_depth_mm", "post_level_mm", "removed_to_mm",
)  # fmt: skip
NOT_READY = frozenset({"no", "wet", "bleeding", "exudate"})
READINESS = frozenset(
    {"tooth_quiet", "radiograph_available", "ready", "shaped_and_irrigated", "dryness"}
)
COMPUTED = ("beyond-reach", "cone-misfit", "surface-heat")

CONE_MARGIN_MM = 0.16
"""More than canal, cone and an error of the cut can differ from what they are called."""

MARGIN_MM = 0.06
"""Between what certainly goes in and what certainly binds, the oracle does not judge."""


@dataclass(frozen=True)
class Told:
    """One accepted value, as the events tell it."""

    seq: int
    canal: str
    step: str
    quantity: str
    round: int
    value: Scalar
    place: int
    confirmed: bool = False
    stands: bool = True

    @property
    def number(self) -> Decimal | None:
        """The value as a decimal number, None if it is none."""
        if isinstance(self.value, int | float):
            return Decimal(str(self.value))
        return None


class Rules:
    """What stands in a case, and which rules a value breaks there."""

    def __init__(self, protocol: Protocol, instruments: PluggerFile | None = None) -> None:
        self.protocol, self.instruments = protocol, instruments
        self.pressing = False
        self.severity = {rule.id: rule.severity for rule in protocol.rules}
        listed = [r.quantities for r in protocol.rules if r.id == "depth-limit"]
        self.goes_down = DEPTHS | set(*listed)
        self.told: dict[int, Told] = {}
        self.junction: dict[str, tuple[str, Decimal]] = {}

    # -- what stands ------------------------------------------------------------

    def limit(self, name: str) -> Decimal:
        return Decimal(str(self.protocol.limit(name)))

    def standing(self, canal: str, *quantities: str) -> list[Told]:
        """What counts of these quantities, in the order of the sequence."""
        found = [t for t in self.told.values() if t.stands and t.canal == canal]
        return sorted((t for t in found if t.quantity in quantities), key=lambda t: t.place)

    def working_length(self, canal: str) -> Decimal | None:
        """The final one, or while there is none the provisional one; a canal that joins
        another ends there."""
        ends = [self.junction[canal][1]] if canal in self.junction else []
        for quantity in ("final_working_length_mm", "working_length_mm"):
            numbers = [t.number for t in self.standing(canal, quantity) if t.number is not None]
            if numbers:
                return min([numbers[-1], *ends])
        return min(ends, default=None)

    def depth_limit(self, canal: str) -> Decimal | None:
        """To the tenth below: what must not be overstated is rounded to the safe side."""
        wl = self.working_length(canal)
        if wl is None:
            return None
        return max(Decimal(0), tenth_below(wl - self.limit("short_of_wl_mm")))

    def downpacked_to(self, canal: str) -> Decimal | None:
        """How deep the fill has been compacted; None before the sear."""
        compacted = self.standing(canal, "sear_depth_mm", "plugger_depth_mm", "removed_to_mm")
        depths = [t.number for t in compacted]
        known = [depth for depth in depths if depth is not None]
        return known[-1] if known else None

    def tooth(self) -> Tooth | None:
        said = [t for t in self.told.values() if t.stands and t.quantity == "tooth"]
        return Tooth(said[-1].value) if said and isinstance(said[-1].value, int) else None

    # -- the rules, one sentence each ---------------------------------------------

    def broken(self, t: Told) -> set[str]:
        """Ids of the rules that a value breaks, of those this protocol has."""
        return {rule for rule in self._broken(t) if rule in self.severity}

    def _broken(self, t: Told) -> Iterator[str]:
        yield from self._options(t)
        wl, value = self.working_length(t.canal), t.number
        named = t.value if t.quantity == "canals" and isinstance(t.value, tuple) else ()
        if self._never_together(named):
            yield "canals-unusual"
        if self._lengths_disagree(t):
            yield "lengths-disagree"
        if value is None:
            return
        yield from self._depths(t, value, wl)
        yield from self._against_what_is_known(t, value)
        yield from self._amounts(t, value)
        if t.quantity in {"working_length_mm", "final_working_length_mm"}:
            tooth = self.tooth()
            if tooth is not None and not length_plausible(tooth, float(value)):
                yield "length-implausible"
        if t.quantity == "cone_length_mm" and wl is not None:
            if value < wl - self.limit("cone_wl_within_mm"):
                yield "cone-short"
            if value > wl + self.limit("cone_wl_within_mm"):
                yield "cone-long"
        if t.quantity == "paper_point_mm":
            readings = self._readings(t)
            if max(readings) - min(readings) > self.limit("readings_agree_mm"):
                yield "readings-spread"
        left = t.quantity in {"post_level_mm", "removed_to_mm"}
        seal = tenth_below(wl - value) if left and wl else None
        if seal is not None and seal < self.limit("apical_seal_min_mm"):
            yield "seal-short"
        for rule in COMPUTED:
            if self.computed(rule, t) is True:
                yield rule

    def _never_together(self, canals: tuple[str, ...]) -> bool:
        """Whether handbooks know no such tooth with some two of them (or some one)."""
        tooth = self.tooth()
        if tooth is None:
            return False
        known = [set(map(str, names)) for names in canal_sets(tooth)]
        pairs = [{one, other} for one in canals for other in canals]
        return not all(any(pair <= names for names in known) for pair in pairs)

    def _options(self, t: Told) -> Iterator[str]:
        if t.quantity in READINESS and t.value in NOT_READY:
            yield "not-ready"
        if t.quantity == "rubber_dam" and t.value == "no":
            yield "no-dam"
        if t.quantity == "allergy_or_device":
            said = str(t.value)
            if "allergy" in said or said == "latex_and_sealer":
                yield "allergy"
            if "device" in said:
                yield "cardiac-device"
        if t.quantity == "paper_point_mm" and t.value == "dry_to_end":
            yield "dry-to-its-end"
        if t.quantity == "paper_point_mm" and t.value == "no_reading":
            yield "no-point-read"
        if t.quantity in {"tugback", "tugback_after_cut"} and t.value == "no":
            yield "no-tugback"
        if t.quantity == "tugback" and t.value == "contact_high":
            yield "contact-high"
        if t.quantity in DEPTHS and t.value == "binds":
            yield "plugger-binds"
        if t.quantity == "spreader_fit_mm" and t.value == "binds":
            yield "spreader-binds"
        reached = {"increment_press_s": "level_reached", "level_reached": "yes"}
        if t.value == reached.get(t.quantity, ()) and "level-off" in self.severity:
            top, planned = self._computed_fill(t.canal), self._planned_level(t.canal)
            near = self.limit("level_reached_within_mm")
            if top is not None and planned is not None and abs(top - planned) > near:
                yield "level-off"
        if t.value == "seen":
            yield f"found-{t.quantity.replace('_', '-')}"
        if t.quantity == "sealer_near" and t.value in {"yes", "not_known"}:
            yield "sealer-near"
        if t.quantity == "perforation_repaired" and t.value == "no":
            yield "perforation-open"
        settled = {"bleeding_settled", "pain_settled", "thermal_settled"}
        if t.quantity in settled and t.value == "no":
            yield "not-settled"
        if t.quantity == "taper" and t.value == "unknown":
            yield "taper-unknown"

    def _depths(self, t: Told, value: Decimal, wl: Decimal | None) -> Iterator[str]:
        if t.quantity in self.goes_down:
            deepest = self.depth_limit(t.canal)
            if deepest is None:
                yield "limit-unknown"
            elif value > deepest:
                yield "depth-limit"
        if t.quantity == "heat_depth_mm":
            start = self._carrier_starts(t)
            least, most = self.limit("plunge_min_mm"), self.limit("plunge_max_mm")
            if start is not None and not least <= value - start <= most:
                yield "plunge-range"
        spreader = t.quantity == "spreader_fit_mm" and "spreader-short" in self.severity
        if spreader and wl is not None and value < wl - self.limit("spreader_within_wl_mm"):
            yield "spreader-short"
        above = t.quantity in {"coronal_level_mm", "sear_depth_mm", "cut_off_mm"}
        if above and wl is not None and value >= wl:
            yield "depth-order"

    def _carrier_starts(self, t: Told) -> Decimal | None:
        """The fill the carrier is placed on: where the last cycle left it, or what was left
        when it was taken out since; else the sear."""
        cycle = self.standing(t.canal, "heat_s", "heat_depth_mm", "plugger_depth_mm", "press_s")
        mine = [one.place for one in cycle if one.round == t.round]
        fills = [f for f in cycle if f.quantity == "plugger_depth_mm" and f.round < t.round]
        taken = self.standing(t.canal, "removed_to_mm")
        taken = [one for one in taken if one.place < min(mine, default=t.place)]
        told = sorted([*fills, *taken], key=lambda one: one.place)
        before = [f.number for f in told if f.number is not None]
        sears = [s.number for s in self.standing(t.canal, "sear_depth_mm")]
        return before[-1] if before else (sears[-1] if sears else None)

    def _against_what_is_known(self, t: Told, value: Decimal) -> Iterator[str]:
        """What is asked about before it is stored. A depth past its limit is not asked
        about twice: the depth warning waits for its answer already."""
        deepest = self.depth_limit(t.canal)
        too_deep = deepest is not None and value > deepest
        cycle = t.quantity in {"heat_depth_mm", "plugger_depth_mm"}
        fill = self._carrier_starts(t) if cycle else self._computed_fill(t.canal, t.place)
        if fill is not None:
            if t.quantity == "heat_depth_mm" and value <= fill:
                yield "carrier-not-advanced"
            if t.quantity in {"plugger_depth_mm", "post_level_mm"} and value < fill:
                yield "above-fill"
            far = t.quantity == "heat_depth_mm" and "carrier-far" in self.severity
            if far and value - fill > self.limit("advance_ask_mm") and not too_deep:
                yield "carrier-far"
        if cycle and "plugger-past-carrier" in self.severity:
            carrier, plugger = (
                value if t.quantity == quantity else self._same_round(t, quantity)
                for quantity in ("heat_depth_mm", "plugger_depth_mm")
            )
            if carrier is not None and plugger is not None:
                past = plugger - carrier > self.limit("past_carrier_mm")
                if past and (deepest is None or plugger <= deepest):
                    yield "plugger-past-carrier"
        if t.quantity in FITTED and not too_deep and not self._goes_deeper_each(t, value):
            yield "plugger-order"
        if t.quantity == "apical_plugger_mm" and "plugger-short" in self.severity:
            least = self.limit("apical_plugger_short_mm")
            if deepest is not None and deepest - value > least:
                yield "plugger-short"
        planned = self._planned_level(t.canal)
        sear = t.quantity == "sear_depth_mm" and "sear-below-level" in self.severity
        if sear and planned is not None and value - planned > self.limit("sear_past_level_mm"):
            yield from () if too_deep else ("sear-below-level",)

    def _same_round(self, t: Told, quantity: str) -> Decimal | None:
        found = [s for s in self.standing(t.canal, quantity) if s.round == t.round]
        return found[-1].number if found else None

    def _goes_deeper_each(self, t: Told, value: Decimal) -> bool:
        """Coronal, middle, apical: none less deep than the one before it."""
        depths = []
        for quantity in FITTED:
            found = self.standing(t.canal, quantity)
            known = found[-1].number if found else None
            depths.append(value if quantity == t.quantity else known)
        mine = FITTED.index(t.quantity)
        before = [d for d in depths[:mine] if d is not None]
        after = [d for d in depths[mine + 1 :] if d is not None]
        return all(d <= value for d in before) and all(value <= d for d in after)

    def _planned_level(self, canal: str) -> Decimal | None:
        found = self.standing(canal, "coronal_level_mm")
        return found[-1].number if found else None

    def _computed_fill(self, canal: str, before: int | None = None) -> Decimal | None:
        """The sear and every compaction say where the fill is; each increment raises it."""
        top: Decimal | None = None
        told = self.standing(canal, *SAYS_WHERE, "increment_mm")
        for one in told:
            if one.number is None or (before is not None and one.place >= before):
                continue
            if one.quantity in SAYS_WHERE:
                top = one.number
            elif top is not None:
                raised = top - one.number
                top = raised.quantize(Decimal("0.1"), ROUND_HALF_UP)
        return top

    def _amounts(self, t: Told, value: Decimal) -> Iterator[str]:
        if t.quantity in {"press_s", "increment_press_s"} and value < self.limit("press_s"):
            yield "press-short"
        if self._last_press_short(t):
            yield "last-press-short"
        if t.quantity == "spreader_hold_s" and value < self.limit("spreader_hold_s"):
            yield "hold-short"
        if t.quantity == "heat_s" and value > self.limit("heat_s"):
            yield "heat-long"
        if t.quantity == "short_by_mm" and value > self.limit("short_fill_mm"):
            yield "fill-far-short"
        judged = t.quantity == "taper" and "low-taper" in self.severity
        if judged and value < self.limit("taper_caution"):
            yield "low-taper"
        if t.quantity == "increment_mm":
            if t.round == 1 and value > self.limit("first_increment_max_mm"):
                yield "first-increment-large"
            if t.round > 1 and value > self.limit("later_increment_max_mm"):
                yield "later-increment-large"
            if t.round == 1 and value < self.limit("increment_min_mm"):
                yield "increment-small"

    def _last_press_short(self, t: Told) -> bool:
        """Of one cycle: the plugger came to its limit, and the press was too short; not
        while it is being repeated."""
        if self.pressing and t.quantity == "plugger_depth_mm":
            return False
        pair = {"press_s", "plugger_depth_mm"}
        if t.quantity not in pair or "last-press-short" not in self.severity:
            return False
        (other,) = pair - {t.quantity}
        same = [o for o in self.standing(t.canal, other) if o.round == t.round]
        found = {t.quantity: t.number, other: same[-1].number if same else None}
        held, depth, deepest = (
            found["press_s"], found["plugger_depth_mm"], self.depth_limit(t.canal),
        )  # fmt: skip
        if held is None or depth is None or deepest is None:
            return False
        at_limit = depth >= deepest - self.limit("at_limit_within_mm")
        return at_limit and held < self.limit("last_press_s")

    def _readings(self, t: Told) -> list[Decimal]:
        """As :meth:`_read`, at least one."""
        return self._read(t) or [Decimal(0)]

    def _read(self, t: Told) -> list[Decimal]:
        """The newest readings that have to agree, with this one; a point that read nothing
        is none."""
        others = [r for r in self.standing(t.canal, "paper_point_mm") if r.place != t.place]
        row = sorted([*others, t], key=lambda r: r.place)
        read = [r.number for r in row if r.number is not None]
        return read[-int(self.limit("readings_min")) :]

    def _lengths_disagree(self, t: Told) -> bool:
        """The apex locator against the middle, to 0.1 mm, of the paper points that count, once
        both are known: of the points enough agree, or no further one can be read."""
        if t.quantity == "apex_locator_mm":
            points = self.standing(t.canal, "paper_point_mm")
            numbers = [p.number for p in points if p.number is not None]
            middles, located = numbers[-int(self.limit("readings_min")) :], t.number
        elif t.quantity == "paper_point_mm":
            found = self.standing(t.canal, "apex_locator_mm")
            located = found[-1].number if found else None
            middles = self._read(t)
            apart = max(middles, default=Decimal(0)) - min(middles, default=Decimal(0))
            more = len(middles) < self.limit("readings_min")
            more = more or apart > self.limit("readings_agree_mm")
            if t.value != "no_reading" and (t.number is None or more):
                return False
        else:
            return False
        if not middles or located is None:
            return False
        middle = median(middles).quantize(Decimal("0.1"), ROUND_HALF_UP)
        return abs(middle - located) > self.limit("apex_locator_agree_mm")

    def computed(self, rule: str, t: Told) -> bool | None:
        """Whether a value breaks a rule that rests on a computation; None: not certain."""
        if t.number is None:
            return False
        judge = {
            "beyond-reach": self._beyond_reach,
            "cone-misfit": self._cone_misfit,
            "surface-heat": self._too_warm,
        }
        return judge[rule](t, t.number)

    def _number(self, t: Told, quantity: str) -> float | None:
        """The newest of a quantity in a value's canal."""
        found = [s.number for s in self.standing(t.canal, quantity)]
        return float(found[-1]) if found and found[-1] is not None else None

    def _cone_misfit(self, t: Told, cut: Decimal) -> bool | None:
        """Whether a cone is certainly loose everywhere, or too thick to come down (True), or
        as wide at its tip as the canal there (False), all sizes within what is permitted.

        Both are straight: so wide at the tip, and by the taper wider above it.
        """
        if t.quantity != "cut_back_mm":
            return False
        wl = self.working_length(t.canal)
        names = ("apical_size", "taper", "cone_size", "cone_taper")
        size, taper, cone_size, cone_taper = (self._number(t, name) for name in names)
        if None in {size, taper, cone_size, cone_taper} or wl is None:
            return False
        assert size and taper and cone_size and cone_taper
        sear, part = self._number(t, "sear_depth_mm"), self._number(t, "apical_part_mm")
        if part is not None or (sear or 0.0) >= wl or not min(size, cone_size) >= 15:
            return None
        room = size / 100 - (cone_size / 100 + cone_taper * float(cut))
        room_above = room + (taper - cone_taper) * float(wl)
        if room > CONE_MARGIN_MM and room_above > CONE_MARGIN_MM:
            return True
        if cone_taper > taper:
            return None
        held_above = (-room - CONE_MARGIN_MM) / taper
        if held_above > self.limit("cone_wl_within_mm"):
            return True
        return False if abs(room) <= 0.01 else None

    def _too_warm(self, t: Told, depth: Decimal) -> bool | None:
        """Of a carrier that nobody told of, only heat past the protocol's time is warned
        about; how warm the root gets is not computed here."""
        heats = [s for s in self.standing(t.canal, "heat_s") if s.round == t.round]
        if t.quantity != "heat_depth_mm" or not heats or heats[-1].number is None:
            return False
        told = self.instruments is not None and self.instruments.carrier is not None
        return None if told or heats[-1].number > self.limit("heat_s") else False

    def _beyond_reach(self, t: Told, value: Decimal) -> bool | None:
        """Whether every plugger of the set certainly binds above this depth (True), or
        the thinnest certainly passes (False); None where neither is certain.

        The prepared canal is a cone: the apical size at working length, and by the
        taper wider for every millimetre above it (ISO 3630-1).
        """
        plugger = t.quantity.endswith("plugger_mm")
        wl = self.working_length(t.canal)
        size = [s.number for s in self.standing(t.canal, "apical_size")]
        taper = [s.number for s in self.standing(t.canal, "taper")]
        known = size and taper and size[-1] is not None and taper[-1] is not None
        if not (plugger and self.instruments and wl is not None and known):
            return False
        assert size[-1] is not None and taper[-1] is not None
        above = wl - value
        if above < 0:
            return None  # beyond the prepared canal: nothing is known there
        room = float(size[-1] / 100 + taper[-1] * above)
        tips = [line.tip_mm for line in self.instruments.pluggers]
        if min(tips) > room + MARGIN_MM:
            return True
        shafts = [line.tip_mm + line.taper * float(value) for line in self.instruments.pluggers]
        slack = room - 2 * float(self.protocol.limit("plugger_clearance_mm"))
        return False if min(shafts) < slack - MARGIN_MM else None


def tenth_below(length: Decimal) -> Decimal:
    return length.quantize(Decimal("0.1"), ROUND_FLOOR)
