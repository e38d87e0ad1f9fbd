"""What a heap will do, on its page: computed from the records, never waited for, never a proof."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from datetime import timedelta

import pytest
import vl_convert
from django.core.cache import caches
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from heapwright.data.outlook import outlook_figure
from heapwright.web.charts import engine, levels, temperature
from heapwright.web.tend.drawn import draw
from heapwright.web.tend.outlook import SMALL_BIN, _sentences, acts_of
from heapwright.web.tend.outlooks import hot_until
from heapwright.yard import forecast, tend
from heapwright.yard.models import Site


@pytest.fixture(scope="module")
def _modelled():
    """Keep one answer of the hot pile for all tests here: the model runs once."""
    return {}


@pytest.fixture
def modelled(small_site, _modelled, settings):
    """Have the hot pile of the small site foreseen by the real model."""
    caches["forecasts"].clear()
    settings.FORECASTS = "off"
    lot = small_site.hot
    if "kept" not in _modelled:
        _modelled["kept"] = forecast.refresh(lot.id)
    kept = _modelled["kept"]
    caches["forecasts"].set(forecast._name(lot.id), kept, timeout=None)
    yield kept.answer
    caches["forecasts"].clear()


def page(client: Client, path: str = "/piles/K-003/") -> str:
    answer = client.get(path)
    assert answer.status_code == 200
    return answer.content.decode().replace("\u00a0", " ")


def words(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", html).split())


def outlook(html: str) -> str:
    start = html.index('<section id="outlook"')
    return html[start : html.index("</section>", start)]


def shown_f(temp_c: float) -> str:
    return f"{temp_c * 9 / 5 + 32:.0f}"


def test_the_coming_weeks_are_told_in_figures_with_their_spread(as_, modelled):
    said = words(outlook(page(as_("reader"))))
    now = modelled.at(timezone.now())
    core = modelled.forecast.core_temp_c
    low, middle, high = (shown_f(float(getattr(core, one)[now])) for one in ("p5", "p50", "p95"))
    assert f"Core now {middle} °F likely {low} to {high}" in said
    assert said.count("Core on ") == 3
    assert "Water now" in said
    assert "Least oxygen this week" in said
    assert "Worked out today" in said


def test_it_says_plainly_that_a_model_proves_nothing(as_, modelled):
    html = page(as_("reader"))
    assert "Modelled temperatures prove nothing: only readings count for the proof." in html
    assert "Heat inside as modelled for" in html
    assert "not measured" in html


def test_the_heap_is_cut_open_with_its_modelled_heat_and_the_points_probed(as_, modelled):
    html = page(as_("reader"))
    cut = html[html.index('id="outlook-cut"') : html.index("</section>", html.index("outlook-cut"))]
    now = modelled.at(timezone.now())
    core = shown_f(float(modelled.forecast.core_temp_c.p50[now]))
    assert f"core {core} °F" in cut
    assert "Modelled, not measured: outer zone" in cut
    assert "Point 1: 151 °F." in cut
    assert re.search(r"Heat inside as modelled for [^.]+\. Pins: what was read on \d+ \w+\.", cut)


def test_pins_that_were_read_before_a_turning_say_so(as_, modelled, small_site):
    tend.turn(tend.Turn(happened_at=timezone.now(), lot="K-003"), small_site.lead)
    html = page(as_("reader"))
    assert re.search(r"Pins: what was read on \d+ \w+, before it was turned\.", html)


def test_the_chart_holds_readings_band_acts_planned_turnings_and_the_limit(as_, modelled):
    html = page(as_("reader"))
    heat = html[html.index("<h2>Heat</h2>") : html.index('<section id="outlook"')]
    assert "19 readings from 86 °F to 151 °F" in heat
    assert "Foreseen for" in heat
    assert "Acts: built" in heat
    assert modelled.turns
    assert heat.count("turn 20") >= len(modelled.turns)
    assert "Band: the core as modelled" in heat
    assert "Rule: 131 °F of US-FDA-T." in heat


def test_water_and_oxygen_have_their_charts_and_their_table(as_, modelled):
    said = outlook(page(as_("reader")))
    assert "Water of K-003" in said
    assert "Oxygen in the core of K-003" in said
    table = said[said.index('id="days-caption"') : said.index("</table>")]
    days = outlook_figure("ahead_days").count
    assert days <= table.count("<tr>") - 1 <= days + 1


def test_the_balance_adds_up_and_the_inputs_name_their_origin(as_, modelled):
    said = words(outlook(page(as_("reader"))))
    t = modelled.forecast.totals
    assert f"made by decay {t['heat_made_kj'] / 3600:.0f} 100" in said
    rows = re.search(r"Where its heat comes from and goes(.*?)Medians of the runs", said)[1]
    shares = [
        int(one.replace("\u2212", "-")) for one in re.findall(r" (\u2212?\d+)(?= [a-z]|\s*$)", rows)
    ]
    assert abs(sum(shares) - 200) <= 4  # what was made, and where it went
    assert "Food scraps, mixed" in said
    assert "water published" in said
    assert "typical year" in said
    assert "What comes in and what goes out agree to a millionth." in said
    built_c = round(modelled.told.plan.start_temp_c)
    assert f"It was as warm as the air on the day it was built, {shown_f(built_c)} °F." in said
    assert "readings of temperature, moisture or height" in said
    assert "Haug" in said


def test_the_figures_can_be_taken_away(as_, modelled):
    answer = as_("reader").get("/piles/K-003/?format=csv&of=forecast")
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    assert len(rows) == len(modelled.forecast.hours)
    assert float(rows[-1]["core_temp_c_p50"]) == pytest.approx(
        float(modelled.forecast.core_temp_c.p50[-1]), abs=1e-3
    )
    assert as_("reader").get("/piles/K-001/?format=csv&of=forecast").status_code == 404


def test_without_an_answer_the_page_says_that_it_is_being_computed(as_, settings):
    caches["forecasts"].clear()
    html = page(as_("reader"))
    assert 'data-pending="1"' in html
    assert "It is being computed, usually 3 seconds. Load the page again to see it." in html
    assert "heapwright/outlook.js" in html
    assert "<h2>Heat</h2>" in html


def test_a_changed_heap_shows_its_last_answer_with_its_time(as_, modelled, small_site):
    act = tend.Water(happened_at=timezone.now(), lot="K-003", litres=20.0)
    tend.water(act, small_site.helper)
    html = page(as_("reader"))
    said = words(outlook(html))
    assert 'data-pending="1"' in html
    assert "something has changed since. A newer answer is being computed" in said
    assert "Core now" in said


def test_the_page_with_a_forecast_asks_few_questions(as_, modelled):
    client = as_("reader")
    page(client)
    with CaptureQueriesContext(connection) as asked:
        page(client)
    assert len(asked) < 85


def test_a_heap_that_cannot_be_foreseen_says_why(as_, small_site, settings):
    settings.FORECASTS = "inline"
    caches["forecasts"].clear()
    act = tend.DeclareStage(happened_at=timezone.now(), lot="K-002", stage="ready")
    tend.declare_stage(act, small_site.lead)
    said = words(outlook(page(as_("reader"), "/piles/K-002/")))
    assert "It is not foreseen: a heap that is ready is not foreseen." in said


def test_all_heaps_stand_in_one_table_with_how_far_the_computing_has_come(as_, modelled):
    html = page(as_("reader"), "/outlook/")
    said = words(html)
    assert "1 of 2 are up to date; the rest is being computed, usually" in said
    assert '<progress class="done" value="1" max="2"' in html
    now = modelled.at(timezone.now())
    core = modelled.forecast.core_temp_c
    low, middle, high = (shown_f(float(getattr(core, one)[now])) for one in ("p5", "p50", "p95"))
    assert f"K-003 Bay 3 hot {middle} ({low}–{high})" in said
    assert "131 °F or more" in said
    assert hot_until(modelled, timezone.now(), Site.load()) in said
    cold = replace(modelled.forecast.core_temp_c, p50=modelled.forecast.core_temp_c.p50 * 0.0)
    never = replace(modelled, forecast=replace(modelled.forecast, core_temp_c=cold))
    assert hot_until(never, timezone.now(), Site.load()) == "no"
    assert "K-002" in said
    assert "being computed" in said
    assert "Modelled temperatures prove nothing" in said
    answer = as_("reader").get("/outlook/?format=csv")
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    assert [(one["lot"], one["up_to_date"]) for one in rows] == [("K-003", "yes"), ("K-002", "no")]
    assert float(rows[0]["core_temp_c_p50_in_0_days"]) == pytest.approx(
        float(core.p50[now]), abs=0.01
    )


def test_the_yard_leads_to_the_heaps_ahead(as_):
    assert 'href="/outlook/"' in page(as_("reader"), "/")


def test_the_charts_that_were_drawn_with_the_answer_are_what_the_page_shows(
    as_, modelled, small_site, monkeypatch
):
    """Whoever looks first does not wait for the charts."""

    def restart() -> None:
        for kept in (engine._labelled, temperature._temperature_history, levels._level_history):
            kept.cache_clear()

    restart()
    caches["charts"].clear()
    draw(lot=small_site.hot, outlook=modelled, now=timezone.now())
    restart()  # what is kept is kept beside the records
    monkeypatch.setattr(vl_convert, "vegalite_to_svg", lambda *_a, **_k: pytest.fail("drawn again"))
    assert page(as_("reader")).count('class="chart"') == 6


def test_an_answer_of_yesterday_does_not_say_that_this_is_now(modelled, small_site):
    site = Site.load()
    later = modelled.now + timedelta(days=1)
    assert acts_of(modelled, modelled.now, site)[0].word == "now"
    assert acts_of(modelled, later, site)[0].word == "worked out"


def test_of_a_heap_below_the_size_that_the_model_can_tell_the_page_says_so(modelled):
    site, now = Site.load(), modelled.now
    volume = modelled.forecast.volume_m3
    shrunk = replace(volume, p50=volume.p50 * 0.15 / volume.p50[0])
    small = replace(modelled, forecast=replace(modelled.forecast, volume_m3=shrunk))
    assert SMALL_BIN in _sentences(small, now, "metric", site)
    assert SMALL_BIN not in _sentences(modelled, now, "metric", site)


def test_what_lies_in_a_heap_is_folded_under_its_heat_and_readable_without_scripts(as_, modelled):
    html = page(as_("reader"))
    cut = html[html.index('id="outlook-cut"') : html.index('id="outlook-heat"')]
    assert cut.index("Heat inside as modelled") < cut.index(
        '<details class="working" id="cut-laid">'
    )
    assert "is drawn mixed" in cut[cut.index("cut-laid") :]
