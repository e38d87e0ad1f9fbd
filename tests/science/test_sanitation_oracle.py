"""The evaluator against a plain one written another way: sets of dates and brute force."""

from __future__ import annotations

from datetime import date, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st
from tests.science.proof_logs import START, judge, make_log

DAYS = 26
ONE = timedelta(days=1)


def day_of(number: int) -> date:
    return (START + timedelta(days=number - 1)).date()


def plain_days(temps: list[float | None], limit: float, top: float) -> set[date]:
    """Return the dates whose one round of readings lies within the limits."""
    return {
        day_of(i)
        for i, temp in enumerate(temps, start=1)
        if temp is not None and limit <= temp <= top
    }


def plain_turns(temps: list[float | None], turned: list[int], hot: set[date]) -> set[date]:
    """Return the dates of turnings, made two hours after the round, while hot."""
    found = set()
    for number in turned:
        unread = temps[number - 1] is None
        if day_of(number) in hot or (unread and day_of(number) - ONE in hot):
            found.add(day_of(number))
    return found


def plain_total(hot: set[date], turns: set[date], days: int, turnings: int) -> date | None:
    """Return the first date by which so many hot days and turnings lie behind."""
    for number in range(1, DAYS + 1):
        now = day_of(number)
        if sum(d <= now for d in hot) >= days and sum(d <= now for d in turns) >= turnings:
            return now
    return None


def plain_run(hot: set[date], turns: set[date], days: int, turnings: int) -> date | None:
    """Return the first date that ends an unbroken run with so many days and turnings in it."""
    for end in range(1, DAYS + 1):
        for begin in range(1, end - days + 2):
            span = {day_of(number) for number in range(begin, end + 1)}
            if span <= hot and len(span & turns) >= turnings:
                return day_of(end)
    return None


def longest_run(hot: set[date]) -> int:
    best = 0
    for begin in range(1, DAYS + 1):
        length = 0
        while day_of(begin + length) in hot:
            length += 1
        best = max(best, length)
    return best


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.sampled_from([57.0, 58.0, 60.0, 62.0, 66.0, 55.0, 77.0, 54.9, None]),
        min_size=DAYS,
        max_size=DAYS,
    ),
    st.lists(st.integers(0, 12), max_size=4),
    st.lists(st.integers(1, DAYS), max_size=9),
)
def test_days_turnings_and_dates_agree(
    noise: list[float | None], odd: list[int], turned: list[int]
) -> None:
    # Mostly hot, with a few odd days taken from the noise.
    temps = [noise[i] if i % 13 in odd else 58.0 for i in range(DAYS)]
    log = make_log(temps, turned=turned)
    hot = plain_days(temps, 55.0, 999.0)
    turns = plain_turns(temps, turned, hot)

    total = judge(log, "US-FDA-T")
    assert total.days_credited == len(hot)
    assert total.longest_run_days == longest_run(hot)
    assert total.turnings_credited == len(turns)
    assert total.met_at == plain_total(hot, turns, 15, 5)

    run = judge(log, "NY-W")
    assert run.met_at == plain_run(hot, turns, 15, 5)
    assert run.days_credited == len(hot)

    unsaid = judge(log, "TX-W")
    assert unsaid.met_at == plain_run(hot, turns, 15, 5)
    if unsaid.met_at is None and plain_total(hot, turns, 15, 5) is not None:
        assert unsaid.verdict == "cannot be shown"

    band_hot = plain_days(temps, 55.0, (170 - 32) * 5 / 9)
    band = judge(log, "US-NOP-W")
    assert band.days_credited == len(band_hot)
    band_turns = plain_turns(temps, turned, band_hot)
    assert band.met_at == plain_run(band_hot, band_turns, 15, 5)

    filled = hot | {day_of(i) for i, temp in enumerate(temps, start=1) if temp is None and i > 1}
    reachable = plain_run(filled, plain_turns(temps, turned, filled), 15, 5)
    if run.met_at is None:
        assert (run.verdict == "cannot be shown") == (reachable is not None)
