"""The parts of pages: tables that a phone can read, boxes to tick, figures without false digits."""

from __future__ import annotations

import re

import pytest
from django import forms
from django.template.loader import render_to_string

from heapwright.web.more.audit import grams
from heapwright.web.tables import Column, table


def shown(**made):
    return render_to_string("heapwright/parts/table.html", {"table": made})


def test_a_row_of_many_cells_is_set_as_lines_on_a_phone_each_cell_after_its_label():
    columns = [
        Column("Lot", short=True), Column("What", says_itself=True), Column("Day", number=True),
        Column("Volume", unit="yd³", number=True), Column("Where"),
    ]  # fmt: skip
    row = ("K-001", "curing", "112", "1.20", "Screening corner")
    made = table("t", "What stands", columns, [row])
    assert made["stacks"]
    html = shown(**made)
    assert '<table class="stacks">' in html
    labels = re.findall(r'data-label="([^"]*)"', html)
    assert labels == ["Day", "Volume", "Where"]  # what says itself has none
    assert 'data-label="Volume" data-unit="yd³">1.20</td>' in html  # the unit follows its figure


def test_a_dash_on_a_phone_has_no_unit_and_is_left_out_where_it_says_nothing():
    columns = [
        Column("Lot", short=True), Column("Wind", unit="m/s", number=True),
        Column("Distance", unit="km", number=True, may_lack=True),
    ]  # fmt: skip
    rows = [("a lot with a very long name", "–", "–"), ("b with another long name", "3", "1.2")]
    html = shown(**table("t", "What stands", columns, rows))
    assert '<td class="number-cell" data-label="Wind">–</td>' in html
    assert '<td class="number-cell lacks" data-label="Distance">–</td>' in html
    assert html.count("data-unit") == 2
    assert "lacks" not in shown(**table("t", "x", columns[:2], [("a", "–")]))


def test_a_table_that_fits_a_phone_stays_a_table():
    made = table("t", "Beds", [Column("Bed"), Column("Mass", number=True)], [("Bed 1", "12 lb")])
    assert not made["stacks"]
    assert "data-label" not in shown(**made)


def test_only_a_table_wider_than_a_laptop_scrolls_in_a_box():
    few = [Column(f"C{i}") for i in range(4)]
    many = [Column(f"C{i}") for i in range(14)]
    assert not table("t", "x", few, [["word"] * 4])["broad"]
    made = table("t", "x", many, [["some words in a cell"] * 14])
    assert made["broad"]
    assert 'class="scroll broad"' in shown(**made)


def test_the_download_is_not_printed():
    made = table("t", "x", [Column("A")], [("1",)], download_href="?format=csv")
    assert re.search(r'<a class="no-print" href="\?format=csv" download>', shown(**made))


class Asked(forms.Form):
    paid = forms.BooleanField(label="Paid", required=False)
    days = forms.MultipleChoiceField(
        label="Days", required=False, choices=[("mo", "Monday")],
        widget=forms.CheckboxSelectMultiple,
    )  # fmt: skip
    note = forms.CharField(label="Note", required=False)


@pytest.mark.parametrize(
    ("name", "says"),
    [("paid", ""), ("days", "(any, or none)"), ("note", "(may stay empty)")],
)
def test_what_may_be_left_is_told_in_the_words_of_its_kind(name, says):
    html = render_to_string("heapwright/parts/field.html", {"field": Asked()[name]})
    assert re.findall(r"\((?:may|any)[^)]*\)", html) == ([says] if says else [])


def test_a_box_to_tick_stands_within_its_own_label():
    html = render_to_string("heapwright/parts/field.html", {"field": Asked()["paid"]})
    assert re.search(r'<label for="id_paid"><input type="checkbox"[^>]*> Paid</label>', html)
    assert html.count("<div") == html.count("</div>")


@pytest.mark.parametrize(
    ("off_kg", "says"),
    [(0.0, "0"), (-0.0, "0"), (1e-9, "0"), (-0.0023, "−2.3"), (0.002, "2"), (0.4567, "457")],
)
def test_what_the_books_are_off_by_has_no_false_digits_and_no_sign_on_nothing(off_kg, says):
    assert grams(off_kg) == says
