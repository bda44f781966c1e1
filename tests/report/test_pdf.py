"""The note on paper: its text and pages (read back with pypdf), and the depth drawing."""

from __future__ import annotations

import os
import subprocess
import sys
from functools import cache
from io import BytesIO
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader
from typical_case import (
    HEAD,
    Driver,
    barely_started,
    many_warnings,
    molar,
    two_canals,
)

from assistant.procedure.state import CaseState
from assistant.report.drawing import (
    Drawing,
    DrawnDepths,
    Rect,
    Stroke,
    Text,
    depth_drawing,
    depths_of,
    pushed_apart,
)
from assistant.report.lettering import REPLACED, latin1
from assistant.report.note import note
from assistant.report.pdf import as_pdf
from assistant.report.statement import DEMO, STATEMENT

A4_POINTS = (595.28, 841.89)  # ISO 216: 210 x 297 mm, at 72 points to the inch


def drawings_of(state: CaseState) -> Any:
    return [depth_drawing(depths_of(state, track.name)) for track in state.canals]


def pdf_of(state: CaseState) -> Any:
    return as_pdf(note(state, HEAD), drawings_of(state))


def pages(state: CaseState) -> Any:
    return [page.extract_text() for page in PdfReader(BytesIO(pdf_of(state))).pages]


def flat(text: str) -> Any:
    return " ".join(text.split())


@cache
def endless_canal() -> Any:
    """Forty-five downpack cycles: more rows than a page has."""
    case = Driver().set_up(24, "buccal")
    case.canal_to_pluggers(21.0)
    case.canal_to_sear(21.0)
    for i in range(45):
        case.heat(3.0)
        case.mm(10.0 + i / 10, 10.0 + i / 10)
        case.press()
    return case


EVERY = [two_canals, molar, barely_started, many_warnings, endless_canal]


@pytest.mark.parametrize(
    ("case", "expected"),
    [(two_canals, 1), (barely_started, 1), (molar, 2), (many_warnings, 2)],
)
def test_pages(case: Any, expected: int) -> None:
    assert len(pages(case().state)) == expected


@pytest.mark.parametrize("case", EVERY)
def test_the_page_says_what_the_note_says_warnings_first(case: Any) -> None:
    state = case().state
    chart = note(state, HEAD)
    told = flat(" ".join(pages(state)))
    for canal in chart.canals:
        for row in canal.rows:
            assert row.label in told
    for line in (*chart.changes, *chart.rejected):
        first = " ".join(line.split()[:4])
        assert first in told
    assert told.index("WARNINGS:") < told.index("Canal: ")
    assert told.count("URGENT") + told.count("CAUTION") == len(chart.warnings)
    assert chart.signature in told


@pytest.mark.parametrize("case", EVERY)
def test_every_page_carries_statement_hash_and_number(case: Any) -> None:
    found = pages(case().state)
    for i, page in enumerate(found, 1):
        told = flat(page)
        assert STATEMENT in told
        assert HEAD in told
        assert f"Page {i} of {len(found)}" in told


@pytest.mark.parametrize("case", EVERY)
def test_nothing_is_set_outside_the_page_or_into_the_foot(case: Any) -> None:
    for page in PdfReader(BytesIO(pdf_of(case().state))).pages:
        placed: list[Any] = []

        def visit(
            text: str, cm: Any, tm: Any, font: Any, size: Any, placed: Any = placed
        ) -> Any:
            if text.strip():
                placed.append((tm[4], tm[5], text))

        page.extract_text(visitor_text=visit)
        foot = max(y for _, y, text in placed if text.startswith("Made by a voice"))
        for x, y, text in placed:
            assert 0 < x < A4_POINTS[0], text
            assert 0 < y < A4_POINTS[1], text
        body = [y for _, y, text in placed if "Canal: " in text or "Marks: " in text]
        assert all(y > foot for y in body)


def test_unsigned_and_signed_look_different() -> None:
    assert "NOT SIGNED" not in pages(two_canals().state)[0]
    assert pages(barely_started().state)[0].count("NOT SIGNED") == 2  # top and foot


def test_demonstration_data_is_called_so_at_top_and_bottom_of_the_page() -> None:
    page = pages(two_canals(demo=True).state)[0].strip()
    assert page.startswith(DEMO)
    assert page.endswith(DEMO)
    assert DEMO not in pages(two_canals().state)[0]


def test_the_same_case_gives_the_same_bytes_in_another_process() -> None:
    code = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "from report.test_pdf import pdf_of, two_canals\n"
        "sys.stdout.buffer.write(pdf_of(two_canals().state))"
    )
    other = subprocess.run(
        [sys.executable, "-c", code, str(Path(__file__).parents[1])],
        env=os.environ | {"PYTHONHASHSEED": "7", "TZ": "Asia/Tokyo"},
        capture_output=True,
        check=True,
    )
    assert other.stdout == pdf_of(two_canals().state)


def test_creation_date_is_the_notes_own_time() -> None:
    state = two_canals().state
    found = PdfReader(BytesIO(pdf_of(state))).metadata
    assert found is not None
    assert state.signed is not None
    assert found.creation_date == state.signed.wall.replace(microsecond=0)


def test_a_name_beyond_latin1_is_replaced_visibly_and_kept_in_the_properties() -> None:
    name = "Мария Łukaszewicz–Øster 山田"
    data = pdf_of(two_canals(name).state)
    read = PdfReader(BytesIO(data))
    told = flat(read.pages[0].extract_text())
    assert "Signed by ????? Lukaszewicz-Øster ?? at" in told
    assert REPLACED in told
    assert read.metadata is not None
    assert read.metadata.author == name


def test_no_notice_where_nothing_was_replaced() -> None:
    assert REPLACED not in flat(pages(two_canals("Zoë Ångström").state)[0])


@settings(deadline=None, max_examples=15)
@given(st.text(min_size=1, max_size=60), st.text(min_size=1, max_size=400))
def test_any_name_and_reason_can_be_set(operator: str, reason: str) -> None:
    case = Driver(operator).set_up(24, "buccal")
    case.skip(reason)
    assert pages(case.state)


@given(st.text())
def test_lettering_is_latin1_and_leaves_latin1_alone(text: str) -> None:
    latin1(text).encode("latin-1")
    known = "".join(c for c in text if ord(c) < 256)
    assert latin1(known) == known


# -- the drawing ------------------------------------------------------------

depths_mm = st.integers(0, 300).map(lambda tenths: tenths / 10)
maybe_mm = st.none() | depths_mm
any_depths = st.builds(
    DrawnDepths,
    title=st.just("Buccal"),
    wl_mm=maybe_mm,
    wl_final=st.booleans(),
    limit_mm=maybe_mm,
    coronal_mm=maybe_mm,
    sear_mm=maybe_mm,
    cycles=st.lists(st.tuples(maybe_mm, maybe_mm), max_size=14).map(
        lambda pairs: tuple((i, *pair) for i, pair in enumerate(pairs, 1))
    ),
    increments=st.lists(st.tuples(depths_mm, depths_mm.map(lambda mm: mm - 5)), max_size=6).map(
        lambda pairs: tuple((i, *pair) for i, pair in enumerate(pairs, 1))
    ),
    downpack_top_mm=maybe_mm,
    post_mm=maybe_mm,
)


def lettering(drawing: Drawing) -> Any:
    return [shape for shape in drawing.shapes if isinstance(shape, Text)]


@settings(deadline=None, max_examples=60)
@given(any_depths)
def test_labels_never_overlap(depths: DrawnDepths) -> None:
    for one, other in combinations(lettering(depth_drawing(depths)), 2):
        left, top, right, bottom = one.box
        left2, top2, right2, bottom2 = other.box
        apart = right <= left2 or right2 <= left or bottom <= top2 or bottom2 <= top
        assert apart, (one, other)


@settings(deadline=None, max_examples=60)
@given(any_depths)
def test_the_drawing_stays_on_its_paper(depths: DrawnDepths) -> None:
    drawing = depth_drawing(depths)
    for shape in drawing.shapes:
        match shape:
            case Text():
                left, top, right, bottom = shape.box
            case Stroke():
                left, right = sorted((shape.x1, shape.x2))
                top, bottom = sorted((shape.y1, shape.y2))
            case Rect():
                left, right = shape.x, shape.x + shape.width
                top, bottom = shape.y, shape.y + shape.height
                assert shape.height >= 0
        assert left >= 0
        assert top >= 0
        assert right <= drawing.width_mm
        assert bottom <= drawing.height_mm


@pytest.mark.parametrize("scale", [2.0, 3.5])
def test_depths_are_to_scale(scale: float) -> None:
    depths = depths_of(two_canals().state, "buccal")
    shapes = depth_drawing(depths, scale=scale).shapes
    zero = next(s.y for s in shapes if isinstance(s, Text) and s.text == "0")
    levels = {round((s.y1 - zero) / scale, 6) for s in shapes if isinstance(s, Stroke)}
    assert {16.1, 21.1, 10.0} <= levels  # limit, working length, planned coronal level
    bars = [s for s in shapes if isinstance(s, Rect) and s.solid]
    assert [round(bar.height / scale, 6) for bar in bars] == [13.5, 16.0]
    fills = [s for s in shapes if isinstance(s, Rect) and not s.solid]
    spans = [round(fill.height / scale, 6) for fill in fills]
    assert spans == [5.1, 2.5, 3.0]  # 16 to 21.1, then the increments dictated
    for below, above in pairwise(fills):
        assert above.y + above.height == pytest.approx(below.y)


def test_labels_name_every_depth() -> None:
    drawing = depth_drawing(depths_of(two_canals().state, "buccal"))
    told = " | ".join(text.text for text in lettering(drawing))
    for words in (
        "16.1  LIMIT for instruments",
        "21.1  WORKING LENGTH",
        "planned coronal level, sear",
        "13.5  carrier 1, plugger 1",
        "16  carrier 2, plugger 2",
        "fill 1 (+2.5)",
        "10.5  fill 2 (+3)",
    ):
        assert words in told
    assert "provisional" not in told


def test_a_canal_of_which_nothing_is_known_can_be_drawn() -> None:
    told = [text.text for text in lettering(depth_drawing(DrawnDepths("Buccal")))]
    assert "0  reference point" in told
    assert not any("LIMIT" in text or "WORKING" in text for text in told)


places = st.lists(st.floats(0, 100), max_size=12).map(sorted)


@given(places, st.floats(0.1, 5))
def test_pushed_apart_keeps_order_and_gap(wanted: list[float], gap: float) -> None:
    placed = pushed_apart(wanted, gap, 0, 200)
    assert len(placed) == len(wanted)
    assert all(b - a >= gap - 1e-9 for a, b in pairwise(placed))


@given(places)
def test_pushed_apart_leaves_alone_what_is_apart(wanted: list[float]) -> None:
    spread = [place + 10 * i for i, place in enumerate(wanted)]
    assert pushed_apart(spread, 10, 0, 500) == pytest.approx(tuple(spread))
