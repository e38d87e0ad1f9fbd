"""The tables of facts and their sources as pages: all there, searched, sorted, taken away."""

from __future__ import annotations

import csv
import io
import re

import pytest
from django.urls import reverse

from heapwright.data import sources
from heapwright.data.check import table_names
from heapwright.data.tables import read_rows
from heapwright.people.models import User
from heapwright.web.more.facts import describe

NAMES = [file.removesuffix(".csv") for file in table_names()]


def text(answer) -> str:
    return answer.content.decode()


def as_file(answer) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text(answer).removeprefix("\ufeff"))))


def test_every_table_that_ships_is_listed(small_site, as_):
    page = text(as_("reader").get("/more/facts/"))
    for name in NAMES:
        assert f'href="/more/facts/{name}/"' in page


@pytest.mark.parametrize("name", NAMES)
def test_every_row_shows_its_mark_and_links_its_sources(name, small_site, as_):
    page = text(as_("reader").get(f"/more/facts/{name}/"))
    body = page.split("<tbody>")[1].split("</tbody>")[0]
    shown = re.findall(r'<th scope="row"[^>]*>(.*?)</th>', body)
    rows = read_rows(f"{name}.csv")
    assert shown == [row.text("id") for row in rows]
    for row, line in zip(rows, body.split("</tr>"), strict=False):
        assert row.mark in line
        for source in row.sources:
            assert f'href="/more/facts/sources/{source}/"' in line


@pytest.mark.parametrize("name", NAMES)
def test_the_file_has_every_column(name, small_site, as_):
    found = as_file(as_("reader").get(f"/more/facts/{name}/?format=csv"))
    rows = read_rows(f"{name}.csv")
    assert len(found) == len(rows)
    assert list(found[0]) == list(rows[0].cells)


def test_a_search_finds_the_rows_with_all_words(small_site, as_):
    client = as_("reader")
    page = client.get("/more/facts/materials/?q=leaves+loose")
    assert "leaves_loose" in text(page)
    assert "food_scraps_mixed" not in text(page)
    assert 'value="leaves loose"' in text(page)
    by_id = as_file(client.get("/more/facts/rules/?q=NY-W&format=csv"))
    assert [row["id"] for row in by_id] == ["NY-W"]
    assert "0 of" in text(client.get("/more/facts/rules/?q=moonlight"))


def test_columns_sort_up_and_down(small_site, as_):
    client = as_("reader")

    def ids(sort: str) -> list[str]:
        page = text(client.get(f"/more/facts/rules/?sort={sort}"))
        return re.findall(r'<th scope="row"[^>]*>(.*?)</th>', page)

    assert ids("0") == sorted(ids("0"), key=str.casefold)
    assert ids("-0") == ids("0")[::-1]
    heat = {row.text("id"): row.number_or_none("min_temp_c") for row in read_rows("rules.csv")}
    up = [heat[name] for name in ids("4") if heat[name] is not None]
    down = [heat[name] for name in ids("-4") if heat[name] is not None]
    assert up == sorted(up)
    assert down == sorted(down, reverse=True)
    assert 'aria-sort="descending"' in text(client.get("/more/facts/rules/?sort=-4"))
    assert client.get("/more/facts/rules/?sort=99").status_code == 200
    assert client.get("/more/facts/rules/?sort=²").status_code == 200


def test_a_temperature_stands_on_its_colour_in_the_persons_unit(small_site, as_):
    page = text(as_("reader").get("/more/facts/rules/?q=NY-W"))
    assert '<span class="heat heat-4">131\u00a0°F</span>' in page
    assert "Caution: laws change" in page


@pytest.mark.parametrize(("units", "shown"), [("us", "131\u00a0°F"), ("metric", "55\u00a0°C")])
def test_a_rule_that_its_document_states_in_fahrenheit_shows_its_limit_too(
    units, shown, small_site, as_
):
    User.objects.filter(username="reader").update(units=units)
    page = text(as_("reader").get("/more/facts/rules/?q=US-FDA-T"))
    assert f'<span class="heat heat-4">{shown}</span>' in page


def test_every_table_says_what_it_is_about(small_site, as_):
    for file in table_names():
        about = describe(file.removesuffix(".csv"))
        assert str(about.about), f"{file} has no words of its own: add it to TABLES"


def test_a_source_names_what_cites_it(small_site, as_):
    client = as_("reader")
    page = text(client.get("/more/facts/sources/rynk-1992/"))
    assert "On-Farm Composting Handbook" in page
    assert "the passage was read" in page
    assert 'href="/more/facts/materials/?q=food_scraps_mixed"' in page
    found = as_file(client.get("/more/facts/sources/?format=csv"))
    assert {row["id"] for row in found} == set(sources())
    assert all(int(row["cited_by"]) > 0 for row in found)
    assert "rynk-1992" in text(client.get("/more/facts/sources/?q=on-farm"))


@pytest.mark.parametrize("route", ["fact-table", "fact-source"])
def test_an_unknown_one_is_not_there(route, small_site, as_):
    assert as_("reader").get(reverse(route, args=["nothing"])).status_code == 404
