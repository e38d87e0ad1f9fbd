"""Weather and Water: the gauge, files, the forecast's settings; the quick answers for a heap."""

from __future__ import annotations

import re
from datetime import UTC, timedelta
from html import unescape

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone
from tests.files.weather_service_shape import NOW as SERVICE_NOW
from tests.files.weather_service_shape import service

from heapwright.files import weather_service
from heapwright.files.weather_rows import StationRow
from heapwright.people.models import User
from heapwright.web.more import water
from heapwright.yard import tend, weather_kept
from heapwright.yard.models import (
    Check,
    Entry,
    Origin,
    Site,
    Weather,
    WeatherGot,
    WeatherRow,
    WeatherSettings,
)
from heapwright.yard.strike import strike

HOURS = b"time,temp_c,rain_mm\n2026-03-01T10:00,4,0.5\n2026-03-01T11:00,5,0\n2026-03-01T12:00,6,1\n"


def text(answer) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", answer.content.decode())))


def typed(client, where: str, **more: str) -> dict[str, str]:
    form = client.get(where).context["form"]
    said = {field.html_name: field.value() for field in form if field.value() not in (None, False)}
    return {name: str(value) for name, value in said.items()} | more


def day_rows(first, count, **figures):
    for number in range(count):
        begins = (first + timedelta(days=number)).astimezone(UTC)
        yield StationRow(starts_at=begins, ends_at=begins + timedelta(days=1), **figures)


def this_midnight():
    here = timezone.now().astimezone(Site.load().tz)
    return here.replace(hour=0, minute=0, second=0, microsecond=0)


# the page


def test_the_days_stand_there_with_their_origin(small_site, as_):
    lead = User.objects.get(username="lead")
    weather_kept.keep(
        day_rows(this_midnight() - timedelta(days=3), 3, temp_min_c=2.0, temp_max_c=9.0,
                 rain_mm=7.5),
        origin=Origin.IMPORTED, what="station.csv", by=lead,
    )  # fmt: skip
    weather_kept.keep_forecast(
        day_rows(this_midnight(), 3, temp_min_c=1.0, temp_max_c=5.0, rain_mm=4.0),
        what="a service", by=lead,
    )  # fmt: skip
    client = as_("reader")
    User.objects.filter(username="reader").update(units="metric")
    answer = client.get("/more/weather/")
    said = text(answer)
    assert "of rain on the" in said
    assert "12 mm of rain foreseen for the coming 3 days" in said
    table = answer.context["table"]
    assert len(table["rows"]) == 21
    origins = [row["cells"][-1]["text"] for row in table["rows"]]
    assert origins[11:14].count("imported") >= 2
    assert "measured here" in " ".join(origins[:14])
    assert origins[14:17] == ["forecast"] * 3
    assert set(origins[17:]) == {"typical year"}
    assert "<svg" in answer.content.decode()
    assert answer.context["form"] is None
    assert "Log the gauge" not in said
    assert "Withdraw" not in said
    assert "The last one is of" in said


def test_the_figures_can_be_taken_away(small_site, as_):
    weather_kept.keep(
        day_rows(this_midnight() - timedelta(days=3), 3, rain_mm=7.5),
        origin=Origin.MEASURED, what="here.csv", by=User.objects.get(username="lead"),
    )  # fmt: skip
    answer = as_("reader").get("/more/weather/?format=csv&back=30")
    lines = answer.content.decode("utf-8-sig").splitlines()
    assert lines[0] == "day,temp_min_c,temp_max_c,rain_mm,wind_m_s,origins,rain_origin"
    assert len(lines) == 1 + 30 + 7
    assert lines[30].endswith(",,,7.5,,measured,measured")
    assert lines[31].endswith("typical,typical")
    for odd in ("x", "0", "-5", "99999", "²"):
        assert as_("reader").get("/more/weather/", {"back": odd}).status_code == 200


def test_the_gauge_is_logged_once_and_can_be_undone(small_site, as_):
    client = as_("helper")
    yesterday = (timezone.now().astimezone(Site.load().tz) - timedelta(days=1)).date()
    data = typed(client, "/more/weather/", day=str(yesterday), rain_mm="0.5")
    count = Entry.objects.count()
    for _press in range(2):
        assert client.post("/more/weather/", data).status_code == 303
    assert Entry.objects.count() == count + 1
    seen = Weather.objects.latest("entry_id")
    assert seen.rain_mm == pytest.approx(12.7)
    page = client.get("/more/weather/")
    assert "Logged:" in text(page)
    assert reverse("undo", args=[seen.entry.uuid]) in page.content.decode()
    assert as_("reader").post("/more/weather/", data).status_code == 403


# files


def upload(client, content=HOURS, name="march.csv", **more):
    return client.post("/more/weather/file/", {"file": SimpleUploadedFile(name, content), **more})


def test_a_file_is_taken_in_once(small_site, as_):
    client = as_("helper")
    assert upload(client).status_code == 303
    assert "3 rows are new." in text(client.get("/more/weather/"))
    assert upload(client).status_code == 303
    assert "Nothing new: all of it was there already." in text(client.get("/more/weather/"))
    assert WeatherRow.objects.filter(origin=Origin.IMPORTED).count() == 3
    assert upload(client, here="on").status_code == 303
    assert WeatherRow.objects.filter(origin=Origin.MEASURED).count() == 3


@pytest.mark.parametrize(
    ("content", "more", "field", "message"),
    [
        (b"a,b\n1,2\n", {}, "file", "is no weather that can be read"),
        (b"\xff\xfe\x00", {}, "file", "UTF-16"),
        (b"", {}, "file", "empty"),
        (b"STATION,DATE,PRCP,TMAX,TMIN\nX,2026-01-01,0,40,30\n", {}, "file",
         "march.csv: does not say its units"),
        (b"STATION,DATE,PRCP,TMAX,TMIN\nX,2026-01-01,0,75,30\n", {"units": "metric"}, "file",
         "that is no °C"),
        (b"time,temp_c,rain_mm\n2199-03-01,4,0\n2199-03-02,4,0\n", {}, "file",
         "has not come yet"),
        (HOURS.replace(b"4,0.5", b"4,wet"), {}, "file", "row 2, column rain_mm"),
        (HOURS, {"units": "furlongs"}, "units", "Select a valid choice"),
    ],
)  # fmt: skip
def test_a_bad_file_is_told_beside_it_and_nothing_is_kept(
    content, more, field, message, small_site, as_
):
    answer = upload(as_("helper"), content, **more)
    assert answer.status_code == 200
    errors = " ".join(answer.context["form"].errors[field])
    assert message in errors
    assert not WeatherGot.objects.exists()


def test_other_figures_are_asked_about_before_they_hold(small_site, as_):
    client = as_("helper")
    upload(client)
    other = HOURS.replace(b"4,0.5", b"4,9.5")
    answer = upload(client, other)
    assert "1 stretch is known with other figures" in str(answer.context["form"].errors["replace"])
    assert upload(client, other, replace="on").status_code == 303
    assert "1 has new figures." in text(client.get("/more/weather/"))
    assert WeatherRow.objects.get(rain_mm=9.5)


def test_a_lead_withdraws_a_file_and_that_stays_written(small_site, as_):
    upload(as_("helper"))
    got = WeatherGot.objects.get()
    where = reverse("weather-withdraw", args=[got.pk])
    assert as_("helper").post(where).status_code == 403
    assert as_("lead").get(where).status_code == 405
    lead = as_("lead")
    assert lead.post(where).status_code == 303
    said = text(lead.get("/more/weather/"))
    assert "3 rows of march.csv are out." in said
    assert "Withdrawn" in said
    assert not WeatherRow.objects.exists()
    lead.post(where)
    assert "It was withdrawn before." in text(lead.get("/more/weather/"))
    assert lead.post(reverse("weather-withdraw", args=[9999])).status_code == 404


# the settings and the forecast


SETTINGS = {
    "climate": "marine", "latitude_deg": "47.61", "longitude_deg": "-122.33",
    "forecast_on": "on", "contact": "lead@example.org",
}  # fmt: skip


def test_a_lead_sets_it_on_with_coordinates_and_contact(small_site, as_):
    lead = as_("lead")
    assert lead.post("/more/weather/settings/", SETTINGS).status_code == 303
    chosen, site = WeatherSettings.load(), Site.load()
    assert (chosen.climate, chosen.forecast_on) == ("marine", True)
    assert (site.latitude_deg, site.longitude_deg) == (47.61, -122.33)
    assert "Fetch the forecast" in text(lead.get("/more/weather/"))
    assert "Fetch the forecast" not in text(as_("helper").get("/more/weather/"))
    page = lead.get("/more/weather/settings/").content.decode()
    assert 'value="47.61"' in page
    assert as_("helper").get("/more/weather/settings/").status_code == 403
    off = {"climate": "", "latitude_deg": "", "longitude_deg": "", "contact": ""}
    assert lead.post("/more/weather/settings/", off).status_code == 303
    assert WeatherSettings.load().forecast_on is False
    assert Site.load().latitude_deg is None


@pytest.mark.parametrize(
    ("change", "field", "message"),
    [
        ({"latitude_deg": ""}, "latitude_deg", "needs the coordinates"),
        ({"latitude_deg": "91"}, "latitude_deg", "90 is the most"),
        ({"longitude_deg": "west"}, "longitude_deg", "is not a number"),
        ({"longitude_deg": "", "forecast_on": ""}, "longitude_deg", "or neither"),
        ({"contact": " "}, "contact", "whom to write to"),
        ({"contact": "a@b\r\nX: y"}, "contact", "plain letters"),
        ({"climate": "moon"}, "climate", "moon is not one of"),
    ],
)
def test_settings_that_cannot_be_are_told_beside_the_field(change, field, message, small_site, as_):
    answer = as_("lead").post("/more/weather/settings/", SETTINGS | change)
    assert answer.status_code == 200
    assert message in " ".join(answer.context["form"].errors[field])
    assert not WeatherSettings.objects.exists()


def test_a_lead_fetches_the_forecast_and_no_page_does(small_site, as_, monkeypatch):
    lead = as_("lead")
    lead.post("/more/weather/settings/", SETTINGS)
    monkeypatch.setattr("django.utils.timezone.now", lambda: SERVICE_NOW)
    with service() as (base, asked):
        monkeypatch.setattr(weather_service, "BASE", base)
        monkeypatch.setattr("heapwright.yard.weather_forecast.fetch.__kwdefaults__", {"base": base})
        lead.get("/more/weather/")
        assert asked == []
        assert lead.get("/more/weather/fetch/").status_code == 405
        assert lead.post("/more/weather/fetch/").status_code == 303
        assert len(asked) == 2
    assert WeatherRow.objects.filter(origin=Origin.FORECAST).count() == 36
    assert "The forecast of the coming 36 hours is here." in text(lead.get("/more/weather/"))


def test_without_a_network_the_page_says_so(small_site, as_, monkeypatch):
    lead = as_("lead")
    assert "not set on" in text(lead.post("/more/weather/fetch/", follow=True))
    lead.post("/more/weather/settings/", SETTINGS)
    monkeypatch.setattr(
        "heapwright.yard.weather_forecast.fetch.__kwdefaults__", {"base": "http://127.0.0.1:9"}
    )
    said = text(lead.post("/more/weather/fetch/", follow=True))
    assert "no answer from 127.0.0.1:9" in said
    assert "What is known already stays in use." in said


# water


def test_the_quick_answer_for_a_heap(small_site, as_):
    weather_kept.keep_forecast(
        day_rows(this_midnight(), 7, temp_min_c=1.0, temp_max_c=5.0, rain_mm=15.0),
        what="a service", by=None,
    )  # fmt: skip
    page = as_("reader").get("/more/water/", {"lot": small_site.hot.code, "moisture": "64"})
    said = text(page)
    assert f"{small_site.hot.code}: Cover it." in said
    assert "It is too wet already." in said
    found = page.context["answer"]
    assert found.decision.rain_mm == pytest.approx(105.0)
    assert found.decision.covered.moisture_pct < found.decision.open.moisture_pct
    assert "What would dry it" in said
    assert "Leaves, dry loose" in {one.drying.material.name for one in found.drying}
    target = found.drying[0].drying.target_pct
    for one in found.drying:
        assert found.decision.open.moisture_pct > target >= one.drying.end_moisture_pct - 0.1
    assert "covers it" in said
    assert "Caution: water from a heap" in said
    dry = as_("reader").get("/more/water/", {"lot": small_site.hot.code, "moisture": "34"})
    said = text(dry)
    assert "covering it would be wrong" in said
    assert "while turning" in said
    assert dry.context["answer"].wetting.missing_l > 0


def test_the_table_of_the_water_adds_up_and_is_what_was_computed(small_site, as_):
    weather_kept.keep_forecast(
        day_rows(this_midnight(), 7, temp_min_c=8.0, temp_max_c=14.0, rain_mm=22.0),
        what="a service", by=None,
    )  # fmt: skip
    User.objects.filter(username="reader").update(units="metric")
    page = as_("reader").get("/more/water/", {"lot": small_site.hot.code, "moisture": "58"})
    found = page.context["answer"]
    html = unescape(page.content.decode()).replace("\u00a0", " ")
    table = re.search(r'aria-labelledby="water-balance-caption".*?</table>', html, re.S)[0]
    shown = {
        re.sub(r"<[^>]+>", "", cells[0]): [re.sub(r"<[^>]+>", "", one) for one in cells[1:]]
        for row in re.findall(r"<tr>(.*?)</tr>", table, re.S)
        if (cells := re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S))
    }
    rain_l = 7 * 22.0 * found.heap.plan_area_m2
    for side, one in enumerate((found.decision.open, found.decision.covered)):
        litres = {name: float(cells[side].removesuffix(" L").replace("\u2212", "-"))
                  for name, cells in shown.items()
                  if name not in ("Water", "Moisture then")}  # fmt: skip
        assert litres["Rain on it"] == pytest.approx(rain_l, abs=0.5)
        assert litres["Soaks in"] == pytest.approx(one.total("soaked_l"), abs=0.5)
        away = ("Kept off", "Runs off outside", "Runs through", "Soaks in")
        assert sum(litres[name] for name in away) == pytest.approx(rain_l, abs=2.0)
        gained = (
            litres["Soaks in"] + litres["Made by decay"]
            - litres["Evaporates"] - litres["Drains out"]
        )  # fmt: skip
        assert litres["Gained"] == pytest.approx(gained, abs=2.5)
        out = litres["Runs through"] + litres["Drains out"]
        assert out == pytest.approx(one.total("leachate_l"), abs=1.0)
        assert shown["Moisture then"][side] == f"{one.moisture_pct:.0f} %"
    assert float(shown["Kept off"][0].split()[0]) == 0
    assert float(shown["Kept off"][1].split()[0]) > 0.9 * rain_l
    assert float(shown["Soaks in"][0].split()[0]) > float(shown["Soaks in"][1].split()[0])


@pytest.mark.parametrize(
    ("litres", "shown"), [(-0.2, "0 L"), (0.0, "0 L"), (-2.0, "\u22122 L"), (3.0, "3 L")]
)
def test_nothing_gained_has_no_sign(litres, shown):
    assert water._signed(litres, "metric").replace("\u00a0", " ") == shown


def test_it_opens_with_the_heap_that_was_squeezed_last_and_asks_where_none_was(small_site, as_):
    for one in Entry.objects.filter(check_of__in=Check.objects.exclude(squeeze="")):
        strike(one.uuid, "another heap", small_site.lead)
    page = as_("reader").get("/more/water/")
    assert "How moist is it?" in text(page)
    assert "Not done" not in text(page)  # nothing was asked yet, so nothing is wrong
    assert not page.context["form"].errors
    tend.check(
        tend.CheckLot(happened_at=timezone.now(), lot=small_site.curing.code, squeeze="drips"),
        User.objects.get(username="lead"),
    )
    page = as_("reader").get("/more/water/")
    assert page.context["lot"].code == small_site.curing.code
    assert "“drips”: 58 to 70 %" in text(page)
    wrong = text(as_("reader").get("/more/water/", {"moisture": "wet"}))
    assert "Something below needs mending." in wrong
    assert "Nothing was written" not in wrong  # it only asks


def test_the_last_squeeze_gives_the_moisture_or_it_is_asked_for(small_site, as_):
    code = small_site.curing.code
    page = as_("reader").get("/more/water/", {"lot": code})
    assert "Nobody squeezed a handful of late" in text(page)
    assert "answer" not in page.context
    now = timezone.now()
    tend.check(
        tend.CheckLot(happened_at=now, lot=code, squeeze="drips"),
        User.objects.get(username="lead"),
    )
    page = as_("reader").get("/more/water/", {"lot": code})
    assert "“drips”: 58 to 70 %" in text(page)
    assert page.context["answer"].heap.moisture_pct == pytest.approx(64.0)


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"lot": "K-999"}, "lot"),
        ({"moisture": "wet"}, "moisture"),
        ({"moisture": "120"}, "moisture"),
        ({"days": "4000"}, "days"),
        ({"cover": "blanket"}, "cover"),
    ],
)
def test_what_cannot_be_asked_is_told(asked, field, small_site, as_):
    page = as_("reader").get("/more/water/", {"moisture": "60"} | asked)
    assert page.status_code == 200
    assert page.context["form"].errors[field]
    assert "answer" not in page.context


def test_the_coordinates_bring_the_surface_in(small_site, as_):
    asked = {"lot": small_site.hot.code, "moisture": "50"}
    without = as_("reader").get("/more/water/", asked).context["answer"]
    assert not without.coming.surface
    Site.objects.update(latitude_deg=47.6, longitude_deg=-122.3)
    with_it = as_("reader").get("/more/water/", asked).context["answer"]
    assert with_it.coming.surface
    assert with_it.decision.open.total("evaporated_l") > without.decision.open.total("evaporated_l")
