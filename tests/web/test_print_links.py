"""The prints are found where they are needed, and come out of the site's own records."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.utils import timezone
from tests.reports.reading import pages, text

from heapwright.yard import tend


def linked(client, path: str, words: str) -> str:
    """Return the address behind a link of a page."""
    html = client.get(path).content.decode()
    return re.search(rf'href="([^"]*)">{words}<', html)[1].replace("&amp;", "&")


@pytest.mark.django_db
def test_the_yard_prints_a_round_and_the_labels_of_all_heaps(as_, small_site):
    client = as_("helper")
    sheet = client.get(linked(client, "/", "Print a log sheet for the round"))
    labels = client.get(linked(client, "/", "Print all stake labels"))
    for answer in (sheet, labels):
        assert answer["Content-Type"] == "application/pdf"
        for lot in (small_site.hot, small_site.curing, small_site.compost):
            assert lot.code in text(answer.content)
    assert len(pages(labels.content)) == 1  # four to a page


@pytest.mark.django_db
def test_a_heap_prints_its_log_sheet_and_its_label(as_, small_site):
    client = as_("reader")
    code = small_site.hot.code
    sheet = client.get(linked(client, f"/piles/{code}/", "Print a log sheet"))
    label = client.get(linked(client, f"/piles/{code}/", "Print its stake label"))
    assert code in text(sheet.content)
    assert "Composting: not for beds yet" in text(label.content)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("path", "status", "says"),
    [
        ("/print/labels/", 400, "there is no label to print"),
        ("/print/labels/?lot=K-999", 404, ""),
        ("/print/label/K-999/", 404, ""),
        ("/print/log-sheet/?lot=K-999&round=1", 404, ""),
    ],
)
def test_nothing_is_printed_of_a_lot_that_is_not_there(as_, small_site, path, status, says):
    answer = as_("reader").get(path)
    assert answer.status_code == status
    assert says in answer.content.decode()


@pytest.mark.django_db
def test_prints_are_for_those_who_signed_in(client, small_site):
    answer = client.get(f"/print/labels/?lot={small_site.hot.code}")
    assert answer.status_code == 302
    assert "/sign-in/" in answer["Location"]


@pytest.mark.django_db
def test_the_log_sheet_names_the_points_as_the_entry_form_asks_for_them(as_, small_site):
    temps = tuple(
        tend.Temp(point=name, temp_c=60.0, depth_cm=deep)
        for name, deep in (("core", 50.0), ("edge", 30.0), ("base", 45.0))
    )
    for days in (3, 2, 1):
        act = tend.CheckLot(
            happened_at=timezone.now() - timedelta(days=days) + timedelta(hours=days),
            lot=small_site.curing.code,
            temps=temps,
        )
        tend.check(act, small_site.helper)
    client, code = as_("helper"), small_site.curing.code
    form = client.get(f"/piles/{code}/log/").content.decode()
    sheet = " ".join(text(client.get(f"/print/log-sheet/?lot={code}").content).split())
    for name, deep in (("core", "20"), ("edge", "12"), ("base", "18")):
        assert f"{name.capitalize()}, {deep}" in form
        assert re.search(rf"{name} {deep}\s?in", sheet), sheet
    assert "from above" not in sheet  # where the points are is said by their names
    numbered = text(client.get(f"/print/log-sheet/?lot={small_site.hot.code}").content)
    assert "from above" in numbered
