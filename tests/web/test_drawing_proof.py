"""The days of a proof: every state told by shape and word, every turning marked."""

from __future__ import annotations

import re
from datetime import date, timedelta
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from heapwright.web.drawing.proof_strip import STATES, ProofDay, proof_strip

SVG = "{http://www.w3.org/2000/svg}"
START = date(2026, 3, 1)


def day(number, state, lowest=None, turning=None):
    return ProofDay(number, START + timedelta(number - 1), state, lowest, turning)


def key_words(drawing):
    return [box.text for box in drawing.labels if not re.fullmatch(r"[\d°-]+|none", box.text)]


def test_the_key_names_only_the_states_that_occur():
    drawing = proof_strip("NY-W", [day(1, "counts", 57), day(2, "to come")], uid="p")
    assert key_words(drawing) == ["counts", "to come"]


def test_states_differ_in_shape_and_not_in_colour_alone():
    shapes = []
    for state in STATES:
        root = ElementTree.fromstring(proof_strip("R", [day(1, state)], uid="p").svg)
        head = root.find(f"{SVG}rect")
        strokes = [p.get("d") for p in root.findall(f"{SVG}path")]
        shapes.append(
            (
                head.get("fill"),
                head.get("stroke-dasharray"),
                head.get("stroke-width"),
                bool(strokes),
            )
        )
    assert len(set(shapes)) == len(STATES)


def test_a_turning_is_marked_with_its_number_and_explained():
    drawing = proof_strip("R", [day(1, "counts", 57), day(2, "counts", 60, 1)], uid="p")
    assert "turned, with its number" in key_words(drawing)
    assert "turning 1" in ElementTree.fromstring(drawing.svg).find(f"{SVG}desc").text


def test_a_missing_reading_says_none_and_never_shows_heat():
    drawing = proof_strip("R", [day(1, "no reading")], uid="p")
    assert "none" in [box.text for box in drawing.labels]
    assert "on-heat" not in drawing.svg


def test_the_description_counts_the_states():
    days = [day(1, "counts", 57), day(2, "counts", 58), day(3, "does not count", 51)]
    words = ElementTree.fromstring(proof_strip("R", days, uid="p").svg).find(f"{SVG}desc").text
    assert words.startswith("2 counts, 1 does not count.")
    assert "Day 3, 2026-03-03: does not count, lowest 51 °C." in words


@pytest.mark.parametrize(("width", "across"), [(328, 7), (760, 14), (200, 4)])
def test_days_are_wrapped_by_whole_weeks_where_a_week_fits(width, across):
    drawing = proof_strip("R", [day(i + 1, "to come") for i in range(20)], uid="p", width_px=width)
    tops = [box.y0 for box in drawing.labels if box.text.isdigit()]
    assert sum(top == tops[0] for top in tops) == across


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(STATES), st.none() | st.floats(-5, 90), st.none() | st.integers(1, 9)
        ),
        min_size=1, max_size=40,
    ),
    st.sampled_from([200, 328, 700]),
    st.sampled_from(["C", "F"]),
)  # fmt: skip
def test_labels_of_any_proof_never_collide(states, width, unit):
    days = [day(i + 1, state, temp, turn) for i, (state, temp, turn) in enumerate(states)]
    drawing = proof_strip("R", days, uid="p", width_px=width, temp_unit=unit)
    boxes = drawing.labels
    for i, one in enumerate(boxes):
        assert one.x0 >= 0, one
        assert one.x1 <= drawing.width, one
        assert one.y1 <= drawing.height, one
        assert not any(one.overlaps(other) for other in boxes[i + 1 :])


def test_a_proof_without_days_is_refused():
    with pytest.raises(ValueError, match="without days"):
        proof_strip("R", [], uid="p")
