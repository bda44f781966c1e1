"""What the standards say of points, for tests to hold the program to."""

from __future__ import annotations

STANDARD_TAPER = 0.02
"""Taper of the standard series, ISO 3630-1: 0.32 mm over the 16 mm working part."""

POINT_TAPERS: tuple[float, ...] = (0.02, 0.04, 0.05, 0.06, 0.08, 0.10, 0.12)
"""Tapers in which gutta-percha points with an ISO size at the tip are common: the
standard one and the non-standard .04 to .12 (common practice)."""

WORKING_PART_MM = 16.0
"""Over which the standard fixes diameters, from D0 to D16 (ISO 3630-1, from memory)."""
