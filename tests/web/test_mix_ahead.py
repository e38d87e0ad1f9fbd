"""What the pile of a mix would do: the curve, the chances, the least size, and what if."""

from __future__ import annotations

import re
from dataclasses import replace
from urllib.parse import urlencode

import pytest
from django.core.cache import caches
from django.utils import timezone
from tests.web.test_mix_page import AMOUNTS, asked, more_scraps, text, words

from heapwright.data.mixing import water
from heapwright.data.sanitation import rules
from heapwright.errors import InputError
from heapwright.science.mixing import Part
from heapwright.web.mix import ahead
from heapwright.yard import forecast_trial as trials
from heapwright.yard import stock
from heapwright.yard.models import Entry, Place


@pytest.fixture(autouse=True)
def _inline(settings):
    settings.FORECASTS = "inline"
    caches["forecasts"].clear()
    yield
    caches["forecasts"].clear()


@pytest.fixture(autouse=True)
def _few(monkeypatch):
    """Try few sizes of few members: the real model, in less time."""
    real = trials.outlook_figure

    def fewer(name):
        found = real(name)
        less = {"trial_steps": 3, "trial_members": 10, "members": 20}
        return replace(found, value=less[name]) if name in less else found

    monkeypatch.setattr(trials, "outlook_figure", fewer)


def mix_of(height_m: float = 1.1) -> trials.Trial:
    """Return a good mix of what is on hand, in the first bay."""
    known = stock.supply().by_id()
    place = Place.objects.get(code="B1")
    parts = (
        Part(known["leaves_loose"].ingredient, 120.0),
        Part(known["food_scraps_mixed"].ingredient, 260.0),
        Part(water(), 25.0),
    )
    return trials.of_mix(place, parts, height_m * place.width_m * place.depth_m, now=timezone.now())


def test_the_page_tells_curve_chances_and_the_least_size(as_, small_site):
    more_scraps(small_site)
    html = text(as_("helper").get(f"/mix/ahead/?{asked(**AMOUNTS)}"))
    said = words(html)
    assert re.search(r"It reaches 131 °F with a chance of (only )?\d+ %", said)
    assert "US-FDA-T" in said
    assert "Core of the pile as planned" in said
    assert "A chance, not a proof" in said
    assert "has been hot" in said
    assert "The same mix in other amounts" in said
    assert "a proof rests on the readings of the pile that is built" in said


def test_what_if_is_asked_with_plain_fields_and_changes_the_answer(as_, small_site):
    more_scraps(small_site)
    client = as_("helper")
    query = asked(**AMOUNTS)
    html = text(client.get(f"/mix/ahead/?{query}"))
    for name in ("ahead_height", "ahead_moisture", "ahead_cover", "ahead_turns"):
        assert f'name="{name}"' in html
    for name in ("amount.food_scraps_mixed", "place", "units"):
        assert f'type="hidden" name="{name}"' in html
    changed = urlencode(
        {"ahead_height": "1.5", "ahead_moisture": "60", "ahead_cover": "tarp", "ahead_turns": "4 9"}
    )
    said = words(text(client.get(f"/mix/ahead/?{query}&{changed}")))
    assert "1.5 ft high, 60 % water, tarp, turned on days 4, 9." in said
    never = words(text(client.get(f"/mix/ahead/?{query}&ahead_turns=0")))
    assert "never turned." in never


@pytest.mark.parametrize(
    ("name", "typed", "message"),
    [
        ("ahead_height", "high", "high"),
        ("ahead_height", "20", "A heap stands from"),
        ("ahead_moisture", "25", "drier than that asks for drier materials"),
        ("ahead_moisture", "120", "85 is the most"),
        ("ahead_turns", "3 soon", "soon"),
        ("ahead_turns", "3 99", "99 is no day from 1 to 45"),
        ("ahead_cover", "hat", "hat"),
    ],
)
def test_what_is_wrong_stands_beside_its_field_and_what_was_typed_stays(
    as_, small_site, name, typed, message
):
    more_scraps(small_site)
    query = f"{asked(**AMOUNTS)}&{urlencode({name: typed})}"
    html = text(as_("helper").get(f"/mix/ahead/?{query}"))
    assert message in words(html)
    assert typed in html
    assert "Core of the pile as planned" not in html


def test_a_mix_that_is_none_is_said_so(as_, small_site):
    said = words(text(as_("helper").get(f"/mix/ahead/?{asked()}&lot=none")))
    assert "Core of the pile as planned" not in said
    assert "Change the amounts" in said


def test_while_it_is_computed_the_page_says_so_and_how_long(as_, small_site, settings):
    more_scraps(small_site)
    settings.FORECASTS = "off"
    html = text(as_("helper").get(f"/mix/ahead/?{asked(**AMOUNTS)}"))
    assert 'data-pending="1"' in html
    assert "It is being computed, usually" in html
    assert "heapwright/ahead.js" in html


def test_the_mix_page_has_a_button_that_works_without_script(as_, small_site):
    html = text(as_("helper").get("/mix/"))
    assert 'formaction="/mix/ahead/"' in html
    assert 'data-from="/mix/ahead/"' in html


def test_a_higher_heap_is_likelier_to_heat_and_the_least_size_is_the_smallest_that_does(
    small_site,
):
    more_scraps(small_site, 300)
    found = trials.sizes(mix_of(), 1.7)
    assert [one.volume_m3 for one in found] == sorted(one.volume_m3 for one in found)
    assert found[-1].hot >= found[0].hot

    def size(height_m, hot):
        return trials.Size(height_m, height_m, hot, None)

    row = [size(0.6, 0.2), size(0.8, 0.9), size(1.0, 0.7), size(1.2, 0.85), size(1.4, 1.0)]
    assert trials.smallest(row, lambda one: one.hot).height_m == 1.2
    assert trials.smallest(row[:1], lambda one: one.hot) is None
    assert trials.smallest(row, lambda one: one.met) is None


def test_of_a_heap_below_the_size_that_the_model_can_tell_the_page_says_so(small_site):
    more_scraps(small_site, 300)
    for height_m, warned in ((0.1, True), (1.1, False)):
        trial = mix_of(height_m)
        said = ahead.told(trial, trials.ask(trial, members=20, most_m3=1.7), "metric")["said"]
        assert (ahead.SMALL_BIN in said) is warned


def test_the_chance_is_judged_by_the_evaluator_of_logs_and_gaps_are_none(small_site):
    more_scraps(small_site, 300)
    trial = mix_of()
    answer = trials.tried(trial, members=20, days=40.0)
    assert answer.met_by == tuple(sorted(answer.met_by))
    assert answer.hot_by == tuple(sorted(answer.hot_by))
    assert answer.met_by[13] == 0.0  # 15 hot days cannot have passed
    assert answer.turn_days
    easy = replace(trial, rule=rules()["US-PSRP"])
    assert trials.tried(easy, members=20, days=40.0).met_by[-1] >= answer.met_by[-1]
    never = replace(trial, turn_days=())
    assert trials.tried(never, members=20, days=40.0).met_by[-1] == 0.0


def test_wetting_reaches_the_moisture_and_drying_stops_at_the_materials(small_site):
    more_scraps(small_site, 300)
    trial = mix_of()
    assert trial.wetted_to(64.0).moisture_pct == pytest.approx(64.0, abs=1e-6)
    dry = trial.driest_pct
    assert trial.wetted_to(dry).moisture_pct == pytest.approx(dry)
    with pytest.raises(InputError, match="drier materials"):
        trial.wetted_to(dry - 5.0)
    assert trial.times(2.0).volume_m3 == pytest.approx(2 * trial.volume_m3)


def test_turnings_start_once_it_is_hot():
    rule = rules()["US-FDA-T"]
    assert trials.usual_turns(rule, 2.2) == (6.0, 9.0, 12.0, 15.0, 18.0)
    assert trials.usual_turns(rule, float("inf"))[0] == 3.0
    assert trials.usual_turns(rules()["US-FDA-S"], 2.0) == ()


def test_a_reader_may_look_but_nothing_is_written(as_, small_site):
    more_scraps(small_site)
    before = Entry.objects.count()
    text(as_("reader").get(f"/mix/ahead/?{asked(**AMOUNTS)}"))
    assert Entry.objects.count() == before
