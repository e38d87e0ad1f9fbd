"""Small ways of writing: codes on one line, figures that are never nought by rounding."""

from __future__ import annotations

import pytest
from django.utils.safestring import mark_safe

from heapwright.web.codes import unbroken
from heapwright.web.measures import (
    figure,
    grouped,
    or_under,
    plain,
    three_digits,
    to_three_digits,
    ungrouped,
    with_unit,
)


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("50 lb of D-450, 18 lb of K-1041.", ["D-450,", "K-1041."]),
        ("(US-FDA-T) and EU-CMC3-a", ["(US-FDA-T)", "EU-CMC3-a"]),
        ("post-consumer, C:N 30, pre-1990, X", []),
    ],
)
def test_codes_stay_on_one_line_and_nothing_else_does(text, kept):
    shown = unbroken(text)
    for one in kept:
        assert f'<span class="unbroken">{one}</span>' in shown
    assert shown.count("<span") == len(kept)


def test_what_a_person_typed_is_escaped_and_links_are_left_alone():
    assert unbroken("<b>K-001</b>").startswith("&lt;b&gt;")
    link = mark_safe('<a href="/piles/K-001/" title="K-001">K-001</a>')
    assert unbroken(link) == (
        '<a href="/piles/K-001/" title="K-001"><span class="unbroken">K-001</span></a>'
    )


def test_what_is_there_is_never_shown_as_none():
    assert or_under(0.1, "mass", "us") == "under 1\u00a0lb"
    assert or_under(0.002, "volume", "metric") == "under 0.01\u00a0m³"
    assert or_under(0.0, "mass", "us") == "0\u00a0lb"
    assert or_under(3.0, "mass", "us") == with_unit(3.0, "mass", "us") == "7\u00a0lb"


@pytest.mark.parametrize(
    ("value", "shown"),
    [(1440.4, "1440"), (1196.6, "1197"), (39.14, "39.1"), (0.8512, "0.851"), (0.0, "0"),
     (99.96, "100"), (8.2, "8.2")],
)  # fmt: skip
def test_three_digits_are_written_out(value, shown):
    assert three_digits(value) == shown


@pytest.mark.parametrize(
    ("number", "shown"),
    [("4295", "4295"), ("19626", "19\u202f626"), ("-12345.67", "-12\u202f345.67"),
     ("9999.99", "9999.99"), ("1234567", "1\u202f234\u202f567"), ("-9999", "-9999"), ("0", "0")],
)  # fmt: skip
def test_thousands_are_set_apart_from_five_digits_on(number, shown):
    assert grouped(number) == shown
    assert ungrouped(shown) == number


def test_what_is_read_is_grouped_and_what_is_typed_is_not():
    assert figure(32443.2, "mass", "us") == "71\u202f525"
    assert with_unit(32443.2, "mass", "us") == "71\u202f525\u00a0lb"
    assert plain(32443.2, "mass", "us") == "71525"
    assert figure(12345.6, "volume", "metric") == "12\u202f345.60"
    assert three_digits(123456.0) == "123\u202f456"
    assert or_under(32443.2, "mass", "us") == "71\u202f525\u00a0lb"


@pytest.mark.parametrize(
    ("volume_m3", "system", "shown"),
    [(0.018927, "us", "5 gal"), (0.16990, "us", "44.9 gal"), (0.018927, "metric", "18.9 L")],
)
def test_what_a_container_holds_has_no_false_decimal(volume_m3, system, shown):
    assert to_three_digits(volume_m3, "capacity", system).replace("\u00a0", " ") == shown
