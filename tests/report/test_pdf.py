"""The note on paper: its text and pages (read back with pypdf), and the depth drawing."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from datetime import UTC
from functools import cache
from io import BytesIO
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any
from unicodedata import normalize

import pikepdf
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

from assistant.progress.state import CaseState
from assistant.report import lettering as letters
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
from assistant.report.lettering import REPLACED, UNKNOWN
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
    for i in range(1, 46):
        case.heat(3.0)
        case.press()
        case.mm(round(10.0 + i / 10, 1), round(10.0 + i / 10, 1))
        if case.state.open_warnings("buccal"):
            case.command("keep")  # so often heated, the root is too warm
    assert case.state.here.round("cycle") == 46
    return case


def has_font(text: str) -> bool:
    return not letters.lettering([text]).replaces(text)


EVERY = [two_canals, molar, barely_started, many_warnings, endless_canal]


@pytest.mark.parametrize(
    ("case", "expected"),
    [(two_canals, 2), (barely_started, 2), (molar, 3), (many_warnings, 2)],
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
    for line in chart.changes:
        first = " ".join(line.split()[:4])
        assert first in told
    assert told.index("WARNINGS:") < told.index("Canal: ")
    assert told.count("URGENT") + told.count("CAUTION") == len(chart.warnings)
    assert chart.signature in told


@pytest.mark.parametrize("case", EVERY)
def test_the_first_page_is_complete_for_a_chart(case: Any) -> None:
    state = case().state
    chart, page = note(state, HEAD), flat(pages(state)[0])
    for row in (*chart.head, *chart.summary):
        assert flat(f"{row.label} {row.text}") in page, row
    assert f"WARNINGS: {len(state.warnings) or 'none'}" in page
    assert chart.signature in page
    assert "Signature (ink): ____" in page
    assert "Date: ____" in page
    shown = sum(line[:60] in page for line in chart.warnings)
    assert shown == len(chart.warnings) or "of the lines below on the next page" in page
    assert shown or not chart.warnings


def test_many_different_warnings_go_on_on_the_next_page() -> None:
    state = two_canals().state
    several = tuple(f"URGENT number {i}: " + "a long story. " * 12 for i in range(40))
    chart = replace(note(state, HEAD), warnings=several, warned=40)
    read = PdfReader(BytesIO(as_pdf(chart, drawings_of(state))))
    first, second, *_ = (flat(page.extract_text()) for page in read.pages)
    for row in (*chart.head, *chart.summary):
        assert flat(f"{row.label} {row.text}") in first
    assert "Signature (ink): ____" in first
    assert "URGENT number 0:" in first
    assert "of the lines below on the next page" in first
    assert second.startswith("WARNINGS, continued: 40")
    told = first + second
    assert all(f"URGENT number {i}:" in told for i in range(40))


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
    found = PdfReader(BytesIO(pdf_of(state))).xmp_metadata
    assert found is not None
    assert state.signed is not None
    assert found.xmp_create_date == state.signed.wall.replace(microsecond=0).astimezone(
        UTC
    ).replace(tzinfo=None)
    assert found.dc_creator == ["Operator A"]


@pytest.mark.parametrize("case", [two_canals, barely_started])
def test_no_letter_is_smaller_than_nine_points(case: Any) -> None:
    sizes: set[float] = set()

    def seen(text: str, cm: Any, tm: Any, font: Any, size: float) -> None:
        if text.strip():
            sizes.add(round(size, 1))

    for page in PdfReader(BytesIO(pdf_of(case().state))).pages:
        page.extract_text(visitor_text=seen)
    assert 9.0 <= min(sizes) < 9.2


# -- letters ------------------------------------------------------------------

KOREAN = has_font("김민준")


@pytest.mark.parametrize(
    "name", ["Мария Łukaszewicz–Øster", "Zoë Ångström", "Ελένη", "محمد علي"]
)
def test_a_name_is_printed_as_it_is(name: str) -> None:
    (page, *_) = pages(two_canals(name).state)
    told = normalize("NFKC", flat(page)).replace("\u202b", "").replace("\u202c", "")
    assert all(part in told or part[::-1] in told for part in name.split()), told[:200]
    assert flat(REPLACED) not in told


@pytest.mark.skipif(not KOREAN, reason="no font with Korean: the extra scripts, or a system's")
def test_a_korean_name_is_printed_as_it_is() -> None:
    data = pdf_of(two_canals("김민준").state)
    (page, *_) = pages(two_canals("김민준").state)
    # pypdf puts a NUL before each letter of a font with compact (CFF) outlines.
    assert "Signed by 김민준 at" in flat(page).replace("\x00", "")
    with pikepdf.open(BytesIO(data)) as read:
        fonts = read.pages[0].Resources.Font
        assert len(fonts) >= 3
        for font in fonts.values():
            inside = font.DescendantFonts[0].FontDescriptor
            assert {"/FontFile2", "/FontFile3"} & set(inside.keys())


def test_arabic_is_joined_and_runs_from_right_to_left() -> None:
    """The letters of a word take the forms that they have within it: none of those apart."""
    from fontTools.ttLib import TTFont

    with pikepdf.open(BytesIO(pdf_of(two_canals("محمد").state))) as read:
        embedded = read.pages[0].Resources.Font["/F1"].DescendantFonts[0].FontDescriptor
        font = TTFont(BytesIO(embedded.FontFile2.read_bytes()))
    whole = TTFont(letters.REGULAR)
    apart = {whole["glyf"][whole.getBestCmap()[ord(c)]].compile(whole["glyf"]) for c in "محمد"}
    inside = {font["glyf"][name].compile(font["glyf"]) for name in font.getGlyphOrder()}
    # The first letter stands in its beginning form; the last cannot join to the left.
    assert len(apart & inside) < len(set("محمد"))


def test_what_no_font_has_is_seen_to_be_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(letters, "_others", lambda missing: ())
    state = two_canals("\U00013080 Ann").state
    page = flat(pages(state)[0])
    assert f"Signed by {UNKNOWN} Ann at" in page
    assert flat(REPLACED) in page
    assert "'.[scripts]'" in page


def test_without_the_shaper_joined_letters_are_missing_rather_than_wrong(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(letters, "find_spec", lambda name: None)
    found = letters.lettering(["محمد Ann"])
    assert not found.shaped
    assert found.fit("محمد Ann") == f"{UNKNOWN * 4} Ann"


@given(st.text())
def test_nothing_is_dropped_in_lettering(text: str) -> None:
    known = letters.Lettering((), False, frozenset("abc ABCé" + UNKNOWN))
    fitted = known.fit(text)
    assert set(fitted) <= known.known | set("\n\u200c\u200d")
    assert len(fitted) >= len(normalize("NFC", text))


# -- kept for years ------------------------------------------------------------


@pytest.mark.parametrize("case", [two_canals, many_warnings])
def test_it_is_tagged_pdf_a(case: Any) -> None:
    """What of PDF/A-2 and of tagging can be read off the file; no validator can be had."""
    with pikepdf.open(BytesIO(pdf_of(case().state))) as read:
        assert read.check_pdf_syntax() == []
        assert read.open_metadata().pdfa_status == "2U"
        assert bool(read.Root.MarkInfo.Marked)
        assert str(read.Root.Lang) == "en"
        assert read.Root.OutputIntents[0].S == "/GTS_PDFA1"
        assert "/Encrypt" not in read.trailer
        parts = list(read.Root.StructTreeRoot.K[0].K)
        for page in read.pages:
            for font in page.Resources.Font.values():
                assert "/ToUnicode" in font
                assert "/FontFile2" in font.DescendantFonts[0].FontDescriptor
            _everything_is_marked(page)
    kinds = [str(part.S) for part in parts]
    assert kinds[0] == "/H1"
    assert kinds.count("/H1") == 1
    told = [str(part.Alt) for part in parts if part.S == "/Figure"]
    codes = [f"QR code of the journal head hash {HEAD}"] * (case().state.signed is not None)
    assert told[len(case().state.canals) :] == codes
    assert all("limit" in one.lower() for one in told[: len(case().state.canals)])
    assert set(kinds) == {"/H1", "/H2", "/P", "/Figure"}


def _everything_is_marked(page: Any) -> None:
    depth = 0
    for one in pikepdf.parse_content_stream(page):
        name = str(one.operator)
        if name in {"BDC", "BMC"}:
            assert depth == 0
            depth = 1
        elif name == "EMC":
            depth = 0
        elif name in {"Tj", "TJ", "S", "f", "B", "Do"}:
            assert depth, name


@settings(deadline=None, max_examples=15)
@given(st.text(min_size=1, max_size=60), st.text(min_size=1, max_size=400))
def test_any_name_and_reason_can_be_set(operator: str, reason: str) -> None:
    case = Driver(operator).set_up(24, "buccal")
    case.skip(reason)
    assert pages(case.state)


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
        "10  planned coronal level",
        "10  sear",
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
