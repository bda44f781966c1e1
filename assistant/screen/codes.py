"""A link as a QR code: squares for the page, half blocks for a terminal."""

from __future__ import annotations

import io
from functools import lru_cache

import segno

QUIET_SQUARES = 4
"""Light border that a reader needs (ISO/IEC 18004, edition not opened, from memory)."""


@lru_cache(maxsize=2)
def squares(link: str) -> tuple[str, ...]:
    """The rows of the code, "1" for a dark square, with their border."""
    rows = segno.make_qr(link, error="l").matrix_iter(border=QUIET_SQUARES)
    return tuple("".join("1" if dark else "0" for dark in row) for row in rows)


def half_blocks(link: str) -> str:
    """The code in lines of a terminal, two rows of squares a line."""
    lines = io.StringIO()
    segno.make_qr(link, error="l").terminal(lines, border=2, compact=True)
    return lines.getvalue()
