"""Entries: the list and its filters, striking, undoing, entering again; logs; the audit."""

from __future__ import annotations

import csv
import io
import re
from datetime import timedelta
from uuid import uuid4

import pytest
from django.forms import Select
from django.urls import reverse
from django.utils import timezone
from tests.web.test_more_yardstick import words

from heapwright.people.models import User
from heapwright.web.more import again, entries
from heapwright.web.more import audit as audit_pages
from heapwright.yard import mix, receive, state, tend, trace, use
from heapwright.yard.acts import Take, first_lot
from heapwright.yard.amounts import Quantity
from heapwright.yard.audit import audit
from heapwright.yard.models import Entry, Fuel, Kind, Labour, Lot, Measurement, Weather


def text(answer) -> str:
    return answer.content.decode()


def rows(answer) -> list[dict[str, str]]:
    assert answer["Content-Disposition"].endswith('.csv"')
    return list(csv.DictReader(io.StringIO(text(answer).removeprefix("\ufeff"))))


def sent(form) -> dict[str, str]:
    """Return what a browser would send of a form as it was first shown."""
    data = {}
    for field in form:
        value, widget = field.value(), field.field.widget
        if isinstance(widget, Select):
            choices = [str(choice) for choice, _label in field.field.choices]
            data[field.html_name] = str(value) if str(value) in choices else choices[0]
        elif value is True:
            data[field.html_name] = "on"
        elif value not in (None, False, ""):
            data[field.html_name] = str(widget.format_value(value))
    return data


def typed(client, address, **changes: str) -> dict[str, str]:
    """Return the form of a page as shown, with changes."""
    return sent(client.get(address).context["form"]) | changes


# the list


def test_everything_is_told_in_the_persons_units_the_struck_ones_struck_through(small_site, as_):
    page = text(as_("reader").get("/more/entries/"))
    assert "151\u00a0°F, 147\u00a0°F, 142\u00a0°F" in page
    assert re.search(
        r"<del>1653\u00a0lb Coffee grounds, spent: .*, from School kitchen</del>", page
    )
    assert "Struck by helper: a nought too many" in page
    assert "Enter it again" not in page
    assert "C-001: moisture 41" in words(page)  # no name of a column


@pytest.mark.parametrize(
    ("query", "kinds"),
    [
        ("kind=use", {"use"}),
        ("kind=weather&person=helper", {"weather"}),
        ("kind=weather&person=lead", set()),
        ("struck=only", {"delivery"}),
        ("lot=v-001", {"screen"}),
    ],
)
def test_filters(query, kinds, small_site, as_):
    answer = as_("reader").get(f"/more/entries/?format=csv&{query}")
    assert {row["kind"] for row in rows(answer)} == kinds


def test_thousands_are_set_apart_on_the_page_and_never_in_the_file(small_site, as_):
    receive.receive_delivery(
        receive.ReceiveDelivery(
            happened_at=timezone.now(), source="kitchen",
            lines=(receive.DeliveryLine(
                material="leaves_shredded", quantity=Quantity(mass_kg=6000.0, known="weighed"),
                place="S1",
            ),),
        ),
        small_site.lead,
    )  # fmt: skip
    page = text(as_("reader").get("/more/entries/?kind=delivery"))
    assert "13\u202f228\u00a0lb" in page
    file = text(as_("reader").get("/more/entries/?kind=delivery&format=csv"))
    assert "13228\u00a0lb" in file
    assert "\u202f" not in file


def test_the_file_has_what_the_page_has_and_no_formula(small_site, as_):
    act = tend.LogLabour(
        happened_at=timezone.now(), hours=1.0, task="turning", note="=2+2", who="+me"
    )
    tend.log_labour(act, small_site.lead)
    found = rows(as_("reader").get("/more/entries/?format=csv"))
    assert len(found) == Entry.objects.count()
    assert found[0]["note"] == "'=2+2"
    assert next(row for row in found if row["struck_at"])["struck_reason"] == "a nought too many"


def test_days_are_the_sites_and_both_ends_count(small_site, as_):
    here = small_site.helpers_check.happened_at.astimezone(entries.Site.load().tz).date()
    found = rows(as_("reader").get(f"/more/entries/?format=csv&since={here}&until={here}"))
    assert str(small_site.helpers_check.uuid) in {row["id"] for row in found}
    assert all(
        timezone.datetime.fromisoformat(row["happened_at"])
        .astimezone(entries.Site.load().tz)
        .date()
        == here
        for row in found
    )


def test_what_is_wrong_with_a_filter_stands_beside_it(small_site, as_):
    page = text(as_("reader").get("/more/entries/?lot=K-999&since=2026-05-02&until=2026-05-01"))
    assert "There is no lot K-999." in page
    assert "This is before the first day." in page
    assert 'value="K-999"' in page


def test_pages_of_fifty_with_the_filter_kept(small_site, as_):
    client = as_("reader")
    first = client.get("/more/entries/?struck=hide")
    assert "page 1 of 2, 73 entries" in text(first)
    assert "?struck=hide&amp;page=2" in text(first)
    assert "page 2 of 2" in text(client.get("/more/entries/?struck=hide&page=2"))


def test_the_number_of_queries_does_not_grow_with_the_entries(
    small_site, as_, django_assert_max_num_queries
):
    client = as_("reader")
    with django_assert_max_num_queries(25):
        client.get("/more/entries/")


# striking and undoing


def test_a_strike_needs_a_reason_and_stays_to_be_seen(small_site, as_):
    client, uuid = as_("helper"), small_site.helpers_check.uuid
    where = reverse("strike", args=[uuid])
    assert "This is needed" in text(client.post(where, {"reason": " "}))
    assert not Entry.objects.get(uuid=uuid).is_struck
    page = client.post(where, {"reason": "wrong pile"}, follow=True)
    assert "Struck by helper" in text(page)
    assert "wrong pile" in text(page)
    assert "<del>" in text(page)
    assert client.get(where).status_code == 302  # struck once


def test_a_helper_strikes_only_their_own_a_lead_any(small_site, as_):
    of_lead = Entry.objects.filter(kind=Kind.LABOUR).first()
    where = reverse("strike", args=[of_lead.uuid])
    refused = as_("helper").post(where, {"reason": "x"})
    assert refused.status_code == 403
    assert "A helper may strike only what they recorded" in text(refused)
    assert "Strike it" not in text(as_("helper").get(reverse("entry", args=[of_lead.uuid])))
    assert as_("lead").post(where, {"reason": "counted twice"}).status_code == 303
    assert Entry.objects.get(pk=of_lead.pk).struck_reason == "counted twice"


def test_a_strike_that_later_entries_rest_on_is_refused_and_named(small_site, as_):
    where = reverse("strike", args=[small_site.delivery.uuid])
    answer = as_("lead").post(where, {"reason": "never came"})
    assert answer.status_code == 200
    assert small_site.delivery.lots.first().code in text(answer)
    assert "never came" in text(answer)  # kept as typed
    assert not Entry.objects.get(pk=small_site.delivery.pk).is_struck


def log_hours(client, **changes):
    data = typed(client, "/more/labour/", hours="1.5", task="turning") | changes
    return client.post("/more/labour/", data, follow=True)


def test_the_strip_offers_undo_and_undo_strikes(small_site, as_):
    client = as_("helper")
    page = log_hours(client)
    assert "Logged: 1.5 hours turning" in text(page)
    entry = Entry.objects.filter(kind=Kind.LABOUR).latest("id")
    assert f'action="/more/undo/{entry.uuid}/"' in text(page)
    assert client.get(f"/more/undo/{entry.uuid}/").status_code == 405
    back = client.post(f"/more/undo/{entry.uuid}/", HTTP_REFERER="http://testserver/more/beds/")
    assert back["Location"] == "http://testserver/more/beds/"
    entry.refresh_from_db()
    assert entry.is_struck
    assert "taken back" in entry.struck_reason
    again_page = client.post(f"/more/undo/{entry.uuid}/", follow=True)
    assert "taken back already" in text(again_page)
    elsewhere = client.post(f"/more/undo/{entry.uuid}/", HTTP_REFERER="https://elsewhere.example/")
    assert elsewhere["Location"] == "/more/entries/"


def test_undo_is_for_the_same_person_within_15_minutes_or_a_lead(small_site, as_):
    old = small_site.helpers_check
    old_enough = timezone.now() - timedelta(minutes=16)
    act = tend.LogLabour(happened_at=old_enough, hours=1.0, task="turning")
    late = tend.log_labour(act, small_site.helper, now=old_enough)
    page = as_("helper").post(f"/more/undo/{late.uuid}/", follow=True)
    assert "more than 15 minutes ago" in text(page)
    other = User.objects.create_user(username="other", role="helper", password="x")
    client = as_("other")
    assert other.may_log
    assert client.post(f"/more/undo/{old.uuid}/").status_code == 403
    assert as_("lead").post(f"/more/undo/{late.uuid}/").status_code == 303
    late.refresh_from_db()
    assert late.is_struck


def test_an_undo_that_cannot_be_says_why(small_site, as_):
    page = as_("lead").post(f"/more/undo/{small_site.delivery.uuid}/", follow=True)
    assert "Not done:" in text(page)
    assert as_("lead").post(f"/more/undo/{uuid4()}/").status_code == 404


# entering again


def test_every_kind_but_a_loggers_file_and_settings_can_be_entered_again():
    # settings are changed by setting them anew, on their own page
    assert set(again.ACTS) == {kind.value for kind in Kind} - {Kind.READINGS, Kind.SETTINGS}


def act_of(kind: str, site) -> None:
    """Write an entry of a kind that the small site has none of."""
    common = {"happened_at": timezone.now()}
    hot, compost = site.hot.code, site.compost.code
    kg = Quantity(mass_kg=12.34, known="weighed", as_typed="12.34 kg")
    acts = {
        Kind.ADD: lambda: mix.add_to_pile(
            mix.AddToPile(
                **common,
                lot=hot,
                takes=(
                    Take(lot=site.leaves.code, quantity=Quantity(container="tote", count=1.5)),
                    Take(lot=site.scraps.code),
                ),
                water_l=11.1,
            ),
            site.lead,
        ),
        Kind.WATER: lambda: tend.water(tend.Water(**common, lot=hot, litres=40.7), site.lead),
        Kind.COVER: lambda: tend.cover(tend.CoverLot(**common, lot=hot, cover="tarp"), site.lead),
        Kind.MEASURE: lambda: tend.weigh_or_measure(
            tend.WeighOrMeasure(**common, lot=hot, volume_m3=0.777, settled=True), site.lead
        ),
        Kind.DISCARD: lambda: use.discard(
            use.Discard(**common, lot=compost, why="glass in it", quantity=kg), site.lead
        ),
        Kind.MOVE: lambda: tend.move(tend.Move(**common, lot=hot, to_place="B4"), site.lead),
        Kind.COMBINE: lambda: tend.combine(
            tend.Combine(**common, lots=(hot,), into=site.curing.code), site.lead
        ),
        Kind.OPENING: lambda: receive.open_lot(
            receive.OpenLot(
                **common,
                kind="pile",
                place="B4",
                quantity=kg,
                materials=(receive.OpeningPart(material="leaves_loose", share_pct=33.3),),
                stage="hot",
                start_known=True,
            ),
            site.lead,
        ),
        Kind.DIVIDE: lambda: tend.divide(
            tend.Divide(**common, lot=hot, parts=(tend.Part(place="B4", quantity=kg),)), site.lead
        ),
    }
    if kind in acts:
        acts[kind]()


@pytest.mark.parametrize("kind", again.ACTS)
def test_entered_again_unchanged_an_entry_says_the_same(kind, small_site, as_):
    """Every figure survives being shown in feet and pounds, to the last digit."""
    act_of(kind, small_site)
    wrong = Entry.objects.filter(kind=kind, struck_at=None).latest("id")
    before = audit().site
    client = as_("lead")
    where = reverse("enter-again", args=[wrong.uuid])
    answer = client.post(where, typed(client, where, reason="to see"))
    assert answer.status_code == 303, answer.context["form"].errors
    entry = Entry.objects.get(replaces=wrong)
    assert {
        name: value
        for name, value in entry.sent.items()
        if name not in ("id", "replaces", "reason", "happened_at")
    } == {name: value for name, value in wrong.sent.items() if name not in ("id", "happened_at")}
    assert entry.happened_at == wrong.happened_at
    after = audit()
    assert after.adds_up
    assert after.site.standing_kg == pytest.approx(before.standing_kg)


def test_a_delivery_that_was_used_is_mended_with_all_that_rests_on_it(small_site, as_):
    client, wrong = as_("lead"), small_site.delivery
    lot = first_lot(wrong)
    where = reverse("enter-again", args=[wrong.uuid])
    form = client.get(where).context["form"]
    assert form["lines.0.quantity.mass_kg"].value() == "330.693"  # 150 kg
    data = typed(client, where, **{"lines.0.quantity.mass_kg": "400", "reason": "misread"})
    page = client.post(where, data, follow=True)
    assert "Entered again: 400\u00a0lb" in text(page)
    assert "takes the place of" in text(page)
    old = Entry.objects.get(pk=wrong.pk)
    assert (old.is_struck, old.struck_reason) == (True, "misread")
    new = Entry.objects.get(replaces=old)
    assert first_lot(new) == lot
    flow = new.flows.get()
    assert flow.mass_kg == pytest.approx(400 * 0.45359237)
    assert flow.as_typed == "400 lb"
    assert state.lot_state(lot.code).mass_kg == pytest.approx(400 * 0.45359237 - 140)
    assert sum(part.fraction for part in trace.composition(small_site.hot)) == pytest.approx(1)
    assert "the entry that took its place" in text(client.get(reverse("entry", args=[old.uuid])))


def test_a_mended_delivery_that_is_too_small_is_refused_beside_its_field(small_site, as_):
    client = as_("lead")
    where = reverse("enter-again", args=[small_site.delivery.uuid])
    count = Entry.objects.count()
    data = typed(client, where, **{"lines.0.quantity.mass_kg": "100", "reason": "misread"})
    answer = client.post(where, data)
    assert answer.status_code == 200
    assert answer.context["form"].errors
    assert Entry.objects.count() == count
    assert not Entry.objects.get(pk=small_site.delivery.pk).is_struck
    data["lines.0.quantity.mass_kg"] = "-5"
    errors = client.post(where, data).context["form"].errors
    assert errors["lines.0.quantity.mass_kg"] == ["This must be more than zero"]


def test_a_reading_is_mended_and_another_left_out(small_site, as_):
    client, wrong = as_("helper"), small_site.helpers_check
    where = reverse("enter-again", args=[wrong.uuid])
    data = typed(client, where, reason="misread") | {"temps.0.temp_c": "154", "temps.1.temp_c": ""}
    assert client.post(where, data).status_code == 303
    new = Entry.objects.get(replaces=wrong)
    assert [one["point"] for one in new.sent["temps"]] == ["1", "3"]
    read = small_site.hot.readings.filter(entry=new).order_by("point")
    assert [round(one.temp_c, 2) for one in read] == [67.78, 61.0]
    assert small_site.hot.readings.filter(entry=wrong, struck=False).count() == 0
    data = typed(client, reverse("enter-again", args=[new.uuid]), reason="x")
    data["temps.1.temp_c"] = "999"
    errors = client.post(reverse("enter-again", args=[new.uuid]), data).context["form"].errors
    assert errors == {"temps.1.temp_c": ["302 is the most."]}  # in °F, as it was typed


def test_a_refusal_finds_its_field_when_an_item_before_it_was_left_out(small_site, as_):
    client, wrong = as_("lead"), Entry.objects.filter(kind=Kind.BUILD).first()
    where = reverse("enter-again", args=[wrong.uuid])
    data = typed(client, where, reason="x")
    assert data["takes.2.lot"]
    data |= {"takes.0.lot": "", "takes.2.lot": "D-999"}
    errors = client.post(where, data).context["form"].errors
    assert errors == {"takes.2.lot": ["There is no lot D-999"]}


def test_a_helper_cannot_mend_what_another_entered(small_site, as_):
    of_lead = Entry.objects.filter(kind=Kind.USE).first()
    where = reverse("enter-again", args=[of_lead.uuid])
    assert as_("helper").get(where).status_code == 403
    assert as_("helper").post(where, {"reason": "x"}).status_code == 403
    struck = reverse("enter-again", args=[small_site.struck.uuid])
    assert as_("lead").get(struck).status_code == 302


# hours, fuel, weather, samples, results


def test_hours_are_logged_once_however_often_they_are_sent(small_site, as_):
    client = as_("helper")
    data = typed(client, "/more/labour/", hours="0.5", task="screening", lot=small_site.hot.code)
    count = Entry.objects.count()
    assert client.post("/more/labour/", data).status_code == 303
    assert client.post("/more/labour/", data).status_code == 303
    assert Entry.objects.count() == count + 1
    assert Labour.objects.latest("entry_id").hours == 0.5


@pytest.mark.parametrize(
    ("address", "data", "field", "message"),
    [
        ("labour", {"hours": "half", "task": "x"}, "hours", "half"),
        ("labour", {"hours": "0", "task": "x"}, "hours", "This must be more than zero"),
        ("labour", {"hours": "1", "task": ""}, "task", "This is needed."),
        ("labour", {"hours": "1", "task": "x", "lot": "K-9"}, "lot", "K-9 is not one of"),
        ("fuel", {"fuel": "diesel"}, "volume_l", "State litres or kilowatt-hours"),
        (
            "fuel",
            {"fuel": "diesel", "volume_l": "1", "energy_kwh": "1"},
            "volume_l",
            "State litres or kilowatt-hours",
        ),
        ("weather", {}, "rain_mm", "State the rain or a temperature"),
        (
            "weather",
            {"temp_min_c": "60", "temp_max_c": "40"},
            "temp_min_c",
            "The lowest is above the highest",
        ),
        ("weather", {"day": "2199-01-01", "rain_mm": "1"}, "day", "That day has not come yet"),
        ("sample", {"label": ""}, "label", "This is needed."),
        ("sample", {"lot": "", "label": "AL-7"}, "lot", "Choose one."),
        ("result", {}, "quantity_0", "State at least one figure."),
        ("result", {"quantity_2": "pH"}, "value_2", "What is the value?"),
        ("result", {"value_1": "7"}, "quantity_1", "Which figure?"),
        (
            "result",
            {"quantity_3": "moisture_pct", "value_3": "140"},
            "value_3",
            "140 lies outside 0 to 100",
        ),
    ],
)
def test_bad_input_stands_beside_its_field_and_writes_nothing(
    address, data, field, message, small_site, as_
):
    client = as_("helper")
    count = Entry.objects.count()
    lot = {"lot": small_site.compost.code} if address in ("sample", "result") else {}
    full = typed(client, f"/more/{address}/", note="kept as typed") | lot | data
    answer = client.post(f"/more/{address}/", full)
    assert answer.status_code == 200
    errors = answer.context["form"].errors
    assert any(message in error for error in errors[field]), errors
    assert "kept as typed" in text(answer)
    assert message.split(" ")[0] in text(answer)
    assert Entry.objects.count() == count


def test_a_time_to_come_is_refused(small_site, as_):
    page = log_hours(as_("helper"), happened_at="2199-01-01T10:00")
    assert "has not come yet" in text(page)


def test_fuel_and_weather_are_kept_in_si(small_site, as_):
    client = as_("helper")
    client.post("/more/fuel/", typed(client, "/more/fuel/", fuel="diesel", volume_l="2"))
    assert Fuel.objects.latest("entry_id").volume_l == pytest.approx(7.570823568)
    data = typed(client, "/more/weather/", rain_mm="0.5", temp_min_c="-4", temp_max_c="41")
    assert client.post("/more/weather/", data).status_code == 303
    seen = Weather.objects.latest("entry_id")
    assert seen.rain_mm == pytest.approx(12.7)
    assert (seen.temp_min_c, seen.temp_max_c) == pytest.approx((-20, 5))


def test_a_result_is_logged_with_its_figures(small_site, as_):
    client = as_("helper")
    data = typed(client, f"/more/result/?lot={small_site.compost.code}&sample=AL-1")
    assert data["lot"] == small_site.compost.code
    data |= {
        "quantity_0": "faecal coliform",
        "comparator_0": "<",
        "value_0": "3",
        "unit_0": "MPN/g",
        "quantity_4": "pH",
        "comparator_4": "=",
        "value_4": "7.4",
    }
    page = client.post("/more/result/", data, follow=True)
    assert "faecal coliform &lt; 3 MPN/g, pH 7.4" in text(page)
    found = Measurement.objects.filter(lot=small_site.compost, quantity="faecal coliform").get()
    assert (found.comparator, found.value, found.entry.sent["sample"]) == ("<", 3.0, "AL-1")


def test_a_sample_of_a_lot_that_is_all_gone_is_refused_but_a_result_is_taken(small_site, as_):
    client = as_("helper")
    gone = Lot.objects.get(code="K-001")
    data = typed(client, "/more/sample/", label="X-1") | {"lot": gone.code}
    answer = client.post("/more/sample/", data)
    assert "Nothing of K-001 was left" in str(answer.context["form"].errors["lot"])
    data = typed(client, "/more/result/", quantity_0="pH", value_0="7") | {"lot": gone.code}
    assert client.post("/more/result/", data).status_code == 303


# the audit


def test_the_audit_says_that_in_is_standing_and_out_and_lost(small_site, as_):
    page = text(as_("reader").get("/more/audit/"))
    assert "The books add up" in page
    site = audit().site

    def lb(kg: float) -> str:
        return f"{kg / 0.45359237:.0f}\u00a0lb"

    came = site.in_kg + site.water_kg
    assert (
        f"In {lb(came)} = standing {lb(site.standing_kg)} + out {lb(site.out_kg)} "
        f"+ lost {lb(site.to_air_kg - site.gained_kg)}" in page
    )
    assert "Nothing stands out." in page
    found = rows(as_("reader").get("/more/audit/?format=csv"))
    assert found[0]["lot"] == "site"
    assert float(found[0]["in_kg"]) == pytest.approx(site.in_kg)
    assert {row["residual_kg"] for row in found} <= {"0.0", "-0.0"}


def test_the_audit_points_out_what_a_person_should_look_at(small_site, as_):
    act = tend.Move(happened_at=timezone.now(), lot=small_site.curing.code, to_place="B3")
    tend.move(act, small_site.lead)
    page = text(as_("reader").get("/more/audit/"))
    assert "The books add up" in page
    assert f"Bay 3 holds {small_site.curing.code}, {small_site.hot.code}" in page


def test_with_many_lots_the_sums_come_first_and_every_lot_is_asked_for(
    small_site, as_, monkeypatch
):
    client = as_("reader")
    every = text(client.get("/more/audit/"))
    monkeypatch.setattr(audit_pages, "AT_ONCE", 3)
    quick = text(client.get("/more/audit/"))
    assert "The books of the site add up" in quick
    balance = re.search(r"In .*? g\.", every)
    assert balance is not None
    assert balance.group() in quick
    assert "Look at every lot" in quick
    assert "Nothing stands out." in quick
    of_each = text(client.get("/more/audit/?every=lot"))
    assert of_each.count("<tr") == every.count("<tr")
    assert "The books add up" in of_each
    assert 'href="/more/audit/">What else to look at' in of_each
    act = tend.Move(happened_at=timezone.now(), lot=small_site.curing.code, to_place="B3")
    tend.move(act, small_site.lead)
    shared = f"Bay 3 holds {small_site.curing.code}, {small_site.hot.code}"
    assert shared in text(client.get("/more/audit/"))
