"""The small site for tests of pages, and clients that are signed in."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from copy import deepcopy

import pytest
from django.db import transaction
from django.test import Client
from tests.web import small_site as the_small_site

from heapwright.people.models import User


@pytest.fixture(scope="module")
def _made_once(django_db_setup, django_db_blocker) -> Iterator[the_small_site.SmallSite]:
    """Make the small site once a module, in a transaction that is rolled back at its end."""
    with django_db_blocker.unblock(), transaction.atomic():
        made = the_small_site.make()
        with django_db_blocker.block():
            yield made
        transaction.set_rollback(True)


@pytest.fixture
def small_site(_made_once, db) -> the_small_site.SmallSite:
    """The small site; what the test does to it is rolled back."""
    return deepcopy(_made_once)


@pytest.fixture
def as_(small_site) -> Callable[[str], Client]:
    """Return a client signed in as lead, helper or reader of the small site."""

    def client(username: str) -> Client:
        signed_in = Client()
        signed_in.force_login(User.objects.get(username=username))
        return signed_in

    return client
