"""A drawing in fewer bytes is the same drawing."""

from __future__ import annotations

import io
from xml.etree.ElementTree import fromstring

import numpy as np
import pytest
import vl_convert
from PIL import Image

from heapwright.web.drawing.lean import INHERITED, lean
from heapwright.web.drawing.places import Pile, Place, Stock, Yard
from heapwright.web.drawing.svg import Drawing
from heapwright.web.drawing.yard_plan import yard_plan
from heapwright.web.drawing.yard_rows import yard_rows

SVG = "{http://www.w3.org/2000/svg}"


def pile(code: str, temp_c: float | None, cover: str) -> Pile:
    return Pile(code, "hot", 12, 1.1, temp_c, cover == "tarp", cover, 1)


YARD = Yard(
    "Alder Lane yard <&>",
    (
        Place("B1", "Bay 1", "bay", 0, 0, 1.2, 1.2, 1.2, (pile("K-001", 62, "open"),), None, "/1/"),
        Place("B2", "Bay 2", "bay", 1.3, 0, 1.2, 1.2, 1.2, (pile("K-2", 81, "tarp"),), None, "/2/"),
        Place("S1", "Scraps", "bunker", 3, 0, 3, 2, 1.2, (),
              Stock("leaves", "4 m³", 0.6, "brown"), "/3/"),
        Place("CP", "Curing pad", "pad", 0, 3, 6, 3, 0,
              (pile("K-3", 31, "breathable"), pile("K-4", None, "roof")), None, "/4/"),
        *(Place(f"BED{n}", f"Bed {n}", "bed", 1.6 * n, 8, 1.2, 3, 0) for n in range(5)),
    ),
)  # fmt: skip
DRAWINGS = {
    "plan": yard_plan(YARD, uid="p", width_px=760, temp_unit="C", length_unit="m"),
    "small plan": yard_plan(YARD, uid="p", width_px=328, temp_unit="F", length_unit="ft"),
    "rows": yard_rows(YARD, uid="r", temp_unit="C", length_unit="m"),
}


def pixels(svg: str) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(vl_convert.svg_to_png(svg))).convert("RGB"), float)


@pytest.mark.parametrize("name", DRAWINGS)
def test_it_looks_the_same_says_the_same_and_is_smaller(name):
    drawing = DRAWINGS[name]
    small = lean(drawing)
    before, after = fromstring(drawing.svg), fromstring(small)
    off = np.abs(pixels(drawing.svg) - pixels(small))
    assert off.mean() < 1.0  # of 255: edges that moved by less than a twentieth of a pixel
    assert (off.max(axis=2) > 96).mean() < 1e-4
    for tag in ("a", "text", "title", "desc", "pattern"):
        of_tag = [
            [(one.text, one.get("href"), one.get("aria-label"), one.get("id")) for one in
             root.iter(SVG + tag)]
            for root in (before, after)
        ]  # fmt: skip
        assert of_tag[0] == of_tag[1]
    assert len(small) < 0.88 * len(drawing.svg)


def sheet(body: str) -> Drawing:
    head = '<svg xmlns="http://www.w3.org/2000/svg" width="60" height="40" fill="#26211b">'
    return Drawing(f"{head}{body}</svg>", 60, 40)


def test_what_the_style_sheet_may_treat_apart_keeps_what_it_says():
    said = '<text class="on-heat-5" x="1" y="9" fill="#26211b" stroke="none">9</text>'
    assert said in lean(sheet(said * 3))


def test_boxes_that_cover_each_other_stay_apart_and_in_order():
    box = '<rect x="{}" y="2" width="20" height="20" fill="{}" stroke="#000" stroke-width="2"/>'
    over = lean(sheet("".join(box.format(x, "#fff") for x in (2, 10, 18))))
    assert over.count("<rect") == 3
    beside = lean(sheet("".join(box.format(x, "#fff") for x in (2, 30))))
    assert "<rect" not in beside
    assert "M2 2H22V22H2zM30 2H50V22H30z" in beside
    for drawn in (over, beside):
        assert drawn.count('fill="#fff"') == 1


def test_a_child_that_would_inherit_something_else_says_what_it_is():
    drawn = lean(
        sheet('<g stroke="#564e40"><path d="M1 1H9" stroke="none"/><path d="M1 5H9"/></g>')
    )
    root = fromstring(drawn)
    first, second = root.iter(f"{SVG}path")
    assert first.get("stroke") == "none"
    assert not set(second.keys()) & set(INHERITED)


@pytest.mark.parametrize(
    ("long", "short"),
    [
        ("M100.4 100.4L102.4 101.9L-1 0", "M100.4 100.4l2 1.5L-1 0"),
        ("M10 10H12.5V9.5C1 2 3 4 5 6Q7 8 9 10Z", "M10 10h2.5V9.5C1 2 3 4 5 6q2 2 4 4z"),
        ("m5 5l1 1zM5 7", "M5 5L6 6zM5 7"),
        ("M1 1 200 200 201 201", "M1 1L200 200l1 1"),
        ("M0 0A5 5 0 0 1 10 10", "M0 0A5 5 0 0 1 10 10"),
    ],
)
def test_a_step_of_a_path_is_told_as_is_shorter(long, short):
    root = fromstring(lean(sheet(f'<path d="{long}"/>')))
    assert root.find(f"{SVG}path").get("d") == short


def test_a_line_alone_is_a_path_too():
    drawn = lean(sheet('<line x1="3" y1="4" x2="3" y2="30.5" stroke="#000"/>'))
    assert '<path d="M3 4V30.5" stroke="#000"/>' in drawn
