"""What every report says about itself. The wording stands here and nowhere else."""

from __future__ import annotations

STATEMENT = (
    "Made by a voice-driven procedure aid for trained clinicians. It is not a cleared or "
    "approved medical device and does not replace clinical judgement: local codes, the "
    "makers' instructions and licensed practice come first. It records what was said and "
    "timed; it cannot see into the tooth. Mind thermal injury (carrier, hot needle), sealers "
    "that heat changes, extrusion beyond the apex (nerve and sinus are near), and allergy "
    "(latex, sealer)."
)

DEMO = "INVENTED DEMONSTRATION DATA"
"""Stands first and last on the reports of a rehearsed case."""
