"""``fillwarm reckon``: what numbers mean, without a case."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import click

from assistant.canal import fit, plan
from assistant.canal.heat_live import Question
from assistant.canal.heating import UNKNOWN_SOURCE, Heating, Source
from assistant.canal.instruments import Interval
from assistant.canal.lengths import depth_limit_mm
from assistant.canal.model import MAX_DIAMETER_MM, CanalShape, TaperSegment, prepared
from assistant.canal.pluggers import PluggerSet
from assistant.canal.points import Point
from assistant.case.instrument_files import load_pluggers, load_point
from assistant.errors import InputFileError
from assistant.files.shipped import protocol_path
from assistant.files.yamlfile import load_yaml
from assistant.progress import heat_reckoning, reckoning
from assistant.progress.facts import text_of
from assistant.protocol.model import Protocol

Numbers = dict[str, Any]

THINNEST_MM = 0.3
"""Heat carriers are 0.3 to 0.5 mm wide at the tip (common practice)."""


@click.command()
@click.option("--length", "wl_mm", type=float, required=True, help="Working length, mm.")
@click.option("--size", type=int, required=True, help="Final apical size, such as 30.")
@click.option("--taper", type=float, required=True, help="Of the preparation, such as .06.")
@click.option(
    "--apical-part",
    nargs=2,
    type=float,
    default=None,
    metavar="MM TAPER",
    help="The last mm have another taper.",
)
@click.option(
    "--curve",
    nargs=2,
    type=float,
    default=None,
    metavar="DEPTH RADIUS",
    help="Where the canal begins to bend, and how sharply, mm.",
)
@click.option("--cone", nargs=2, type=(int, float), default=None, help="Its size and taper.")
@click.option("--point", default=None, metavar="NAME|FILE", help="A cone given as a table.")
@click.option("--cut", "cut_mm", type=float, default=0.0, help="Cut off the cone's tip, mm.")
@click.option("--orifice", "orifice_mm", type=float, default=0.0, help="Its depth, mm.")
@click.option("--sear", "sear_mm", type=float, default=None, help="Depth of the sear, mm.")
@click.option("--coronal", "coronal_mm", type=float, default=None, help="Level to fill to, mm.")
@click.option("--wall", "wall_mm", type=float, default=None, help="Of the root there, mm.")
@click.option(
    "--carrier",
    "setting_c",
    type=float,
    default=None,
    help="What the heat carrier is set to, C.",
)
@click.option("--pluggers", default=None, metavar="NAME|FILE", help="Your own set.")
@click.option("--protocol", default="warm-vertical", show_default=True, help="Name or file.")
@click.option("--json", "as_json", is_flag=True)
def reckon(
    wl_mm: float,
    size: int,
    taper: float,
    apical_part: tuple[float, float] | None,
    curve: tuple[float, float] | None,
    cone: tuple[int, float] | None,
    point: str | None,
    cut_mm: float,
    orifice_mm: float,
    sear_mm: float | None,
    coronal_mm: float | None,
    wall_mm: float | None,
    setting_c: float | None,
    pluggers: str | None,
    protocol: str,
    as_json: bool,
) -> None:
    """What fits, the cycles, the increments and the heat, from numbers alone.

    All of it is geometry and heat conduction, given as intervals, rounded outward, where
    sizes or material properties are not known exactly; none of it is measured. Softening is
    by conduction alone. --carrier is taken as the most that the carrier reaches; without it
    that is 118 C, the highest published reading in a mass. A measured curve can stand in the
    file given with --pluggers.

    \b
    fillwarm reckon --length 21 --size 30 --taper .06 --cone 30 .06 --cut 0.5 \\
      --orifice 8 --sear 8 --coronal 8 --pluggers example
    """
    rules = load_yaml(protocol_path(protocol), Protocol)
    limit_mm = depth_limit_mm(wl_mm, rules.limit("short_of_wl_mm")) if wl_mm > 0 else 0.0
    if cut_mm and not (cone or point):
        raise InputFileError(
            f"A cut of {cut_mm:g} mm, and no cone to cut; give one with --cone or --point."
        )
    for depth_mm, option, deepest_mm, what in (
        (orifice_mm, "--orifice", wl_mm, "the working length"),
        (sear_mm, "--sear", wl_mm, "the working length"),
        (coronal_mm, "--coronal", limit_mm, "the limit for instruments"),
    ):
        if depth_mm is not None and depth_mm > deepest_mm:
            raise InputFileError(
                f"{option} {depth_mm:g} mm is below {what} ({deepest_mm:g} mm); depths are "
                "from the reference point down."
            )
    own = load_pluggers(pluggers) if pluggers else None
    try:
        parts = [TaperSegment(*apical_part)] if apical_part else []
        shape = prepared(wl_mm, size, *parts, taper)
        if curve:
            shape = replace(shape, curve_begins_mm=curve[0], curve_radius_mm=curve[1])
        if (mouth_mm := shape.diameter_mm(orifice_mm)) > MAX_DIAMETER_MM:
            raise ValueError(
                f"at its orifice ({orifice_mm:g} mm) this canal would be {mouth_mm:.1f} mm "
                f"wide, and none is shaped wider than {MAX_DIAMETER_MM:g} mm; give the depth "
                "of the orifice with --orifice"
            )
        found: Numbers = {"canal": _canal(shape, rules)}
        chosen = load_point(point) if point else reckoning.point(own, *cone) if cone else None
        if chosen is not None:
            found["cone"] = _cone(shape, chosen, cut_mm, orifice_mm, rules)
        if own:
            thirds = reckoning.thirds(shape, own.plugger_set(), rules.limits, orifice_mm)
            found["pluggers"] = [_third(one) for one in thirds.values()]
            any_third = thirds[fit.Third.APICAL]
            touches = {one.plugger.name: _ends(one.binds_mm) for one in any_third.fits}
            found["first_touch_mm"] = touches
        if sear_mm is not None:
            carrier = own.carrier.source() if own and own.carrier else UNKNOWN_SOURCE
            carrier = carrier if setting_c is None else Source(setting_c)
            instruments = own.plugger_set() if own else None
            narrow = _too_narrow(shape, sear_mm, rules, instruments, orifice_mm)
            found["cycles"] = (
                {"none": narrow} if narrow else _cycles(shape, sear_mm, rules, carrier, wall_mm)
            )
        if coronal_mm is not None:
            found["backfill"] = _backfill(shape, coronal_mm, rules)
    except ValueError as bad:
        raise InputFileError(f"{str(bad)[:1].upper()}{str(bad)[1:]}.") from None
    click.echo(json.dumps(found, indent=2) if as_json else "\n".join(_lines(found)))


def _ends(interval: Interval, digits: int = 2) -> list[float]:
    outward = interval.outward(digits)
    return [outward.low, outward.high]


def _canal(shape: CanalShape, rules: Protocol) -> Numbers:
    limit = depth_limit_mm(shape.wl_mm, rules.limit("short_of_wl_mm"))
    return {
        "working_length_mm": shape.wl_mm,
        "apical_mm": shape.apical_mm,
        "tolerance_mm": shape.tolerance_mm,
        "limit_mm": limit,
        "diameter_at_limit_mm": round(shape.diameter_mm(limit), 3),
    }


def _cone(
    shape: CanalShape, point: Point, cut_mm: float, orifice_mm: float, rules: Protocol
) -> Numbers:
    seat = reckoning.seat(shape, point, cut_mm, rules.limits, orifice_mm)
    return {
        "name": point.name,
        "tip_mm": _ends(seat.tip_mm, 3),
        "canal_mm": _ends(seat.canal_mm, 3),
        "stops_mm": _ends(seat.stops_mm),
        "by_exact_sizes": str(seat.nominal),
        "by_all_sizes_within_tolerance": str(seat.verdict),
    }


def _third(found: fit.ThirdFit) -> Numbers:
    return {
        "third": str(found.third),
        "to_mm": round(found.to_mm, 2),
        "reached": str(found.reached),
        "largest": found.largest.name if found.largest else None,
        "smallest": found.smallest.name if found.smallest else None,
        "largest_perhaps": found.largest_perhaps.name if found.largest_perhaps else None,
    }


def _too_narrow(
    shape: CanalShape, sear_mm: float, rules: Protocol, own: PluggerSet | None, mouth_mm: float
) -> str | None:
    """Why there can be no cycle: no instrument reaches the first of them."""
    planned = plan.plan_downpack(
        reckoning.downpack_job(rules, shape.wl_mm, sear_mm), reckoning.cycle_times(rules)
    )
    if not planned.cycles:
        return None
    first_mm = planned.cycles[0].heat_to_mm
    if own is None:
        wide_mm = shape.diameter_interval_mm(first_mm).high
        if wide_mm >= THINNEST_MM:
            return None
        return (
            f"at {text_of(first_mm)} mm the canal is at most {wide_mm:.2f} mm wide, and no "
            f"heat carrier is thinner than {THINNEST_MM:g} mm"
        )
    clearance = reckoning.value_of(rules.limits.plugger_clearance_mm)
    deepest = [
        fit.bind_depth_mm(shape, one, clearance, mouth_mm).high
        for one in own.heat_carriers or own.pluggers
    ]
    if max(deepest) >= first_mm:
        return None
    return (
        f"of your own instruments none comes deeper than {max(deepest):.1f} mm without "
        f"touching, and the first cycle goes to {text_of(first_mm)} mm"
    )


def _cycles(
    shape: CanalShape, sear_mm: float, rules: Protocol, carrier: Source, wall_mm: float | None
) -> Numbers:
    job = reckoning.downpack_job(rules, shape.wl_mm, sear_mm)
    times, limits = reckoning.cycle_times(rules), rules.limits
    planned = plan.plan_downpack(job, times)
    if wall_mm is None and limits.root_wall_mm:
        wall_mm = limits.root_wall_mm.value
    cycles, top, earlier = [], sear_mm, list[tuple[Question, float]]()
    between_s = heat_reckoning.between_s(rules)
    for one in planned.cycles:
        told: Numbers = {
            "number": one.number,
            "heat_to_mm": one.heat_to_mm,
            "plugger_to_mm": one.plugger_to_mm,
            "plugger": one.plugger and str(one.plugger),
        }
        cycles.append(told)
        heating = Heating(one.heat_to_mm, top, times.heat_s, times.dwell_s, source=carrier)
        asked, top = heat_reckoning.question(shape, heating, wall_mm), one.plugger_to_mm
        left = heat_reckoning.left(rules, earlier)
        heat = heat_reckoning.live_heat(shape, heating, wall_mm, left)
        if heat is None or asked is None:
            continue
        told |= {
            "softened_mm": _ends(heat.softened_mm),
            "firm_s": _ends(heat.cool_s, 1),
            "surface_rise_c": _ends(heat.surface_rise_c, 1),
            "heat_within_table": heat.inside,
        }
        if limits.surface_rise_c:
            waits = [(e, after - between_s) for e, after in earlier]
            found = heat_reckoning.in_time(asked, limits.surface_rise_c.value, waits, between_s)
            told["wait_s"], told["longest_heat_s"] = found
        earlier = [
            (e, after + between_s + times.heat_s + times.dwell_s) for e, after in earlier
        ]
        earlier.append((asked, between_s))
    return {
        "cycles": cycles,
        "stop_mm": planned.stop_mm,
        "seconds": planned.seconds,
        "plunges_in_range": planned.fits,
    }


def _backfill(shape: CanalShape, coronal_mm: float, rules: Protocol) -> Numbers:
    job = reckoning.backfill_job(rules, shape, coronal_mm)
    top = depth_limit_mm(shape.wl_mm, rules.limit("short_of_wl_mm"))
    planned = plan.plan_backfill(job, top)
    return {
        "from_mm": top,
        "increments": [
            {"length_mm": one.length_mm, "to_mm": one.to_mm, "mm3": round(one.volume_mm3, 2)}
            for one in planned.increments
        ],
        "mm3": round(planned.volume_mm3, 2),
        "material_mm3": _ends(planned.material_mm3),
    }


def _lines(found: Numbers, indent: str = "") -> list[str]:
    """The same figures for people: one a line, blocks indented."""
    lines: list[str] = []
    for name, value in found.items():
        label = f"{indent}{name.replace('_', ' ')}"
        if isinstance(value, dict):
            lines += [label, *_lines(value, indent + "  ")]
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for number, item in enumerate(value, 1):
                lines += [f"{label} {number}", *_lines(item, indent + "  ")]
        elif isinstance(value, list):
            lines.append(f"{label}: {' to '.join(text_of(v) for v in value)}")
        elif isinstance(value, float):
            lines.append(f"{label}: {text_of(value)}")
        else:
            lines.append(f"{label}: {'none' if value is None else value}")
    return lines
