"""``heapwright forecast`` as a program: its contract, its table, its refusals."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner

from heapwright.cli import cli
from heapwright.errors import HeapwrightError

EXAMPLES = Path(__file__).parents[2] / "examples"
BAY = EXAMPLES / "pile_winter_bay.toml"
WINDROW = EXAMPLES / "pile_summer_windrow.toml"
SERIES = ("core_temp_c", "shell_temp_c", "moisture_pct", "oxygen_pct", "volume_m3", "dry_mass_kg")


def called(*arguments):
    result = CliRunner().invoke(cli, ["forecast", *map(str, arguments)], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def refused(*arguments) -> str:
    with pytest.raises(HeapwrightError) as caught:
        called(*arguments)
    return str(caught.value)


def changed(tmp_path, pattern, replacement, source=BAY):
    text, count = re.subn(pattern, replacement, source.read_text(), count=1)
    assert count == 1, pattern
    path = tmp_path / "PILE.toml"
    path.write_text(text)
    return path


@pytest.fixture(scope="module")
def answer():
    return json.loads(called(BAY, "--json", "--members", "120", "--days", "30"))


def test_json_has_the_names_of_the_contract_and_no_others(answer):
    assert set(answer) == {"time", *SERIES, "peak_temp_c", "days_at_or_above_55", "balance"}
    for name in SERIES:
        assert set(answer[name]) == {"p5", "p50", "p95"}
        for level in answer[name].values():
            assert len(level) == len(answer["time"])
    for name in ("peak_temp_c", "days_at_or_above_55"):
        assert set(answer[name]) == {"p5", "p50", "p95"}
    assert set(answer["balance"]) == {"mass_residual", "energy_residual"}


def test_times_run_from_building_to_the_end_every_three_hours(answer):
    times = [datetime.fromisoformat(text) for text in answer["time"]]
    assert times[0] == datetime(2026, 3, 1, 10)
    assert times[-1] == times[0] + timedelta(days=30)
    assert {b - a for a, b in pairwise(times)} == {timedelta(hours=3)}


def test_quantiles_are_in_order_and_physical(answer):
    for name in SERIES:
        band = answer[name]
        for low, middle, high in zip(band["p5"], band["p50"], band["p95"], strict=True):
            assert low <= middle <= high
    assert min(answer["oxygen_pct"]["p5"]) >= 0
    assert max(answer["oxygen_pct"]["p95"]) <= 21
    assert max(answer["core_temp_c"]["p95"]) < 80
    for level, peak in answer["peak_temp_c"].items():
        assert peak >= max(answer["core_temp_c"][level])
    assert 0 <= answer["days_at_or_above_55"]["p5"] <= answer["days_at_or_above_55"]["p95"] <= 30


def test_the_books_close_and_the_pile_starts_as_stated(answer):
    assert answer["balance"]["mass_residual"] < 1e-6
    assert answer["balance"]["energy_residual"] < 1e-6
    assert answer["core_temp_c"]["p50"][0] == pytest.approx(12.0, abs=0.01)
    assert answer["volume_m3"]["p50"][0] == pytest.approx(1.728, rel=1e-4)


def test_the_same_seed_gives_the_same_forecast_and_another_one_does_not():
    one, again, other = (
        called(BAY, "--json", "--members", "20", "--days", "5", "--seed", seed)
        for seed in ("7", "7", "8")
    )
    assert one == again
    assert one != other


def test_a_single_member_has_no_spread():
    told = json.loads(called(BAY, "--json", "--members", "1", "--days", "5"))
    assert told["core_temp_c"]["p5"] == told["core_temp_c"]["p95"]


def test_more_members_than_a_chunk_are_the_same_ensemble():
    few = json.loads(called(BAY, "--json", "--members", "1300", "--days", "2"))
    assert few["core_temp_c"]["p5"][-1] < few["core_temp_c"]["p95"][-1]
    assert few["balance"]["energy_residual"] < 1e-6


def test_the_table_says_when_how_hot_how_long_and_that_it_is_no_proof():
    text = called(BAY, "--members", "60", "--days", "40")
    for wanted in ("first at 55 °C", "highest core", "days", "water at the end", "mass at the end"):
        assert wanted in text
    assert "never count as proof" in text
    assert "scalds" in text


def test_a_hot_ensemble_brings_the_caution_about_fire():
    text = called(WINDROW, "--members", "120", "--days", "20")
    assert "Caution: it may reach" in text


def test_a_small_bin_brings_the_caution_that_the_model_is_unsure_of_it(tmp_path):
    text = BAY.read_text()
    text = re.sub(r"(width|length)_m = 1.2", r"\1_m = 0.4", text)
    text = re.sub(r"mass_kg = (\d+)", lambda found: f"mass_kg = {int(found[1]) / 9:.2f}", text)
    small = tmp_path / "bin.toml"
    small.write_text(text)
    assert "trust the first readings" in called(small, "--members", "1", "--days", "3")
    assert "trust the first readings" not in called(BAY, "--members", "1", "--days", "3")


def test_working_shows_balance_parameters_and_sources():
    text = called(BAY, "--members", "1", "--days", "3", "--working")
    assert "Where the heat came from" in text
    assert "haug-1993" in text
    assert "food scraps" in text
    assert re.search(r"closes to \d", text)


@pytest.mark.parametrize(("suffix", "head"), [(".svg", b"<svg"), (".png", b"\x89PNG")])
def test_the_plot_is_drawn(tmp_path, suffix, head):
    path = tmp_path / f"pile{suffix}"
    called(BAY, "--members", "20", "--days", "12", "--plot", path)
    assert path.read_bytes().startswith(head)
    assert path.stat().st_size > 5000


def test_acts_are_done(tmp_path):
    plain = changed(tmp_path, r"(?s)\[\[act\]\].*(?=\[weather\])", "")
    still = json.loads(called(plain, "--json", "--members", "1", "--days", "30"))
    turned = json.loads(called(BAY, "--json", "--members", "1", "--days", "30"))
    i = 7 * 8
    assert still["core_temp_c"]["p50"][i] - turned["core_temp_c"]["p50"][i] > 5
    assert still["core_temp_c"]["p50"][: i - 1] == turned["core_temp_c"]["p50"][: i - 1]


@pytest.mark.parametrize(
    ("act", "rise"),
    [
        ('act = "wetted"\nlitres = 100', ("moisture_pct", 3.0, 20.0)),
        ('act = "added"\nmaterial = "spent_grain"\nmass_kg = 60', ("dry_mass_kg", 8.0, 20.0)),
        ('act = "covered"\ncover = "breathable"', ("core_temp_c", 5.0, 30.0)),
        ('act = "uncovered"', ("core_temp_c", 5.0, 30.0)),
        ('act = "moved"\nwidth_m = 2.0\nheight_m = 0.8', ("core_temp_c", -0.1, 0.1)),
    ],
)
def test_each_act_is_understood(tmp_path, act, rise):
    # compared with a turning: wetting and adding bring something in, a cover takes no heat out
    path = changed(tmp_path, 'act = "turned"', act)
    found = json.loads(called(path, "--json", "--members", "1", "--days", "8"))
    plain = json.loads(called(BAY, "--json", "--members", "1", "--days", "8"))
    name, low, high = rise
    i = 7 * 8
    assert low < found[name]["p50"][i] - plain[name]["p50"][i] < high


def test_combining_with_another_file(tmp_path):
    (tmp_path / "OTHER.toml").write_text(BAY.read_text().replace("2026-03-01", "2026-02-20"))
    path = changed(tmp_path, 'act = "turned"', 'act = "combined"\nfile = "OTHER.toml"')
    found = json.loads(called(path, "--json", "--members", "1", "--days", "8"))
    before, after = found["dry_mass_kg"]["p50"][55:57]
    assert after > 1.8 * before
    late = (tmp_path / "OTHER.toml").read_text().replace("2026-02-20", "2026-03-20")
    (tmp_path / "OTHER.toml").write_text(late)
    assert "pile.built" in refused(path)


@pytest.mark.parametrize("shape", ["windrow", "cone", "vessel"])
@pytest.mark.parametrize("cover", ["open", "breathable", "tarp", "roof"])
def test_every_shape_and_cover(tmp_path, shape, cover):
    text = BAY.read_text().replace('"bay"', f'"{shape}"').replace('"open"', f'"{cover}"')
    if shape == "cone":
        text = text.replace("width_m = 1.2", "width_m = 2.2").replace("length_m = 1.2\n", "")
    path = tmp_path / "PILE.toml"
    path.write_text(text)
    found = json.loads(called(path, "--json", "--members", "4", "--days", "4"))
    assert found["balance"]["energy_residual"] < 1e-6


@pytest.mark.parametrize(
    ("pattern", "replacement", "where"),
    [
        (r"width_m = 1\.2", "width_m = -1.2", "pile.width_m"),
        (r"width_m = 1\.2", "width_m = 0", "pile.width_m"),
        (r"width_m = 1\.2", "width_m = 900", "pile.width_m"),
        (r"width_m = 1\.2", 'width_m = "1.2"', "pile.width_m"),
        (r"width_m = 1\.2\n", "", "pile.width_m"),
        (r"height_m = 1\.2", "height_m = inf", "pile.height_m"),
        (r"height_m = 1\.2", "height_m = true", "pile.height_m"),
        (r'shape = "bay"', 'shape = "heap"', "pile.shape"),
        (r'shape = "bay"\n', "", "pile.shape"),
        (r'cover = "open"', 'cover = "tarpaulin"', "pile.cover"),
        (r'cover = "open"', 'lid = "open"', "pile.lid"),
        (r"wall_r_m2k_w = 0\.0", "wall_r_m2k_w = -1", "pile.wall_r_m2k_w"),
        (r"start_temp_c = 12\.0", "start_temp_c = 300", "pile.start_temp_c"),
        (r"built = \S+", "built = 7", "pile.built"),
        (r"built = \S+\n", "", "pile.built"),
        (r'material = "food_scraps_mixed"', 'material = "fod_scraps"', "pile.material[1].material"),
        (r'material = "food_scraps_mixed"', "material = 3", "pile.material[1].material"),
        (r"mass_kg = 240", "mass_kg = -240", "pile.material[1].mass_kg"),
        (r"mass_kg = 240", "mass_kg = 240\nvolume_m3 = 1", "pile.material[1].volume_m3"),
        (r"mass_kg = 240", "weight = 240", "pile.material[1].weight"),
        (r"mass_kg = 240\n", "", "pile.material[1].mass_kg"),
        (r"mass_kg = 240", "mass_kg = 240\nmoisture_pct = 130", "pile.material[1].moisture_pct"),
        (r"mass_kg = 240", "mass_kg = 90000", "pile.height_m"),
        (r"day = 7", "day = -7", "act[1].day"),
        (r"day = 7", 'day = "7"', "act[1].day"),
        (r"day = 7", "day = 75", "act[1].day"),
        (r'act = "turned"', 'act = "torned"', "act[1].act"),
        (r'act = "turned"', 'act = "wetted"', "act[1].litres"),
        (r'act = "turned"', 'act = "wetted"\nlitres = -3', "act[1].litres"),
        (r'act = "turned"', 'act = "turned"\nlitres = 3', "act[1].litres"),
        (r'act = "turned"', 'act = "added"', "act[1].material"),
        (r"temp_mean_c = 8\.0\n", "", "weather.temp_mean_c"),
        (r"temp_mean_c = 8\.0", "temp_mean_c = 95", "weather.temp_mean_c"),
        (r"rain_mm_day = 5\.0", "rain_mm_day = -5", "weather.rain_mm_day"),
        (r"rain_mm_day = 5\.0", "rain_mm = 5", "weather.rain_mm"),
        (r"\[weather\]", "[wether]", "weather"),
        (r"days = 60", "days = 0", "forecast.days"),
        (r"days = 60", "days = 5000", "forecast.days"),
        (r"members = 1000", "members = 0", "forecast.members"),
        (r"members = 1000", "members = 12.5", "forecast.members"),
        (r"seed = 1", "seed = -1", "forecast.seed"),
        (r"seed = 1", "sed = 1", "forecast.sed"),
        (r"(?s)\[pile\].*?(?=\[\[pile)", "", "pile"),
        (r"\[forecast\]", "[forecast", "PILE.toml"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_with_file_and_key(tmp_path, pattern, replacement, where):
    message = refused(changed(tmp_path, pattern, replacement))
    assert "PILE.toml" in message
    assert where in message
    assert "\n" not in message or "not well-formed" in message


def test_exit_code_two_and_one_line_and_nothing_written(tmp_path):
    path = changed(tmp_path, r"width_m = 1\.2", "width_m = -1.2")
    plot = tmp_path / "never.svg"
    done = subprocess.run(
        [sys.executable, "-m", "heapwright", "forecast", str(path), "--plot", str(plot)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.strip().count("\n") == 0
    assert "PILE.toml, pile.width_m" in done.stderr
    assert not plot.exists()


@pytest.mark.parametrize(
    ("options", "where"),
    [(["--days", "-3"], "--days"), (["--members", "0"], "--members"), (["--seed", "-1"], "--seed"),
     (["--plot", "pile.pdf"], "--plot"), (["--plot", "no/such/folder/p.svg"], "--plot"),
     (["--weather", "none.csv"], "none.csv")],
)  # fmt: skip
def test_options_that_cannot_be(options, where):
    assert where in refused(BAY, *options)


# --- weather records


def record(tmp_path, rows, head="time,temp_c,rain_mm"):
    path = tmp_path / "WEATHER.csv"
    path.write_text("\n".join([head, *rows]) + "\n")
    return path


def daily(first, days, temp="6.0", rain="0"):
    return [f"{first + timedelta(days=i):%Y-%m-%d},{temp},{rain}" for i in range(days)]


def test_a_record_takes_the_place_of_the_typical_weather(tmp_path):
    cold = record(tmp_path, daily(datetime(2026, 2, 27), 80, temp="-9.0"))
    found = json.loads(called(BAY, "--weather", cold, "--json", "--members", "1", "--days", "3"))
    plain = json.loads(called(BAY, "--json", "--members", "1", "--days", "3"))
    assert found["shell_temp_c"]["p50"][8] < plain["shell_temp_c"]["p50"][8] - 2


def test_rows_in_any_order_give_the_same(tmp_path):
    rows = daily(datetime(2026, 2, 27), 40)
    one = called(BAY, "--weather", record(tmp_path, rows), "--json", "--members", "1")
    two = called(BAY, "--weather", record(tmp_path, rows[::-1]), "--json", "--members", "1")
    assert one == two


def test_rain_of_a_record_falls_in_its_stretch_and_none_is_lost(tmp_path):
    from heapwright.files.weather import hourly, read_weather

    rows = daily(datetime(2026, 3, 1), 10)
    rows[4] = "2026-03-05,6.0,24"
    read = read_weather(record(tmp_path, rows))
    weather = hourly(read, datetime(2026, 3, 1, 10), 200.0, soil_temp_c=8.0, after=None,
                     shelter=0.6, humidity_pct=80.0, wind_m_s=1.5)  # fmt: skip
    assert weather.rain_mm_h.sum() == pytest.approx(24.0)
    first = (datetime(2026, 3, 5) - datetime(2026, 3, 1, 10)).total_seconds() / 3600
    assert weather.rain_between(first, first + 24.0) == pytest.approx(1.0)
    assert weather.rain_between(0.0, first) == pytest.approx(0.0)


def test_a_record_that_ends_early_needs_something_to_follow(tmp_path):
    short = record(tmp_path, daily(datetime(2026, 2, 27), 20))
    called(BAY, "--weather", short, "--members", "1")  # typical days follow
    bare = changed(tmp_path, r"(?s)\[weather\].*?(?=\[forecast\])", "[weather]\n")
    assert "WEATHER.csv: ends at" in refused(bare, "--weather", short)
    assert "--days" in refused(bare, "--weather", short)
    called(bare, "--weather", short, "--members", "1", "--days", "10")


@pytest.mark.parametrize(
    ("rows", "head", "where"),
    [
        (["2026-03-01,6,0", "2026-03-01,6,0"], "time,temp_c,rain_mm", "row 3, column time"),
        (["2026-03-01,6,0", "2026-03-02,warm,0"], "time,temp_c,rain_mm", "row 3, column temp_c"),
        (["2026-03-01,6,0", "2026-03-02,6,-1"], "time,temp_c,rain_mm", "row 3, column rain_mm"),
        (["2026-03-01,6,0", "2026-03-02,6,"], "time,temp_c,rain_mm", "row 3, column rain_mm"),
        (["2026-03-01,6,0", "2026-03-02,99,0"], "time,temp_c,rain_mm", "row 3, column temp_c"),
        (["2026-03-01,6,0", "soon,6,0"], "time,temp_c,rain_mm", "row 3, column time"),
        (["2026-03-01,6,0", "2026-03-12,6,0"], "time,temp_c,rain_mm", "fill the gap"),
        (["2026-03-01,6", "2026-03-02,6"], "time,temp_c", "rain_mm"),
        (["2026-03-01,6,0,1", "2026-03-02,6,0,1"], "time,temp_c,rain_mm,snow", "column snow"),
        (["2026-03-09,6,0", "2026-03-10,6,0"], "time,temp_c,rain_mm", "after the pile was built"),
        (["2026-03-01,6,0"], "time,temp_c,rain_mm", "two rows"),
    ],
)  # fmt: skip
def test_a_bad_record_is_refused_with_its_place(tmp_path, rows, head, where):
    message = refused(BAY, "--weather", record(tmp_path, rows, head))
    assert "WEATHER.csv" in message
    assert where in message


def test_help_loads_no_numerical_library():
    code = (
        "import sys; from heapwright.cli import cli; "
        "import heapwright.cli.forecast; "
        "assert not {'numpy', 'scipy', 'django'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
    assert "PILE.toml" in called("--help")


def test_both_examples_run():
    for path in (BAY, WINDROW):
        found = json.loads(called(path, "--json", "--members", "8"))
        assert found["days_at_or_above_55"]["p50"] > 3


# --- a log that corrects the forecast

HEAD = "time,event,point,depth_cm,temp_c"


def warm_log(days, *, core=61.0, odd=None, turned=()):
    """A log of a bay that heats to a steady core within three days."""
    rows = [HEAD, "2026-03-01T10:00,built,,,"]
    for day in range(1, days + 1):
        temp = core - 50.0 * max(0.0, (4.0 - day) / 4.0)
        for point, depth, less in (("core", 60, 0.0), ("middle", 55, 1.0), ("edge", 10, 9.0)):
            shown = odd[1] if odd and odd[0] == (day, point) else temp - less
            rows.append(f"2026-03-{1 + day:02d}T08:30,read,{point},{depth},{shown:.1f}")
    rows += [f"2026-03-{1 + day:02d}T09:30,turned,,," for day in turned]
    return "\n".join(rows) + "\n"


@pytest.fixture
def log(tmp_path):
    def written(text):
        path = tmp_path / "LOG.csv"
        path.write_text(text)
        return path

    return written


def test_readings_bend_the_forecast_and_the_names_of_the_contract_stay(log, answer):
    options = ("--json", "--members", "120", "--days", "30")
    told = json.loads(called(BAY, *options, "--log", log(warm_log(10, core=48.0))))
    assert set(told) == {*answer, "readings", "learned", "advice"}
    assert told["readings"]["used"] == 30
    assert told["readings"]["set_aside"] == []
    assert told["time"] == answer["time"]
    at = 10 * 8
    assert abs(told["core_temp_c"]["p50"][at] - 48.0) < 3.0
    assert answer["core_temp_c"]["p50"][at] > 54.0

    assert told["core_temp_c"]["p95"][at] - told["core_temp_c"]["p5"][at] < 10.0
    assert {"mean", "sd"} == set(told["learned"]["t_max_c"])


def test_rows_of_a_log_in_any_order_give_the_same(log):
    text = warm_log(6)
    one = called(BAY, "--json", "--days", "9", "--log", log(text))
    head, *rows = text.splitlines()
    two = called(BAY, "--json", "--days", "9", "--log", log("\n".join([head, *rows[::-1]])))
    assert one == two


def test_a_reading_in_the_wrong_hole_is_set_aside_and_told(log):
    path = log(warm_log(10, odd=((7, "core"), 14.0)))
    told = json.loads(called(BAY, "--json", "--days", "12", "--log", path))
    (aside,) = told["readings"]["set_aside"]
    assert (aside["time"], aside["point"], aside["temp_c"]) == ("2026-03-08T08:30:00", "core", 14.0)
    assert "core" in aside["why"]
    assert 50.0 < aside["expected_c"] < 68.0
    text = called(BAY, "--days", "12", "--log", path)
    assert "Readings: 29 used, 1 set aside" in text
    assert "set aside: 2026-03-08 08:30 core 60 cm 14.0 °C" in text
    assert "never count as proof" in text


def test_turnings_of_the_log_take_the_place_of_planned_ones(log):
    text = warm_log(9)
    options = ("--json", "--members", "60", "--days", "12")
    planned = json.loads(called(BAY, *options, "--log", log(text)))
    done = json.loads(called(BAY, *options, "--log", log(warm_log(9, turned=(4,)))))
    # the plan turns on day 7, the log on day 4 at half past nine
    drop = {}
    for name, one in (("planned", planned), ("done", done)):
        core = one["core_temp_c"]["p50"]
        drop[name] = {day: core[day * 8] - core[day * 8 - 1] for day in (4, 7)}
    assert drop["planned"][7] < drop["done"][7] - 1.0
    assert drop["done"][4] < drop["planned"][4] - 1.0


def test_a_log_in_fahrenheit_is_the_same_log(log):
    text = warm_log(6, core=60.0)
    celsius = json.loads(called(BAY, "--json", "--days", "8", "--log", log(text)))
    rows = [line.split(",") for line in text.splitlines()[1:]]
    for row in rows:
        row[4] = f"{float(row[4]) * 1.8 + 32.0:.4f}" if row[4] else ""
    head = HEAD.replace("temp_c", "temp_f")
    other = "\n".join([head, *(",".join(row) for row in rows)])
    fahrenheit = json.loads(called(BAY, "--json", "--days", "8", "--log", log(other)))
    for level in ("p5", "p50", "p95"):
        assert fahrenheit["core_temp_c"][level] == pytest.approx(
            celsius["core_temp_c"][level], abs=0.05
        )


def test_what_a_log_names_and_the_plan_does_not_state_is_said(log):
    text = warm_log(5) + "2026-03-04T12:00,added,,,\n"
    told = called(BAY, "--days", "8", "--members", "60", "--log", log(text))
    assert "does not state what was added" in told


@pytest.mark.parametrize(
    ("text", "days", "message"),
    [
        (
            f"{HEAD}\n2026-02-20T08:00,read,core,60,40\n",
            20,
            "column time: the row of 2026-02-20 08:00 is 9.1 days before the pile was built",
        ),
        (f"{HEAD}\n2026-04-20T08:00,read,core,60,40\n", 20, "give more --days"),
        (f"{HEAD}\n2026-03-05T08:00,read,core,60,hot\n", 20, "row 2, column temp_c"),
        (f"{HEAD}\n2026-03-05T08:00,read,core,60,140\n", 20, "row 2, column temp_c"),
    ],
)
def test_a_log_that_cannot_be_of_this_pile_is_refused(log, text, days, message):
    told = refused(BAY, "--days", days, "--log", log(text))
    assert "LOG.csv" in told
    assert message in told


def test_offsets_in_one_file_only_are_refused(tmp_path, log):
    path = changed(tmp_path, "2026-03-01T10:00:00", "2026-03-01T10:00:00-08:00")
    told = refused(path, "--days", "20", "--log", log(warm_log(4)))
    assert "offset" in told
    both = warm_log(4).replace("T10:00", "T10:00-08:00").replace("T08:30", "T08:30-08:00")
    found = json.loads(called(path, "--json", "--days", "8", "--log", log(both)))
    plain = json.loads(called(BAY, "--json", "--days", "8", "--log", log(warm_log(4))))
    assert found["core_temp_c"] == plain["core_temp_c"]


def test_a_log_and_a_lot_do_not_go_together(log):
    assert "--log" in refused("--lot", "B-1", "--log", log(warm_log(3)))
