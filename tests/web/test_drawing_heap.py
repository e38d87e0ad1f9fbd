"""The cut-away of a heap: areas true to volumes, and lettering that stays apart."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from heapwright.web.drawing.frame import Frame, below
from heapwright.web.drawing.hatch import CATEGORIES, hatch_of, mixed_hatch
from heapwright.web.drawing.heap import HeatZone, Layer, Probe, Section, heap_section
from heapwright.web.drawing.places import length

SVG = "{http://www.w3.org/2000/svg}"
frames = st.builds(
    Frame, x0=st.just(40.0), base=st.just(300.0), scale=st.floats(30, 200),
    width_m=st.floats(0.8, 6), height_m=st.floats(0.2, 2.5), walled=st.booleans(),
)  # fmt: skip


def points(d: list[str | float], steps: int = 200) -> list[tuple[float, float]]:
    """Return the vertices of a path of the commands that the frame writes, curves sampled."""
    out: list[tuple[float, float]] = []
    command, numbers = "", []

    def flush() -> None:
        if command in ("M", "L"):
            out.extend(zip(numbers[::2], numbers[1::2], strict=True))
        elif command == "H":
            out.append((numbers[0], out[-1][1]))
        elif command == "V":
            out.append((out[-1][0], numbers[0]))
        elif command == "Q":
            (x0, y0), (cx, cy, x1, y1) = out[-1], numbers
            for i in range(1, steps + 1):
                t = i / steps
                out.append(
                    (
                        (1 - t) ** 2 * x0 + 2 * t * (1 - t) * cx + t * t * x1,
                        (1 - t) ** 2 * y0 + 2 * t * (1 - t) * cy + t * t * y1,
                    )
                )

    for part in d:
        if isinstance(part, str):
            flush()
            command, numbers = part, []
        else:
            numbers.append(float(part))
    flush()
    return out


def area(d: list[str | float]) -> float:
    path = points(d)
    turned = [*path[1:], path[0]]
    return abs(sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(path, turned, strict=True))) / 2


@settings(deadline=None)
@given(frames, st.floats(0.05, 0.95))
def test_the_area_under_a_level_is_its_share_of_the_heap(frame, share):
    assert area(below(frame, share)) == pytest.approx(share * area(frame.outline()), rel=1e-3)


@settings(deadline=None)
@given(frames, st.floats(0.05, 0.95))
def test_an_isotherm_holds_its_share_of_the_section(frame, share):
    assert area(frame.isotherm(share)) == pytest.approx(share * area(frame.outline()), rel=0.03)


@settings(deadline=None)
@given(frames, st.lists(st.floats(0.05, 0.98), min_size=2, max_size=4, unique=True))
def test_isotherms_lie_inside_each_other_and_inside_the_heap(frame, shares):
    (cx, cy), tall = frame.middle, (frame.base - frame.crest) / (frame.x1 - frame.x0)
    wide = (frame.x1 - frame.x0) / 2
    rays = [[frame.ray(math.tau * i / 72) for i in range(72)]]
    for share in sorted(shares, reverse=True):
        line = points(frame.isotherm(share))
        rays.append([math.hypot(x - cx, (y - cy) / tall) / wide for x, y in line])
    for outer, inner in itertools.pairwise(rays):
        assert all(i <= o * 1.02 for o, i in zip(outer, inner, strict=True))


@settings(deadline=None)
@given(frames, st.floats(0, 1))
def test_the_surface_lies_on_the_outline(frame, across):
    x = frame.x0 + across * (frame.x1 - frame.x0)
    nearest = min(math.hypot(px - x, py - frame.surface(across)) for px, py in
                  points(frame.outline(), 2000))  # fmt: skip
    edge = frame.walled and across in (0, 1)
    assert nearest < 2 or edge


layers = st.builds(
    Layer,
    name=st.sampled_from(["leaves", "kitchen scraps", "a very long name of a bedding", "<&>"]),
    category=st.sampled_from(CATEGORIES),
    volume_m3=st.floats(0.01, 0.5),
)


@st.composite
def sections(draw):
    shape = draw(st.sampled_from(["bay", "windrow", "cone", "vessel"]))
    height = draw(st.floats(0.2, 2))
    count = draw(st.integers(0, 8))
    probes = tuple(
        Probe(
            i + 1, draw(st.floats(0.05, 0.95)), draw(st.floats(0.05, 1.2)),
            draw(st.none() | st.floats(-5, 85)),
        )
        for i in range(count)
    )  # fmt: skip
    return Section(
        "B1", shape, draw(st.floats(0.8, 5)), height,
        draw(st.floats(height, height + 1)) if shape in ("bay", "vessel") else 0.0,
        draw(st.sampled_from(["open", "breathable", "tarp", "roof"])),
        tuple(draw(st.lists(layers, max_size=16))), probes, draw(st.booleans()),
    )  # fmt: skip


ZONES = (HeatZone("outside", 18, 0.3), HeatZone("shell", 44, 0.4), HeatZone("core", 68, 0.3))


def assert_lettered_well(drawing):
    boxes = drawing.labels
    for i, one in enumerate(boxes):
        assert one.x0 >= -0.01, one
        assert one.y0 >= -0.01, one
        assert one.x1 <= drawing.width + 0.01, one
        assert one.y1 <= drawing.height + 0.01, one
        for other in boxes[i + 1 :]:
            assert not one.overlaps(other), (one, other)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(sections(), st.sampled_from([328, 412, 620]), st.booleans(), st.booleans())
def test_labels_of_any_heap_never_collide(section, width, hot, us):
    drawing = heap_section(
        section, uid="h", width_px=width, heat=ZONES if hot else (),
        temp_unit="F" if us else "C", length_unit="ft" if us else "m",
    )  # fmt: skip
    assert_lettered_well(drawing)
    root = ElementTree.fromstring(drawing.svg)
    assert root.get("role") == "img"
    assert root.find(f"{SVG}desc").text


BAY = Section(
    "B2, lot K-042", "bay", 1.2, 1.1, 1.2, "tarp",
    (Layer("wood chips", "woody", 0.4), Layer("scraps", "food", 0.2), Layer("grass", "green", 0.6)),
    (Probe(1, 0.2, 0.3, 61), Probe(2, 0.5, 0.6, 68), Probe(3, 0.8, 0.3, None)),
)  # fmt: skip


def test_every_layer_is_named_with_its_thickness_from_its_share():
    words = " ".join(box.text for box in heap_section(BAY, uid="h", width_px=620).labels)
    # 1.1 m shared 0.4 : 0.2 : 0.6 by volume
    assert "wood chips 37\u00a0cm" in words
    assert "scraps 18\u00a0cm" in words
    assert "grass 55\u00a0cm" in words


def test_every_point_stands_at_its_reading_and_in_the_heap():
    texts = [box.text for box in heap_section(BAY, uid="h").labels]
    assert {"1: 61°", "2: 68°", "3: ?"} <= set(texts)
    assert {"1", "2", "3"} <= set(texts)


def test_a_probe_reaches_its_depth_to_scale():
    deep = Section("B", "bay", 1.2, 1.0, 1.2, probes=(Probe(1, 0.5, 0.5, 60),))
    shallow = Section("B", "bay", 1.2, 1.0, 1.2, probes=(Probe(1, 0.5, 0.25, 60),))
    heights = []
    for section in (deep, shallow):
        root = ElementTree.fromstring(heap_section(section, uid="h").svg)
        heights.append(float(root.find(f".//{SVG}circle").get("cy")))
        posts = [r for r in root.iter(f"{SVG}rect") if r.get("width") == "5"]
        left = min(float(r.get("x")) for r in posts)
        right = max(float(r.get("x")) for r in posts)
    scale = (right - left - 9) / 1.2  # boards stand 7 px left and 2 px right of the heap
    assert heights[0] - heights[1] == pytest.approx(0.25 * scale, abs=0.05)


def test_modelled_heat_says_that_it_is_modelled_and_shows_no_hatch():
    drawing = heap_section(BAY, uid="h", heat=ZONES)
    assert "not measured" in " ".join(b.text for b in drawing.labels)
    assert "Modelled, not measured: outside 18 °C, shell 44 °C, core 68 °C." in drawing.svg
    assert "url(#h-woody)" not in drawing.svg
    for fill in ("#566a7a", "#f0c250", "#5c0e1d"):
        assert f'fill="{fill}"' in drawing.svg
    assert "url(#h-hot)" in drawing.svg


def test_each_category_has_its_own_hatch_that_is_used():
    every = Section("B", "bay", 1.2, 1.0, 1.2,
                    layers=tuple(Layer(c, c, 0.2) for c in CATEGORIES))  # fmt: skip
    svg = heap_section(every, uid="h").svg
    patterns = re.findall(r'<pattern [^>]*id="(h-\w+)"', svg)
    for category in CATEGORIES:
        assert f"h-{category}" in patterns
        assert f'fill="url(#h-{category})"' in svg
    bodies = re.findall(r"<pattern[^>]*>(.*?)</pattern>", svg)
    assert len(set(bodies)) == len(bodies) == 6


def test_a_tarp_is_a_dashed_lid():
    assert 'stroke-dasharray="8 4"' in heap_section(BAY, uid="h").svg
    bare = Section("B", "bay", 1.2, 1.0, 1.2)
    assert "stroke-dasharray" not in heap_section(bare, uid="h").svg


def test_a_heap_without_height_is_refused():
    with pytest.raises(ValueError, match="needs a width and a height"):
        heap_section(Section("B", "cone", 1.0, 0.0), uid="h")


def test_zones_that_do_not_add_up_are_refused():
    with pytest.raises(ValueError, match="add up to 1"):
        heap_section(BAY, uid="h", heat=(HeatZone("core", 60, 0.5),))


@pytest.mark.parametrize(
    ("category", "cn", "hatch"),
    [
        ("food", 15, "food"), ("processing", 11, "food"), ("wood", 400, "woody"),
        ("vegetation", 17, "green"), ("vegetation", 54, "brown"), ("manure", None, "brown"),
        ("paper", 170, "brown"), ("mineral", None, "mineral"),
    ],
)  # fmt: skip
def test_a_material_takes_the_hatch_of_its_category(category, cn, hatch):
    assert hatch_of(category, cn) == hatch


def test_what_is_laid_as_wood_is_drawn_as_wood():
    assert hatch_of("other", 46, "woody") == "woody"  # screened overs
    assert hatch_of("other", 46) == "brown"


@pytest.mark.parametrize(
    ("height_m", "unit", "said"),
    [
        (0.07, "ft", "3 in"), (0.005, "ft", "1 in"), (0.31, "ft", "1 ft"), (1.1, "ft", "3.5 ft"),
        (0.07, "m", "7 cm"), (0.31, "m", "0.3 m"), (1.14, "m", "1.1 m"),
    ],
)  # fmt: skip
def test_a_low_heap_is_never_nought_high(height_m, unit, said):
    assert length(height_m, unit) == said


def test_a_heap_that_was_turned_is_drawn_mixed_with_the_share_of_each_material():
    mixed = replace(BAY, layers=(*BAY.layers, Layer("grass", "green", 0.2)), mixed=True)
    drawing = heap_section(mixed, uid="h", width_px=640)
    words = " ".join(box.text for box in drawing.labels)
    # 0.8 of grass, 0.4 of chips, 0.2 of scraps
    assert "57\u00a0% grass" in words
    assert "29\u00a0% wood chips" in words
    assert "14\u00a0% scraps" in words
    assert 'fill="url(#h-mixed)"' in drawing.svg
    assert "Turned and mixed since it was laid" in drawing.svg
    assert "from the ground up" not in drawing.svg


def test_the_marks_of_a_mixed_heap_are_as_many_as_their_share():
    pattern = mixed_hatch({"food": 1.0, "brown": 3.0}, "h")
    marks = [element.get("d").count("M") for element in pattern]
    assert len(marks) == 2
    assert marks[1] / sum(marks) == pytest.approx(0.75, abs=0.04)
    assert ElementTree.tostring(pattern) == ElementTree.tostring(
        mixed_hatch({"food": 1.0, "brown": 3.0}, "h")
    )


def test_layers_that_find_no_room_are_listed_by_material_and_not_tangled():
    many = replace(BAY, layers=tuple(
        Layer(("leaves", "kitchen scraps", "horse manure with straw bedding")[i % 3],
              ("brown", "food", "green")[i % 3], 0.1) for i in range(15)
    ))  # fmt: skip
    drawing = heap_section(many, uid="h", width_px=328)
    words = " ".join(box.text for box in drawing.labels).replace("\u00a0", " ")
    assert "leaves 37 cm, 5 layers" in words
    assert drawing.height < 330


def test_a_heap_on_a_laptop_is_seen_whole():
    for height in (0.4, 1.2, 2.5):
        assert heap_section(replace(BAY, height_m=height), uid="h", width_px=640).height < 520
