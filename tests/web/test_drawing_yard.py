"""The yard's drawings: to scale, complete in words, and lettered without collisions."""

from __future__ import annotations

import itertools
import re
from xml.etree import ElementTree

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from heapwright.web.drawing.key import heat_key
from heapwright.web.drawing.labels import Box
from heapwright.web.drawing.places import Pile, Place, Stock, Yard, length
from heapwright.web.drawing.svg import INK, PAPER
from heapwright.web.drawing.yard_plan import _ground_slots, yard_plan
from heapwright.web.drawing.yard_rows import yard_rows
from heapwright.web.heat import step_of

SVG = "{http://www.w3.org/2000/svg}"

names = st.one_of(
    st.sampled_from(["Bay", "Curing pad by the north fence", "B12", "Compostaje", "<b>&\"'</b>"]),
    st.text(min_size=1, max_size=30),
)
piles = st.builds(
    Pile,
    code=st.sampled_from(["K-001", "K-1042", "Saltmarsh-7"]),
    stage=st.sampled_from(["filling", "hot", "curing", "ready"]),
    day=st.integers(0, 400),
    height_m=st.floats(0.05, 1.6),
    temp_c=st.none() | st.floats(-10, 90),
    temp_is_old=st.booleans(),
    cover=st.sampled_from(["open", "breathable", "tarp", "roof"]),
    task=st.none() | st.integers(1, 12),
    next_act=st.sampled_from(["", "turn", "let cure"]),
    task_waits=st.booleans(),
    read_on=st.sampled_from(["", "Tue", "18 Nov"]),
    to_be_read=st.booleans(),
    href=st.sampled_from(["", "/piles/K-1/"]),
)
stocks = st.builds(
    Stock,
    name=names,
    amount=st.sampled_from(["4.2 m³", "210 kg", "12 barrels"]),
    height_m=st.floats(0, 1.2),
    category=st.sampled_from(["food", "green", "brown", "woody", "mineral"]),
)


@st.composite
def yards(draw):
    """Return a yard of places on a coarse grid, so that footprints do not overlap."""
    cells = draw(
        st.lists(
            st.tuples(st.integers(0, 6), st.integers(0, 5)), min_size=1, max_size=18, unique=True
        )
    )
    pitch_x, pitch_y = draw(st.floats(1.4, 5)), draw(st.floats(1.4, 5))
    places = []
    for i, (column, row) in enumerate(cells):
        kind = draw(
            st.sampled_from(
                ["bay", "bunker", "windrow", "vessel", "pad", "screen", "trench", "bed", "area"]
            )
        )
        held = ()
        if kind in ("bay", "vessel", "windrow"):
            held = tuple(draw(st.lists(piles, max_size=1)))
        elif kind in ("pad", "area", "screen"):
            held = tuple(draw(st.lists(piles, max_size=9)))
        places.append(
            Place(
                f"P{i + 1}", draw(names), kind, column * pitch_x, row * pitch_y,
                draw(st.floats(0.6, pitch_x)), draw(st.floats(0.6, pitch_y)),
                draw(st.floats(0.5, 1.5)) if kind in ("bay", "bunker", "vessel") else 0.0,
                held, draw(stocks) if kind == "bunker" else None,
                draw(st.sampled_from(["", "/lots/1/?a=1&b=2"])),
            )
        )  # fmt: skip
    return Yard(draw(names), tuple(places), draw(st.floats(0, 360)))


def assert_lettered_well(drawing):
    sheet = Box(-0.01, -0.01, drawing.width + 0.01, drawing.height + 0.01)
    for one, other in itertools.combinations(drawing.labels, 2):
        assert not one.overlaps(other), (one, other)
    for box in drawing.labels:
        assert box.within(sheet), box


def assert_accessible(drawing, uid):
    root = ElementTree.fromstring(drawing.svg)
    assert root.find(f"{SVG}title").text
    assert root.find(f"{SVG}desc").text
    assert root.get("aria-labelledby") == f"{uid}-title"
    assert root.get("role") == ("group" if root.find(f".//{SVG}a") is not None else "img")
    assert "style=" not in re.sub(r">[^<]*<|\"[^\"]*\"", "", drawing.svg)
    assert all(element.get("style") is None for element in root.iter())
    return root


slow = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)  # fmt: skip


@slow
@given(yards(), st.sampled_from([328, 412, 760, 1200]), st.sampled_from(["C", "F"]))
def test_labels_on_the_plan_of_any_yard_never_collide(yard, width, unit):
    drawing = yard_plan(
        yard, uid="plan", width_px=width, temp_unit=unit, length_unit="m" if unit == "C" else "ft"
    )
    assert_lettered_well(drawing)
    assert_accessible(drawing, "plan")


@slow
@given(yards(), st.sampled_from([328, 412, 790]), st.sampled_from(["C", "F"]))
def test_labels_in_the_rows_of_any_yard_never_collide(yard, width, unit):
    if not any(place.piles or place.kind in ("bay", "vessel") for place in yard.places):
        with pytest.raises(ValueError, match="add a bay"):
            yard_rows(yard, uid="rows", width_px=width)
        return
    drawing = yard_rows(yard, uid="rows", width_px=width, temp_unit=unit)
    assert_lettered_well(drawing)
    assert_accessible(drawing, "rows")


@slow
@given(yards())
def test_every_code_stands_on_the_plan_or_in_the_line_under_it(yard):
    drawing = yard_plan(yard, uid="plan", width_px=760)
    written = " ".join(box.text for box in drawing.labels)
    letters = re.sub(r"[\s,]", "", written)
    for place in yard.places:
        shown = place.code in written or re.sub(r"[\s,]", "", place.name)[:3] in letters
        shown = shown or any(pile.code in written for pile in place.piles)
        assert shown or "No room on the plan for" in written, place


@slow
@given(yards())
def test_every_reading_in_the_rows_is_printed(yard):
    read = [pile for place in yard.places for pile in place.piles if pile.temp_c is not None]
    if not read:
        return
    drawing = yard_rows(yard, uid="rows")
    assert sum(box.text.endswith("°") for box in drawing.labels) == len(read)


def bay(code, x, y, *held, **more):
    return Place(code, f"Bay {code[1:]}", "bay", x, y, 1.2, 1.2, 1.2, tuple(held), **more)


PILE = Pile("K-042", "hot", 5, 1.0, 68, cover="tarp", task=1)


def test_the_plan_is_to_scale():
    """Two bays 5 m apart stand five times as far apart as the scale bar's metre."""
    yard = Yard("Y", (bay("B1", 0, 0), bay("B2", 5, 0), bay("B3", 0, 5)))
    root = ElementTree.fromstring(yard_plan(yard, uid="p", width_px=760).svg)
    posts = [
        (float(line.get("x1")), float(line.get("y1")), float(line.get("y2")))
        for line in root.iter(f"{SVG}line")
        if line.get("stroke-width") == "2.4"
    ]
    xs = sorted({x for x, _, _ in posts})
    assert len(xs) == 4
    scale = (xs[1] - xs[0]) / 1.2
    assert xs[2] - xs[0] == pytest.approx(5 * scale, abs=0.05)
    bases = sorted({base for _, base, _ in posts})
    assert bases[1] - bases[0] == pytest.approx(5 * scale, abs=0.05)
    # A post rises from the front over the depth and the height of the bay, 1.2 m each.
    assert posts[0][1] - posts[0][2] == pytest.approx(2.4 * scale, abs=0.05)


def test_the_description_says_what_the_drawing_shows():
    yard = Yard("Saltmarsh Lane", (bay("B1", 0, 0, PILE), bay("B2", 2, 0)))
    for draw in (yard_plan, yard_rows):
        words = ElementTree.fromstring(draw(yard, uid="x").svg).find(f"{SVG}desc").text
        assert "Bay 1: K-042, hot, day 5, 68 °C, 1.0 m high, under a tarp, task 1 today." in words
        assert "Bay 2: empty." in words


def test_units_are_those_that_the_person_prefers():
    yard = Yard("Y", (bay("B1", 0, 0, PILE),))
    drawing = yard_rows(yard, uid="x", temp_unit="F", length_unit="ft")
    assert "154°" in {box.text for box in drawing.labels}
    assert "154 °F, 3.5 ft high" in drawing.svg
    assert length(1.2, "ft") == "4 ft"


def test_an_old_reading_is_told_in_words_and_by_a_broken_line():
    old = Pile("K-1", "hot", 9, 1.0, 61, temp_is_old=True)
    drawing = yard_rows(Yard("Y", (bay("B1", 0, 0, old),)), uid="x")
    assert "read more than a day ago" in drawing.svg
    assert "old reading" in " ".join(b.text for b in drawing.labels)
    assert 'stroke-dasharray="2 2"' in drawing.svg


def test_a_pile_that_nobody_read_shows_no_heat_and_says_so():
    unread = Pile("K-1", "filling", 1, 0.8)
    drawing = yard_rows(Yard("Y", (bay("B1", 0, 0, unread),)), uid="x")
    assert "not read" in " ".join(b.text for b in drawing.labels)
    assert 'fill="#969c55"' not in drawing.svg


def test_a_bay_on_a_phone_is_a_target_for_a_thumb():
    places = tuple(bay(f"B{i + 1}", 1.6 * (i % 4), 3 * (i // 4), href=f"/b/{i}/") for i in range(8))
    root = ElementTree.fromstring(yard_rows(Yard("Y", places), uid="x", width_px=328).svg)
    links = root.findall(f".//{SVG}a")
    assert [link.get("href") for link in links] == [f"/b/{i}/" for i in range(8)]
    for link in links:
        target = link.findall(f"{SVG}rect")[-1]
        assert float(target.get("width")) >= 48
        assert float(target.get("height")) >= 48
        assert link.get("aria-label").startswith("Bay")


def test_small_places_on_a_phone_s_plan_are_no_links():
    places = tuple(bay(f"B{i + 1}", 3 * i, 0, href="/x/") for i in range(8))
    assert "<a " not in yard_plan(Yard("Y", places), uid="x", width_px=328).svg


def test_hostile_names_stay_text():
    yard = Yard("</title><script>alert(1)</script>", (bay("B1", 0, 0, PILE, href="/a?b=1&c=2"),))
    for draw in (yard_plan, yard_rows):
        drawing = draw(yard, uid="x")
        assert "<script" not in drawing.svg
        ElementTree.fromstring(drawing.svg)


def pad(code="CP", count=8, width=9.5, depth=5.0, **more):
    held = tuple(
        Pile(f"K-{i:03d}", "curing", 60 + i, 0.5, 30 + i, href=f"/piles/K-{i:03d}/")
        for i in range(count)
    )
    return Place(code, "Curing pad", "pad", 8, 0, width, depth, 0.0, held, href="#standing", **more)


def hrefs(drawing):
    return [link.get("href") for link in ElementTree.fromstring(drawing.svg).iter(f"{SVG}a")]


@pytest.mark.parametrize("count", [1, 2, 3, 5, 8, 14, 24])
def test_heaps_on_a_pad_stand_in_ranks_and_none_is_a_sliver(count):
    slots = list(_ground_slots(0, 0, 380, 200, count))
    assert len(slots) == count
    boxes = [Box(x0, foot - back - 8, x1, foot) for x0, x1, foot, back in slots]
    for one, other in itertools.combinations(boxes, 2):
        assert not one.overlaps(other)
    for box in boxes:
        assert box.within(Box(0, -10, 380, 200))
        assert box.x1 - box.x0 >= min(0.45 * 380 / count**0.5, 120)


def test_lots_that_share_a_ground_are_told_by_their_own_codes():
    screen = Place(
        "SC", "Screening corner", "screen", 20, 0, 4, 3, 0.0,
        (Pile("C-019", "ready", 39, 0.1, to_be_read=False),
         Pile("C-020", "ready", 32, 0.4, to_be_read=False)),
    )  # fmt: skip
    yard = Yard("Y", (bay("B1", 0, 0, PILE), pad(), screen))
    for drawing in (yard_plan(yard, uid="x", width_px=1200), yard_rows(yard, uid="x")):
        words = " ".join(box.text for box in drawing.labels)
        for code in ("C-019", "C-020", "K-000", "K-007"):
            assert code in words
        assert "B1" in words
        assert "Screening corner" in words
        assert "not read" not in words  # nobody reads finished compost


def test_each_heap_leads_to_its_own_page():
    drawing = yard_rows(Yard("Y", (bay("B1", 0, 0, PILE, href="/piles/K-042/"), pad())), uid="x")
    assert hrefs(drawing) == ["/piles/K-042/", *(f"/piles/K-{i:03d}/" for i in range(8))]


def test_what_to_do_next_stands_under_the_heap_and_what_can_wait_is_told_apart():
    now = Pile("K-1", "hot", 5, 1.0, 60, task=1, next_act="turn")
    later = Pile("K-2", "hot", 30, 1.0, 40, task=4, next_act="let cure", task_waits=True)
    yard = Yard("Y", (bay("B1", 0, 0, now), bay("B2", 2, 0, later)))
    drawing = yard_rows(yard, uid="x")
    words = " ".join(box.text for box in drawing.labels)
    assert "1 turn" in words
    assert "4 let cure" in words
    root = ElementTree.fromstring(drawing.svg)
    number = {text.text: text.get("fill") for text in root.iter(f"{SVG}text")}
    assert (number["1"], number["4"]) == (PAPER, INK)  # a filled tab, and an empty one
    assert "task 1 (turn) today" in drawing.svg
    assert "task 4 (let cure) can wait" in drawing.svg


def test_an_old_reading_says_of_which_day_it_is():
    old = Pile("K-1", "hot", 9, 1.0, 61, temp_is_old=True, read_on="Tue")
    drawing = yard_rows(Yard("Y", (bay("B1", 0, 0, old),)), uid="x")
    assert "read Tue" in " ".join(b.text for b in drawing.labels)


@pytest.mark.parametrize("width", [328, 760, 1200])
def test_heat_colours_never_stand_without_their_number(width):
    """Where the plan is too small for a reading in a bay, it shows no heat at all."""
    yard = Yard("Y", tuple(bay(f"B{i}", 3.0 * i, 0, PILE) for i in range(10)))
    drawing = yard_plan(yard, uid="x", width_px=width)
    coloured = drawing.svg.count(f'fill="{step_of(68).fill}"')
    numbers = sum(box.text == "68°" for box in drawing.labels)
    assert numbers == 0 if coloured == 0 else numbers == 10
    assert (coloured > 0) == (width >= 760)


def test_a_wide_sheet_sets_rows_side_by_side():
    yard = Yard("Y", tuple(bay(f"B{i}", 1.4 * (i % 4), 3 * (i // 4), PILE) for i in range(8)))
    narrow, wide = (yard_rows(yard, uid="x", width_px=width) for width in (328, 790))
    assert wide.height < 0.6 * narrow.height


def test_a_yard_of_one_bay_fills_no_screen():
    drawing = yard_plan(Yard("Y", (bay("B1", 0, 0, PILE),)), uid="x", width_px=1200)
    assert drawing.height < 800


def test_thirty_places_are_all_named_on_a_laptop():
    bays = [bay(f"B{i}", 1.5 * (i % 10), 4 * (i // 10), PILE) for i in range(20)]
    beds = [Place(f"BED{i}", f"Bed {i}", "bed", 3 * i, 16, 2.5, 1) for i in range(7)]
    lanes = [Place(f"W{i}", f"Lane {i}", "windrow", 0, 9 + 2.2 * i, 14, 2) for i in range(2)]
    yard = Yard("Y", (*bays, pad(), *lanes, *beds))
    drawing = yard_plan(yard, uid="x", width_px=1200)
    assert_lettered_well(drawing)
    words = " ".join(box.text for box in drawing.labels)
    assert "No room" not in words
    assert all(place.code in words or place.name in words for place in yard.places)


def test_the_same_yard_always_gives_the_same_sheet():
    yard = Yard("Y", (bay("B1", 0, 0, PILE), bay("B2", 2, 0)))
    assert yard_plan(yard, uid="x").svg == yard_plan(yard, uid="x").svg


def test_an_empty_yard_is_refused_with_what_to_do():
    with pytest.raises(ValueError, match="add a place first"):
        yard_plan(Yard("Y", ()), uid="x")


def test_an_id_that_could_break_the_page_is_refused():
    with pytest.raises(ValueError, match="uid"):
        heat_key(uid='x" onload="')


@pytest.mark.parametrize(("unit", "last"), [("C", "65 and over °C"), ("F", "149 and over °F")])
def test_the_key_names_the_five_ranges(unit, last):
    key = heat_key(uid="k", temp_unit=unit)
    assert len(key.labels) == 5
    assert key.labels[-1].text == last
    assert_lettered_well(key)
