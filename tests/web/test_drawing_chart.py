"""The temperature history: the figures of the log, drawn and as rows, words kept apart."""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from xml.etree import ElementTree

import pytest
import vl_convert
from hypothesis import given, settings
from hypothesis import strategies as st

from heapwright.web.charts import engine, layers, temperature
from heapwright.web.charts.layers import Act
from heapwright.web.charts.temperature import Forecast, Reading, Threshold, temperature_history
from heapwright.web.drawing.labels import Box, text_box

SVG = "{http://www.w3.org/2000/svg}"
BUILT = datetime(2026, 3, 1, 10)


def on(day, hour=10.0):
    return BUILT.replace(hour=0) + timedelta(days=day, hours=hour)


READINGS = [Reading(on(d), p, t + p) for d, t in ((0, 12), (1, 40), (2, 57)) for p in (1, 2)]
ACTS = [Act(on(0), "built"), Act(on(2), "turned"), Act(on(2.2), "wetted")]
LIMITS = [Threshold(55, "rule"), Threshold(57, "too warm by far")]


def chart(readings=READINGS, acts=ACTS, thresholds=LIMITS, **more):
    return temperature_history(
        readings, uid="c", title="Core of K-042", built=BUILT, acts=acts, thresholds=thresholds,
        **more,
    )  # fmt: skip


def lettering(svg):
    """Return the box of every text in a chart, its transforms added up."""
    boxes = []

    def walk(node, dx, dy):
        for x, y in re.findall(r"translate\(([-\d.e]+),([-\d.e]+)\)", node.get("transform", "")):
            dx, dy = dx + float(x), dy + float(y)
        if node.tag == f"{SVG}text" and node.text:
            size = float(node.get("font-size", "11").removesuffix("px"))
            x, y = dx + float(node.get("x", 0)), dy + float(node.get("y", 0))
            boxes.append(text_box(x, y, node.text, size, anchor=node.get("text-anchor", "start")))
        for child in node:
            walk(child, dx, dy)

    walk(ElementTree.fromstring(svg), 0, 0)
    return boxes


def test_the_rows_hold_every_reading_act_and_forecast_in_order_of_time():
    foreseen = [Forecast(on(4), 50, 58, 64)]
    drawn = chart(forecast=foreseen)
    assert drawn.heads == ("Time", "Day", "What", "Temperature, °C", "Likely range, °C")
    assert len(drawn.rows) == len(READINGS) + len(ACTS) + 1
    assert [row[0] for row in drawn.rows] == sorted(row[0] for row in drawn.rows)
    assert ("2026-03-03 10:00", "2", "read at point 2", "59", "") in drawn.rows
    assert drawn.rows[-1] == ("2026-03-05 10:00", "4", "foreseen", "58", "50 to 64")


def test_every_reading_is_a_point_in_the_colour_of_its_heat_step():
    root = ElementTree.fromstring(chart().svg)
    points = [p.get("fill") for p in root.iter(f"{SVG}path") if p.get("fill", "").startswith("#")]
    expected = ["#566a7a"] * 2 + ["#f0c250"] * 2 + ["#9c3d1c"] * 2
    assert [fill for fill in points if fill in expected] == expected


def test_the_line_breaks_where_nobody_read_for_two_days():
    joined = [Reading(on(d), 1, 50) for d in (0, 1, 3, 4)]
    broken = [Reading(on(d), 1, 50) for d in (0, 1, 3.1, 4)]
    runs = [max(run for _, _, run in temperature._rounds(r)) for r in (joined, broken)]
    assert runs == [0, 1]


def test_fahrenheit_moves_figures_and_limits_together():
    drawn = chart(temp_unit="F")
    assert drawn.rows[0][3] == "55"  # 13 °C
    assert "131" in {box.text for box in lettering(drawn.svg)}


def test_the_chart_is_one_image_with_title_and_description():
    root = ElementTree.fromstring(chart().svg)
    assert root.get("role") == "img"
    assert root.find(f"{SVG}title").text == "Core of K-042"
    assert "6 readings from 13 °C to 59 °C" in root.find(f"{SVG}desc").text
    assert not [n for n in root.iter() if n is not root and n.get("role")]
    assert not [n for n in root.iter() if n.get("style")]


def test_the_same_figures_are_drawn_once_and_kept_over_a_restart(monkeypatch):
    first = chart()
    for kept in (engine._labelled, temperature._temperature_history):
        kept.cache_clear()  # as after a restart
    monkeypatch.setattr(vl_convert, "vegalite_to_svg", lambda *_a, **_k: pytest.fail("drawn again"))
    assert chart().svg == first.svg


def test_words_of_acts_stand_clear_of_each_other_and_of_each_other_s_lines():
    words = [("built", 0.0), ("turned", 30), ("wetted, 60 L", 33), ("turned", 70), ("today", 75)]
    rows, placed = layers.place_acts(words, -34, 240)
    assert None not in placed
    assert rows <= 4
    boxes = [
        Box(c - layers.text_width(w, 12) / 2, -row - 0.9, c + layers.text_width(w, 12) / 2, -row)
        for (w, _), (c, row) in zip(words, placed, strict=True)
    ]
    for i, box in enumerate(boxes):
        for j, (_, at) in enumerate(words):
            if i != j:
                assert not box.overlaps(boxes[j])
                assert not box.overlaps(Box(at, -placed[j][1], at + 0.1, 0))


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 60), st.sampled_from(["turned", "wetted, 60 L", "covered"])),
             max_size=7),
    st.lists(st.floats(50, 72), max_size=3, unique=True),
    st.integers(1, 60),
    st.sampled_from([328, 640]),
)  # fmt: skip
def test_words_in_any_history_never_collide_nor_leave_the_chart(acts, limits, days, width):
    drawn = chart(
        [Reading(on(d), 1, 20 + d % 50) for d in range(days + 1)],
        sorted((Act(on(d), word) for d, word in acts if d <= days), key=lambda a: a.time),
        [Threshold(t, "limit") for t in limits],
        width_px=width,
    )
    root = ElementTree.fromstring(drawn.svg)
    boxes = lettering(drawn.svg)
    assert boxes
    for i, one in enumerate(boxes):
        assert one.x0 >= -0.5, one
        assert one.x1 <= float(root.get("width")) + 0.5, one
        assert one.y0 >= -0.5, one
        for other in boxes[i + 1 :]:
            assert not one.overlaps(other, gap=-0.6), (one, other)


def test_a_history_of_nothing_is_refused():
    with pytest.raises(ValueError, match="needs a reading or a forecast"):
        chart(readings=[])


def test_hostile_words_stay_text():
    svg = chart(acts=[Act(on(1), "<script>x</script>")]).svg
    assert "<script" not in svg
