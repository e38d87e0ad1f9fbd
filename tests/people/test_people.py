"""Accounts: roles, and the key that a site makes for itself."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest
from django.db import DatabaseError, transaction

from heapwright.people.models import Role, User
from heapwright.settings import secret_key


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("role", "may_log", "may_lead"),
    [("lead", True, True), ("helper", True, False), ("reader", False, False)],
)
def test_what_a_role_may_do(role: str, may_log: bool, may_lead: bool):
    person = User.objects.create_user(username="somebody", password="x", role=role)
    assert (person.may_log, person.may_lead) == (may_log, may_lead)
    person.is_active = False
    assert (person.may_log, person.may_lead) == (False, False)


@pytest.mark.django_db
def test_a_new_account_reads_only_and_the_database_knows_no_other_role():
    person = User.objects.create_user(username="somebody", password="x")
    assert person.role == Role.READER
    with pytest.raises(DatabaseError), transaction.atomic():
        User.objects.filter(id=person.id).update(role="owner")


def test_the_secret_key_is_made_once_and_readable_by_its_owner_only(tmp_path: Path):
    key = secret_key(tmp_path)
    assert len(key) >= 50
    assert secret_key(tmp_path) == key
    assert stat.S_IMODE((tmp_path / "secret_key").stat().st_mode) == 0o600
