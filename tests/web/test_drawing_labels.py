"""Lettering: widths that hold, and placing that never lets two labels run into each other."""

from __future__ import annotations

import itertools
import os
import shutil
import subprocess

import pytest
from hypothesis import given
from hypothesis import strategies as st

from heapwright.web.drawing.labels import Box, fit, spread, text_width, wrap

PRINTED = "".join(chr(code) for code in range(32, 127)) + "°–·×²³éüñÅ"


def absent(why):
    """Skip on a contributor's machine without the face; where all is set up that is a failure."""
    if os.environ.get("CI"):
        pytest.fail(why)
    pytest.skip(why)


@pytest.mark.parametrize(("style", "bold"), [("Book", False), ("Bold", True)])
def test_no_letter_of_the_widest_face_exceeds_its_width_in_the_table(style, bold):
    """Against the advance widths of DejaVu Sans itself, where this machine has the face."""
    if shutil.which("fc-match") is None:
        absent("no fontconfig on this machine")
    found = subprocess.run(
        ["fc-match", "-f", "%{family}|%{file}", f"DejaVu Sans:style={style}"],
        capture_output=True, text=True, check=True,
    ).stdout.split("|")  # fmt: skip
    if not found[0].startswith("DejaVu Sans"):
        absent("the face is not on this machine")
    from PIL import ImageFont

    face = ImageFont.truetype(found[1], 1000)
    exceeding = {
        letter: (face.getlength(letter), text_width(letter, 1000, bold=bold))
        for letter in PRINTED
        if face.getlength(letter) > text_width(letter, 1000, bold=bold) + 3
    }
    assert exceeding == {}


def test_letters_outside_the_table_are_taken_to_be_wide():
    assert text_width("堆", 10) >= 10
    assert text_width("\u0301", 10) == 0  # a lone combining accent takes no room
    assert text_width("e\u0301", 10) == text_width("é", 10) == text_width("e", 10)


intervals = st.lists(
    st.tuples(st.floats(-50, 450), st.floats(1, 40)), min_size=1, max_size=12
)  # fmt: skip


@given(intervals)
def test_spread_intervals_never_overlap_and_stay_on_the_line(items):
    wanted, sizes = [w for w, _ in items], [s for _, s in items]
    low, high, gap = 0.0, sum(sizes) + 2 * len(sizes) + 100, 2.0
    centres = spread(wanted, sizes, low, high, gap)
    ordered = sorted(zip(centres, sizes, strict=True))
    for (c0, s0), (c1, s1) in itertools.pairwise(ordered):
        assert c1 - s1 / 2 - (c0 + s0 / 2) >= gap - 1e-6
    assert ordered[0][0] - ordered[0][1] / 2 >= low - 1e-6
    assert ordered[-1][0] + ordered[-1][1] / 2 <= high + 1e-6


@given(intervals)
def test_spread_keeps_the_order_in_which_things_stand(items):
    wanted, sizes = [w for w, _ in items], [s for _, s in items]
    centres = spread(wanted, sizes, 0, sum(sizes) + 2 * len(sizes) + 100)
    order = sorted(range(len(items)), key=lambda i: (wanted[i], i))
    for i, j in itertools.pairwise(order):
        assert centres[i] <= centres[j]


def test_labels_with_room_stay_where_they_are_wanted():
    assert spread([20, 60, 100], [10, 10, 10], 0, 200) == [20, 60, 100]


def test_two_labels_that_want_one_spot_part_evenly():
    assert spread([50, 50], [10, 10], 0, 100, 2) == [44, 56]


def test_labels_that_cannot_fit_are_refused():
    with pytest.raises(ValueError, match="do not fit"):
        spread([5, 5], [10, 10], 0, 15)


@given(st.text(max_size=60), st.floats(30, 300))
def test_wrapped_lines_fit_and_lose_no_word(text, width):
    lines = wrap(text, width, 13)
    assert all(text_width(line, 13) <= width + 1e-6 for line in lines)
    if not any("…" in line for line in lines) and "…" not in text:
        assert "".join("".join(lines).split()) == "".join(text.split())


def test_a_number_and_its_unit_are_not_parted():
    assert wrap("wood chips 14\u00a0cm", 85, 13) == ["wood chips", "14\u00a0cm"]


def test_text_that_is_too_long_ends_in_an_ellipsis():
    cut = fit("a very long name of a place", 60, 13)
    assert cut.endswith("…")
    assert text_width(cut, 13) <= 60


def test_boxes_that_only_touch_do_not_overlap():
    assert not Box(0, 0, 10, 10).overlaps(Box(10, 0, 20, 10))
    assert Box(0, 0, 10, 10).overlaps(Box(10, 0, 20, 10), gap=1)
