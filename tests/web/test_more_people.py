"""Signing in, the doors of the demo, people and their one-time links, a person's own page."""

from __future__ import annotations

import re

import pytest
from django.test import Client
from django.urls import reverse
from tests.web.small_site import PASSWORD

from heapwright.people.models import User
from heapwright.web.more import people


def text(answer) -> str:
    return answer.content.decode()


def link_on(answer) -> str:
    found = re.search(r'class="link">http://testserver(/sign-in/[^<]+)<', text(answer))
    assert found, text(answer)
    return found.group(1)


def sign_in(client: Client, username: str, password: str):
    return client.post("/sign-in/", {"username": username, "password": password})


def test_a_name_and_a_password_open_the_yard(small_site):
    client = Client()
    wrong = sign_in(client, "helper", "nonsense")
    assert "do not go together" in text(wrong)
    assert 'value="helper"' in text(wrong)
    assert sign_in(client, "helper", PASSWORD)["Location"] == "/"
    assert "helper" in text(client.get("/more/"))
    assert client.get("/sign-out/").status_code == 405  # a link cannot sign anybody out
    assert client.post("/sign-out/").status_code == 302
    assert client.get("/more/")["Location"].startswith("/sign-in/")


def test_sign_in_leads_back_only_to_this_site(small_site):
    for wanted, goes in (("/more/beds/", "/more/beds/"), ("https://elsewhere.example/", "/")):
        client = Client()
        answer = client.post(
            "/sign-in/", {"username": "helper", "password": PASSWORD, "next": wanted}
        )
        assert answer["Location"] == goes


def test_trying_passwords_is_throttled_with_a_clear_message(small_site):
    client = Client()
    for _try in range(9):
        assert sign_in(client, "lead", "guess").status_code == 200
    locked = sign_in(client, "lead", "guess")
    assert locked.status_code == 429
    assert "10 wrong passwords for this name" in text(locked)
    assert "quarter of an hour" in text(locked)
    assert sign_in(client, "lead", PASSWORD).status_code == 429
    assert sign_in(client, "helper", PASSWORD).status_code == 302


def test_passwords_are_kept_with_argon2():
    from heapwright import settings

    assert settings.PASSWORD_HASHERS == ["django.contrib.auth.hashers.Argon2PasswordHasher"]


@pytest.mark.parametrize("role", ["lead", "helper", "reader"])
def test_the_demo_has_a_door_for_each_role(role, small_site, settings):
    settings.DEMO = True
    client = Client()
    page = text(client.get("/sign-in/?next=/more/beds/"))
    assert f"Come in as {role}" in page
    assert "change between them" in page
    answer = client.post(f"/come-in/{role}/", {"next": "/more/beds/"})
    assert answer.status_code == 303
    assert answer["Location"] == "/more/beds/"
    assert client.get("/more/beds/").context["user"].username == role
    assert "Come in as lead" in text(client.get("/more/me/"))


def test_the_doors_are_shut_outside_of_the_demo(small_site, settings):
    settings.DEMO = False
    client = Client()
    assert "Come in as" not in text(client.get("/sign-in/"))
    assert client.post("/come-in/lead/").status_code == 404
    settings.DEMO = True
    assert client.get("/come-in/lead/").status_code == 405
    assert client.post("/come-in/owner/").status_code == 404


def test_a_new_person_chooses_a_password_once(small_site, as_):
    lead = as_("lead")
    added = lead.post(
        "/more/people/",
        {"username": "sam", "first_name": "Sam", "last_name": "", "role": "helper", "units": "us"},
        follow=True,
    )
    assert "Sam may come in. Hand on the link below." in text(added)
    assert "data:image/svg+xml" in text(added)
    link = link_on(added)
    assert not User.objects.get(username="sam").has_usable_password()

    phone = Client()
    page = phone.get(link, follow=True)
    assert "You sign in with the name <strong>sam</strong>" in text(page)
    weak = phone.post(page.request["PATH_INFO"], {"new_password1": "12", "new_password2": "12"})
    assert "too short" in text(weak)
    chosen = {"new_password1": PASSWORD, "new_password2": PASSWORD}
    assert phone.post(page.request["PATH_INFO"], chosen)["Location"] == "/"
    assert phone.get("/more/").context["user"].username == "sam"
    again = Client().get(link, follow=True)
    assert "This link was used already, or is too old" in text(again)
    assert "One-time link" not in text(lead.get("/more/people/sam/"))


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ({"username": "helper"}, "already exists"),
        ({"username": ""}, "This is needed"),
        ({"username": "a b"}, "Enter a valid username"),
        ({"username": "sam", "role": "owner"}, "owner is not one of the available choices"),
    ],
)
def test_what_is_wrong_with_a_new_person_stands_beside_its_field(typed, message, small_site, as_):
    data = {"first_name": "Sam", "last_name": "", "role": "helper", "units": "us"} | typed
    answer = as_("lead").post("/more/people/", data)
    assert message in text(answer)
    assert 'value="Sam"' in text(answer)
    assert User.objects.count() == 3


def test_a_reset_shuts_the_old_password_out_and_ends_the_session(small_site, as_):
    helper = as_("helper")
    assert helper.get("/more/").status_code == 200
    answer = as_("lead").post("/more/people/helper/reset/", follow=True)
    assert "no longer works" in text(answer)
    assert helper.get("/more/").status_code == 302
    assert sign_in(Client(), "helper", PASSWORD).status_code == 200
    assert Client().get(link_on(answer), follow=True).context["validlink"]


def test_a_closed_account_cannot_come_in_and_its_entries_stay(small_site, as_):
    helper, lead = as_("helper"), as_("lead")
    lead.post("/more/people/helper/close/")
    assert helper.get("/more/").status_code == 302
    assert sign_in(Client(), "helper", PASSWORD).status_code == 200
    assert "helper" in text(lead.get("/more/entries/"))
    assert "closed" in text(lead.get("/more/people/"))
    lead.post("/more/people/helper/open/")
    assert sign_in(Client(), "helper", PASSWORD).status_code == 302


def test_the_last_lead_can_neither_step_down_nor_be_closed(small_site, as_):
    lead = as_("lead")
    data = {"first_name": "", "last_name": "", "role": "helper"}
    assert "This is the only lead" in text(lead.post("/more/people/lead/", data))
    assert "is the only lead" in text(lead.post("/more/people/lead/close/", follow=True))
    assert User.objects.get(username="lead").may_lead
    lead.post("/more/people/helper/", data | {"role": "lead"})
    assert User.objects.get(username="helper").may_lead
    assert lead.post("/more/people/lead/", data).status_code == 303
    assert User.objects.get(username="lead").role == "helper"
    assert lead.get("/more/people/").status_code == 403


def test_units_change_what_is_shown(small_site, as_):
    client = as_("reader")
    bed = reverse("bed", args=["BED1"])
    assert "66\u00a0lb" in text(client.get(bed))
    data = {"first_name": "Ada", "last_name": "Fenn", "units": "metric", "language": "en"}
    assert client.post("/more/me/", data).status_code == 303
    page = text(client.get(bed))
    assert "30\u00a0kg" in page
    assert "Ada Fenn" in page


def test_a_language_that_is_not_translated_is_not_offered(small_site, as_, monkeypatch, tmp_path):
    monkeypatch.setattr(people, "LOCALE", tmp_path)
    client = as_("reader")
    page = text(client.get("/more/me/"))
    assert "The pages speak English only, so far." in page
    assert "<select" not in page  # one language is nothing to choose from
    data = {"first_name": "", "last_name": "", "units": "us", "language": "es"}
    assert "es is not one of the available choices" in text(client.post("/more/me/", data))


def test_ones_own_password_is_changed_with_the_old_one(small_site, as_):
    client = as_("helper")
    new = "a-rake-and-a-sieve"
    data = {"old_password": "wrong", "new_password1": new, "new_password2": new}
    assert "entered incorrectly" in text(client.post("/more/me/password/", data))
    assert client.post("/more/me/password/", data | {"old_password": PASSWORD}).status_code == 303
    assert client.get("/more/").status_code == 200  # stays signed in here
    assert sign_in(Client(), "helper", new).status_code == 302
