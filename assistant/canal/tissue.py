"""Thermal properties of what lies in and around a canal, each with its range and source.

Published figures differ by a factor of two or more, and much was never published. So
every number is a range with a usual value, and whatever is computed from them is an
interval (``tests/canal/heat_range.py``). "From memory" means: not checked against a document;
"assumed" means: chosen here, with the reason.

Units are SI (W/(m K), kg/m3, J/(kg K)), lengths mm, temperatures C.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import NamedTuple

from assistant.canal.instruments import Interval

BODY_C = 37.0
"""Of blood, and of the tissue around a root before it is heated."""


class Outside(StrEnum):
    """What lies around a root, from the mouth to the laboratory bench."""

    PERFUSED = "perfused"
    """Ligament and bone, both with blood that comes in at body temperature."""
    STILL = "still"
    """The same without blood flow."""
    HELD = "held"
    """A ligament kept at one temperature on its outer side: blood without limit."""
    BATH = "bath"
    """Water, which carries heat off by convection. No ligament, no bone."""
    AIR = "air"
    """Still room air about an extracted tooth."""


BONE_MM = 5.0
"""Bone computed around the ligament, at body temperature beyond it (chosen here: heat of a
minute spreads 5 mm)."""

FILM_MM = 0.1
"""Of water or air at the root; what it conducts is what convection carries (chosen here)."""

MOULDABLE_C = Interval(40.0, 45.0)
"""Temperature in the mass above which gutta-percha can be compacted: 40 to 45 C is common
practice. The lower end is also where it recrystallises on cooling (40-42 C,
thermomechanical properties of gutta-percha, part V, Oral Surg Oral Med Oral Pathol
1985;59:285-96, summary). J Polym Eng 2014 finds 44-58 C the best range for the force of
compaction (abstract): a mass at 40 C moulds, but not well."""

BONE_RISE_C = 10.0
"""Rise at the bone not to be exceeded: 47 C for one minute is the threshold of injury
(Eriksson & Albrektsson 1983, from memory)."""

MELTING_C = ((46.0, 52.0), (56.0, 62.0))
"""Beta to alpha, alpha to amorphous on heating (part V, 1985, summary). Half of the heat of
melting is given to each (assumed; no source splits it)."""

RECRYSTALLISES_C = (40.0, 42.0)
"""On cooling (same source): the heat of melting comes back only there."""


class Known(NamedTuple):
    """What is known of one number: its range, its usual value, where it comes from.

    ``log``: the range spans so much that the middle is the geometric one.
    """

    low: float
    usual: float
    high: float
    unit: str
    source: str
    log: bool = False


_MEMORY = "from memory"

TABLE: Mapping[str, Known] = {
    "gutta_percha_w_mk": Known(
        0.45, 1.15, 2.30, "W/(m K)",
        "0.604, 1.150, 1.179 and 2.247 of four kinds of point, J Peking Univ (Health Sci) "
        "2017;49:110 (abstract, the unit presumed); no less than 0.35 to 0.53, the lower bound "
        "of Hashin and Shtrikman for their filler",
        log=True,
    ),
    "gutta_percha_kg_m3": Known(
        1900, 2300, 2800, "kg/m3", f"{_MEMORY}: by the share of zinc oxide"
    ),
    "gutta_percha_j_kgk": Known(
        850, 940, 1030, "J/(kg K)",
        "0.94 J/(g C), Miner et al., J Endod 2006;32:683 (abstract); a tenth each way assumed",
    ),
    "melting_j_kg": Known(
        8000, 10900, 13000, "J/kg",
        "10.9 J/g, Miner et al., J Endod 2006;32:683 (abstract); range assumed",
    ),
    "sealer_mm": Known(
        0.01, 0.03, 0.10, "mm",
        f"{_MEMORY}: ISO 6876 (edition not opened) allows 0.05 mm between plates; a canal "
        "leaves more in places",
        log=True,
    ),
    "sealer_w_mk": Known(
        0.2, 0.4, 1.0, "W/(m K)", f"{_MEMORY}: resin 0.2, zinc oxide-eugenol 0.4 to 0.5"
    ),
    "sealer_j_m3k": Known(
        1.8e6, 2.3e6, 3.0e6, "J/(m3 K)", f"{_MEMORY}: as other filled cements"
    ),
    "dentine_w_mk": Known(
        0.40, 0.58, 0.80, "W/(m K)", f"{_MEMORY}: most figures 0.45 to 0.63, some higher"
    ),
    "dentine_kg_m3": Known(2000, 2140, 2250, "kg/m3", _MEMORY),
    "dentine_j_kgk": Known(1100, 1250, 1600, "J/(kg K)", f"{_MEMORY}: 1170 dry to 1590 moist"),
    "cementum_mm": Known(0.05, 0.10, 0.25, "mm", f"{_MEMORY}: thicker towards the apex"),
    "cementum_w_mk": Known(
        0.40, 0.55, 0.80, "W/(m K)", "assumed like dentine's: no figure known"
    ),
    "cementum_j_m3k": Known(
        2.2e6, 2.7e6, 3.4e6, "J/(m3 K)", "assumed like dentine's: no figure known"
    ),
    "ligament_mm": Known(0.15, 0.25, 0.40, "mm", f"{_MEMORY}: 0.15 to 0.38 mm"),
    "ligament_w_mk": Known(
        0.40, 0.50, 0.65, "W/(m K)", f"{_MEMORY}: soft tissue 0.5, water 0.62"
    ),
    "ligament_j_m3k": Known(3.4e6, 3.8e6, 4.2e6, "J/(m3 K)", f"{_MEMORY}: as water"),
    "ligament_blood_w_m3k": Known(
        5e3, 3e4, 1e5, "W/(m3 K)",
        f"{_MEMORY}: 10 to 150 ml of blood a minute in 100 g, 3.8e6 J/(m3 K)",
        log=True,
    ),
    "bone_w_mk": Known(0.30, 0.45, 0.70, "W/(m K)", f"{_MEMORY}: spongy 0.3, dense 0.4 to 0.6"),
    "bone_j_m3k": Known(1.8e6, 2.3e6, 2.9e6, "J/(m3 K)", _MEMORY),
    "bone_blood_w_m3k": Known(
        2e3, 6e3, 2e4, "W/(m3 K)",
        f"{_MEMORY}: 3 to 30 ml of blood a minute in 100 g, 3.8e6 J/(m3 K)",
        log=True,
    ),
    "bath_w_m2k": Known(
        150, 400, 1500, "W/(m2 K)",
        f"{_MEMORY}: water past a body of millimetres, from still to stirred",
        log=True,
    ),
    "air_w_m2k": Known(
        5, 12, 30, "W/(m2 K)", f"{_MEMORY}: room air, radiation included", log=True
    ),
    "carrier_reached": Known(
        0.25, 0.60, 1.00, "of the rise over 37 C that the carrier is set to",
        "set to 200 C it was 177 to 325 C bare and 158 to 253 C by infrared, but 73 to 87 C "
        "after 10 s in PTFE (Restor Dent Endod; J Korean Acad Conserv Dent 27(4); PubMed "
        "28951031; abstracts); the setting is taken as the high end (chosen here)",
    ),
    "carrier_contact_w_m2k": Known(
        2000, 6000, 20000, "W/(m2 K)",
        f"{_MEMORY}: metal on a polymer melt; above 20000 the mass itself is the hindrance",
        log=True,
    ),
    "carrier_share": Known(
        0.60, 0.80, 0.95, "of the canal's diameter at its deepest point",
        "assumed: fitted without touching the wall",
    ),
    "carrier_taper": Known(
        0.04, 0.06, 0.12, "mm/mm", "assumed: from a slender canal's taper to twice a usual one"
    ),
    "carrier_rise_s": Known(
        0.1, 0.5, 2.0, "s",
        "assumed: time constant; some glow up in half a second, measured ones took 4 s and "
        "more to the peak (Restor Dent Endod, abstract)",
        log=True,
    ),
    "carrier_fall_s": Known(
        0.5, 1.0, 3.0, "s", "assumed: time constant once switched off", log=True
    ),
    "cling_mm": Known(
        0.0, 0.2, 0.6, "mm", "assumed: what comes away below the carrier's end"
    ),
    "change_s": Known(
        1.0, 2.0, 4.0, "s", "assumed: from the carrier's removal to the plugger's contact"
    ),
    "plugger_c": Known(23, 28, 37, "C", "assumed: between the room and the tooth"),
    "plugger_contact_w_m2k": Known(
        300, 2000, 10000, "W/(m2 K)", "assumed: a wetted, pressed metal face", log=True
    ),
    "plugger_share": Known(
        0.3, 0.6, 0.9, "of the mass's upper face", "assumed: a plugger touches no wall"
    ),
}  # fmt: skip
"""Every uncertain number of the computation of heat."""

AIR_W_MK = 0.026
AIR_J_M3K = 1.2e3
"""Still air, from memory; the emptied canal. Practically an insulator."""

METAL_W_MK = 20.0
METAL_J_M3K = 4.0e6
"""The carrier: stainless steel, from memory. Twice as much changes nothing, for its
temperature is given, not computed."""


@dataclass(frozen=True, slots=True)
class Properties:
    """One set of numbers, a field for each entry of ``TABLE`` (units there)."""

    gutta_percha_w_mk: float = TABLE["gutta_percha_w_mk"].usual
    gutta_percha_kg_m3: float = TABLE["gutta_percha_kg_m3"].usual
    gutta_percha_j_kgk: float = TABLE["gutta_percha_j_kgk"].usual
    melting_j_kg: float = TABLE["melting_j_kg"].usual
    sealer_mm: float = TABLE["sealer_mm"].usual
    sealer_w_mk: float = TABLE["sealer_w_mk"].usual
    sealer_j_m3k: float = TABLE["sealer_j_m3k"].usual
    dentine_w_mk: float = TABLE["dentine_w_mk"].usual
    dentine_kg_m3: float = TABLE["dentine_kg_m3"].usual
    dentine_j_kgk: float = TABLE["dentine_j_kgk"].usual
    cementum_mm: float = TABLE["cementum_mm"].usual
    cementum_w_mk: float = TABLE["cementum_w_mk"].usual
    cementum_j_m3k: float = TABLE["cementum_j_m3k"].usual
    ligament_mm: float = TABLE["ligament_mm"].usual
    ligament_w_mk: float = TABLE["ligament_w_mk"].usual
    ligament_j_m3k: float = TABLE["ligament_j_m3k"].usual
    ligament_blood_w_m3k: float = TABLE["ligament_blood_w_m3k"].usual
    bone_w_mk: float = TABLE["bone_w_mk"].usual
    bone_j_m3k: float = TABLE["bone_j_m3k"].usual
    bone_blood_w_m3k: float = TABLE["bone_blood_w_m3k"].usual
    bath_w_m2k: float = TABLE["bath_w_m2k"].usual
    air_w_m2k: float = TABLE["air_w_m2k"].usual
    carrier_reached: float = TABLE["carrier_reached"].usual
    carrier_contact_w_m2k: float = TABLE["carrier_contact_w_m2k"].usual
    carrier_share: float = TABLE["carrier_share"].usual
    carrier_taper: float = TABLE["carrier_taper"].usual
    carrier_rise_s: float = TABLE["carrier_rise_s"].usual
    carrier_fall_s: float = TABLE["carrier_fall_s"].usual
    cling_mm: float = TABLE["cling_mm"].usual
    change_s: float = TABLE["change_s"].usual
    plugger_c: float = TABLE["plugger_c"].usual
    plugger_contact_w_m2k: float = TABLE["plugger_contact_w_m2k"].usual
    plugger_share: float = TABLE["plugger_share"].usual

    @property
    def gutta_percha_j_m3k(self) -> float:
        """Density times specific heat."""
        return self.gutta_percha_kg_m3 * self.gutta_percha_j_kgk

    @property
    def dentine_j_m3k(self) -> float:
        """Density times specific heat."""
        return self.dentine_kg_m3 * self.dentine_j_kgk

    @property
    def melting_j_m3(self) -> float:
        """Heat of melting of a volume."""
        return self.gutta_percha_kg_m3 * self.melting_j_kg


class Layer(NamedTuple):
    """One layer around the root: its thickness and what it conducts, holds and is kept at
    by blood."""

    mm: float
    w_mk: float
    j_m3k: float
    blood_w_m3k: float = 0.0


def layers(outside: Outside, p: Properties) -> tuple[Layer, ...]:
    """What lies around a root, outward; beyond the last the temperature is given.

    A film of water or air conducts as much as convection carries off the root.
    """
    blood = outside is Outside.PERFUSED
    ligament = Layer(
        p.ligament_mm, p.ligament_w_mk, p.ligament_j_m3k, blood * p.ligament_blood_w_m3k
    )
    match outside:
        case Outside.BATH:
            return (Layer(FILM_MM, p.bath_w_m2k * FILM_MM / 1e3, p.ligament_j_m3k),)
        case Outside.AIR:
            return (Layer(FILM_MM, p.air_w_m2k * FILM_MM / 1e3, AIR_J_M3K),)
        case Outside.HELD:
            return (ligament,)
        case _:
            bone = Layer(BONE_MM, p.bone_w_mk, p.bone_j_m3k, blood * p.bone_blood_w_m3k)
            return (ligament, bone)


NAMES: tuple[str, ...] = tuple(field.name for field in fields(Properties))
"""The properties in a fixed order, as a sample of them is drawn."""
