"""What the standards say of points, for tests to hold the program to."""

from __future__ import annotations

STANDARD_TAPER = 0.02
"""Taper of the standard series, ISO 3630-1: 0.32 mm over the 16 mm working part."""

WORKING_PART_MM = 16.0
"""Over which the standard fixes diameters, from D0 to D16 (ISO 3630-1, from memory)."""
