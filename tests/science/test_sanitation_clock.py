"""Loggers, calendar days, and days of 23 and 25 hours."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from heapwright.data.sanitation import rules, terms
from heapwright.files.log import read_log, zone_clock
from heapwright.science.daily import Clock, Log, Readings
from heapwright.science.sanitation import Proof, Stated, evaluate

ZONE = "America/Los_Angeles"
HEAD = "time,event,point,depth_cm,temp_c\n"
SPRING, AUTUMN = date(2026, 3, 8), date(2026, 11, 1)


def write(folder: Path, stamps: list[str], temp: float = 60.0) -> Path:
    path = folder / "log.csv"
    path.write_text(HEAD + "".join(f"{stamp},read,core,45,{temp}\n" for stamp in stamps))
    return path


def instants(first: date, days: int, step_min: int) -> list[datetime]:
    """Return instants from local midnight to local midnight, in the site's zone."""
    zone = ZoneInfo(ZONE)
    start = datetime(first.year, first.month, first.day, tzinfo=zone).timestamp()
    end_day = first + timedelta(days=days)
    end = datetime(end_day.year, end_day.month, end_day.day, tzinfo=zone).timestamp()
    return [
        datetime.fromtimestamp(second, zone)
        for second in range(int(start), int(end), step_min * 60)
    ]


def judge(path: Path, time_zone: str | None = None, rule: str = "NY-S") -> Proof:
    log = read_log(path, time_zone=time_zone).log
    return evaluate(log, [rules()[rule]], Stated(method="aerated"), terms())[0]


def naive(moments: list[datetime]) -> list[str]:
    return [f"{moment:%Y-%m-%dT%H:%M}" for moment in moments]


@pytest.mark.parametrize(("change", "hours"), [(SPRING, 23), (AUTUMN, 25)])
def test_days_of_the_change_of_clock(change: date, hours: int, tmp_path: Path) -> None:
    moments = instants(change - timedelta(days=1), 3, 10)
    assert len(moments) == (48 + hours) * 6
    aware = [moment.isoformat(timespec="minutes") for moment in moments]
    utc = [f"{moment.astimezone(ZoneInfo('UTC')):%Y-%m-%dT%H:%MZ}" for moment in moments]
    for stamps, zone in ((aware, ZONE), (utc, ZONE), (naive(moments), ZONE), (aware, None)):
        proof = judge(write(tmp_path, stamps), zone)
        assert [day.counts for day in proof.days] == [True, True, True], (zone, stamps[0])
        assert proof.verdict == "met"


@pytest.mark.parametrize("change", [SPRING, AUTUMN])
def test_an_hour_missing_on_the_day_of_the_change_is_missed(change: date, tmp_path: Path) -> None:
    moments = instants(change - timedelta(days=1), 3, 10)
    gap = moments[24 * 6 + 18 * 6 : 24 * 6 + 19 * 6]
    kept = [m.isoformat(timespec="minutes") for m in moments if m not in gap]
    proof = judge(write(tmp_path, kept), ZONE)
    assert [day.counts for day in proof.days] == [True, False, True]
    assert "hours" in proof.days[1].why
    assert proof.verdict == "cannot be shown"


def test_a_logger_that_records_the_double_hour_once_misses_an_hour(tmp_path: Path) -> None:
    stamps = list(dict.fromkeys(naive(instants(AUTUMN - timedelta(days=1), 3, 10))))
    proof = judge(write(tmp_path, stamps), ZONE)
    assert [day.counts for day in proof.days] == [True, False, True]
    assert "24 of 25 hours" in proof.days[1].why


def test_one_reading_a_day_is_a_calendar_day_whatever_its_hour(tmp_path: Path) -> None:
    stamps = ["2026-03-07T23:59", "2026-03-08T00:01", "2026-03-09T12:00"]
    assert judge(write(tmp_path, stamps), ZONE).verdict == "met"
    assert judge(write(tmp_path, stamps)).verdict == "met"


def test_late_evening_readings_in_utc_belong_to_the_local_day(tmp_path: Path) -> None:
    # 20:00 on 1 to 3 March at the site is 04:00 of the day after in UTC.
    stamps = ["2026-03-02T04:00Z", "2026-03-03T04:00Z", "2026-03-04T04:00Z"]
    proof = judge(write(tmp_path, stamps), ZONE)
    assert [day.date for day in proof.days] == [date(2026, 3, 1 + i) for i in range(3)]


def test_a_logger_counts_only_whole_days(tmp_path: Path) -> None:
    moments = instants(date(2026, 5, 1), 4, 10)[9 * 6 : -3 * 6]
    proof = judge(write(tmp_path, naive(moments)))
    assert [day.counts for day in proof.days] == [False, True, True, False]
    assert proof.verdict == "not yet"
    assert proof.days[-1].why == "the last day is not over"
    # The last day, hot up to now, can still become the third.
    assert proof.earliest_possible == date(2026, 5, 4)
    assert proof.gaps == ()


def test_one_cold_ten_minute_reading_takes_the_day(tmp_path: Path) -> None:
    stamps = naive(instants(date(2026, 5, 1), 4, 10))
    path = write(tmp_path, stamps)
    text = path.read_text().replace(
        "2026-05-02T13:10,read,core,45,60.0", "2026-05-02T13:10,read,core,45,54.9"
    )
    path.write_text(text)
    proof = judge(path)
    assert [day.counts for day in proof.days] == [True, False, True, True]


def test_day_starts_of_zones_that_jump_over_midnight() -> None:
    # São Paulo began summer time at midnight until 2018: 4 November 2018 begins at 01:00.
    noon = int(datetime(2018, 11, 4, 15, tzinfo=ZoneInfo("UTC")).timestamp())
    clock = zone_clock("America/Sao_Paulo", noon, noon)
    starts = clock.day_starts(clock.day(noon) - 1, 3)
    assert (np.diff(starts) / 3600).tolist() == [24, 23, 24]
    assert str(clock.wall(int(starts[1]))) == "2018-11-04 01:00:00"
    # Lord Howe Island moves its clock by half an hour.
    noon = int(datetime(2026, 4, 5, 2, tzinfo=ZoneInfo("UTC")).timestamp())
    clock = zone_clock("Australia/Lord_Howe", noon, noon)
    starts = clock.day_starts(clock.day(noon) - 1, 3)
    assert (np.diff(starts) / 3600).tolist() == [24, 24.5, 24]


@pytest.mark.parametrize("zone", [ZONE, "Europe/Berlin", "Australia/Lord_Howe", "Asia/Kolkata"])
def test_the_clock_agrees_with_the_zone(zone: str) -> None:
    first, last = (int(datetime(2026, m, 1).timestamp()) for m in (1, 12))
    clock = zone_clock(zone, first, last)
    for second in range(first, last, 86_400 // 7 * 3):
        wall = datetime.fromtimestamp(second, ZoneInfo(zone)).replace(tzinfo=None)
        assert clock.wall(second) == wall
        day = clock.day(second)
        assert date.fromordinal(719_163 + day) == wall.date()
        begin, end = clock.day_starts(day, 1).tolist()
        assert begin <= second < end


def test_readings_of_single_precision_and_out_of_order_are_judged_alike() -> None:
    moments = np.arange(0, 4 * 86_400, 600, dtype=np.int64)
    temp = np.full(len(moments), 58.0, dtype=np.float32)
    point = np.zeros(len(moments), dtype=np.int16)
    ordered = Log(Readings(moments, point, temp, None, ("a",)), (), Clock())
    turned = Log(Readings(moments[::-1], point, temp, None, ("a",)), (), Clock())
    for log in (ordered, turned):
        (proof,) = evaluate(log, [rules()["NY-S"]], Stated(method="vessel"), terms())
        assert proof.met_at == date(1970, 1, 3)
