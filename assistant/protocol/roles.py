"""Roles: what a step's value is to the program, whatever the protocol calls it.

A protocol names its quantities as it likes; they are labels. Facts, rules, plans, reports
and practice ask for values by role. A step of which nothing is asked has none: its value
is recorded, read back and shown all the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum


class Role(StrEnum):
    """One thing that is asked of a canal or of the case."""

    # readiness of the case
    DAM = "dam"
    QUIET_TOOTH = "quiet_tooth"
    RADIOGRAPH = "radiograph"
    PATIENT_RISKS = "patient_risks"
    """Allergies and an implanted device that the work must mind."""
    # set-up
    WORKING_LENGTH = "working_length"
    """The provisional one, in force until there is a final one."""
    REFERENCE_POINT = "reference_point"
    APICAL_SIZE = "apical_size"
    TAPER = "taper"
    APICAL_PART = "apical_part"
    """Length of the last part of the preparation, where that has a taper of its own."""
    APICAL_TAPER = "apical_taper"
    """The taper of that part."""
    CURVE_BEGINS = "curve_begins"
    """Depth from which the canal bends."""
    CURVE_RADIUS = "curve_radius"
    ROOT_WALL = "root_wall"
    """Thickness of the root about the canal where it is heated deepest."""
    POST_PLANNED = "post_planned"
    CORONAL_LEVEL = "coronal_level"
    """Where the finished fill is to end."""
    SHAPED = "shaped"
    # master cone
    CONE_SIZE = "cone_size"
    CONE_TAPER = "cone_taper"
    CONE_LENGTH = "cone_length"
    CONE_FIT = "cone_fit"
    """Tugback, or what else tells whether the cone fits."""
    VERIFICATION = "verification"
    # instruments fitted in the empty canal
    CORONAL_PLUGGER = "coronal_plugger"
    MIDDLE_PLUGGER = "middle_plugger"
    APICAL_PLUGGER = "apical_plugger"
    HEAT_FIT = "heat_fit"
    # drying and final length
    DRYNESS = "dryness"
    PAPER_POINT = "paper_point"
    APEX_LOCATOR = "apex_locator"
    FINAL_LENGTH = "final_length"
    CUT_BACK = "cut_back"
    CONE_FIT_AGAIN = "cone_fit_again"
    """As CONE_FIT, after the cone was cut back."""
    SEALER = "sealer"
    SEATED = "seated"
    # fill
    SEAR = "sear"
    """Where the cone was seared off: the first top of the fill."""
    CUT_OFF = "cut_off"
    """As SEAR, without heat."""
    HEAT = "heat"
    HEAT_DEPTH = "heat_depth"
    COMPACTION = "compaction"
    """Depth of a plugger on the fill, which is the fill's top from then on."""
    PRESS = "press"
    DOWNPACK_RADIOGRAPH = "downpack_radiograph"
    REMOVED_TO = "removed_to"
    """Depth to which a fill was taken out again: its top from then on. Never asked; it is told
    with the change."""
    POST_DECISION = "post_decision"
    POST_LEVEL = "post_level"
    """Top of a fill that ends under a post."""
    INCREMENT = "increment"
    """Length that a portion of backfill adds."""
    INCREMENT_PRESS = "increment_press"
    FILL_LEVEL = "fill_level"
    """Whether the planned level has been reached."""
    # finish
    CHAMBER = "chamber"
    BARRIER = "barrier"
    FINAL_RADIOGRAPH = "final_radiograph"


_MEASURE, _CHOICE, _DONE = frozenset({"measure"}), frozenset({"choice"}), frozenset({"done"})
_YES = _CHOICE | _DONE
_SIZE, _TAPER, _TIMED = frozenset({"size"}), frozenset({"taper"}), frozenset({"timed"})

KINDS: Mapping[Role, frozenset[str]] = {
    Role.DAM: _YES,
    Role.QUIET_TOOTH: _YES,
    Role.RADIOGRAPH: _YES,
    Role.PATIENT_RISKS: _CHOICE,
    Role.WORKING_LENGTH: _MEASURE,
    Role.REFERENCE_POINT: _CHOICE,
    Role.APICAL_SIZE: _SIZE,
    Role.TAPER: _TAPER,
    Role.APICAL_PART: _MEASURE,
    Role.APICAL_TAPER: _TAPER,
    Role.CURVE_BEGINS: _MEASURE,
    Role.CURVE_RADIUS: _MEASURE,
    Role.ROOT_WALL: _MEASURE,
    Role.POST_PLANNED: _CHOICE,
    Role.CORONAL_LEVEL: _MEASURE,
    Role.SHAPED: _YES,
    Role.CONE_SIZE: _SIZE,
    Role.CONE_TAPER: _TAPER,
    Role.CONE_LENGTH: _MEASURE,
    Role.CONE_FIT: _CHOICE,
    Role.VERIFICATION: _CHOICE,
    Role.CORONAL_PLUGGER: _MEASURE,
    Role.MIDDLE_PLUGGER: _MEASURE,
    Role.APICAL_PLUGGER: _MEASURE,
    Role.HEAT_FIT: _MEASURE,
    Role.DRYNESS: _CHOICE,
    Role.PAPER_POINT: frozenset({"readings"}),
    Role.APEX_LOCATOR: _MEASURE,
    Role.FINAL_LENGTH: _MEASURE,
    Role.CUT_BACK: _MEASURE,
    Role.CONE_FIT_AGAIN: _CHOICE,
    Role.SEALER: _YES,
    Role.SEATED: _YES,
    Role.SEAR: _MEASURE,
    Role.CUT_OFF: _MEASURE,
    Role.HEAT: _TIMED,
    Role.HEAT_DEPTH: _MEASURE,
    Role.COMPACTION: _MEASURE,
    Role.PRESS: _TIMED,
    Role.DOWNPACK_RADIOGRAPH: _CHOICE,
    Role.REMOVED_TO: _MEASURE,
    Role.POST_DECISION: _CHOICE,
    Role.POST_LEVEL: _MEASURE,
    Role.INCREMENT: _MEASURE,
    Role.INCREMENT_PRESS: _TIMED,
    Role.FILL_LEVEL: _CHOICE,
    Role.CHAMBER: _YES,
    Role.BARRIER: _YES,
    Role.FINAL_RADIOGRAPH: _CHOICE,
}
"""What a step of a role must expect."""

TOPS = frozenset({Role.SEAR, Role.CUT_OFF, Role.COMPACTION, Role.POST_LEVEL})
"""Depths that are the top of the fill."""

OF_THE_CASE = frozenset(
    {Role.DAM, Role.QUIET_TOOTH, Role.RADIOGRAPH, Role.PATIENT_RISKS}
    | {Role.CHAMBER, Role.BARRIER, Role.FINAL_RADIOGRAPH}
)
"""Asked once, outside the canals; all others are asked in each canal."""
