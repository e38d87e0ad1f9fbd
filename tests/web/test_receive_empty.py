"""The three rooms on a yard that has nothing yet: each says what to do first."""

from __future__ import annotations

import pytest
from django.test import Client

from heapwright.people.models import User
from heapwright.yard.models import Place, Site, Source


@pytest.fixture
def html_of(db):
    Site.objects.create(id=1, name="New yard")

    def page(path: str, role: str = "lead") -> str:
        client = Client()
        person = User.objects.filter(username=role).first()
        client.force_login(
            person or User.objects.create_user(username=role, password="x", role=role)
        )
        answer = client.get(path)
        assert answer.status_code == 200
        return answer.content.decode()

    return page


def test_stock(html_of):
    assert "Nothing waits" in html_of("/stock/")
    assert 'href="/stock/new/">Log a delivery' in html_of("/stock/")
    assert "Log a delivery" not in html_of("/stock/", "reader")


def test_a_delivery_needs_a_source_and_a_place(html_of):
    assert "No source yet" in html_of("/stock/new/")
    Source.objects.create(code="kitchen", name="School kitchen")
    assert "School kitchen" in html_of("/stock/new/")
    assert "add a stockpile first" in html_of("/stock/new/?source=kitchen")


def test_a_mix_needs_a_place_and_stock(html_of):
    assert "No place to build at" in html_of("/mix/")
    Place.objects.create(code="B1", name="Bay 1", kind="bay", width_m=1.2, depth_m=1.2)
    page = html_of("/mix/")
    assert "Nothing is on hand" in page
    assert "Build" not in page
    assert "<form" not in page


def test_proof(html_of):
    page = html_of("/proof/")
    assert "No heap yet" in page
    assert "not a laboratory result" in page


def test_looking_back_on_nothing(html_of):
    for path in ("/stock/deliveries/", "/stock/contamination/"):
        assert "Nothing here yet." in html_of(path)
