"""The forecast adapter against a made-up service of the same shape, and against none."""

from __future__ import annotations

import copy
import socket
from datetime import UTC, datetime, timedelta

import pytest
from tests.files.weather_service_shape import LAYERS, NOW, service

from heapwright.files.weather_service import ServiceError, fetch_forecast


def fetch(base, **more):
    return fetch_forecast(47.6, -122.33, "lead@example.org", now=NOW, base=base, **more)


def test_the_hours_of_a_point():
    with service() as (base, asked):
        rows = {row.starts_at: row for row in fetch(base)}
    assert [path for path, _agent in asked] == [
        "/points/47.6000,-122.3300",
        "/gridpoints/XYZ/10,20",
    ]
    assert all("(lead@example.org)" in agent for _path, agent in asked)
    first = datetime(2026, 11, 25, 18, tzinfo=UTC)
    assert min(rows) == first  # hours that are over are left out
    assert max(rows) == datetime(2026, 11, 27, 5, tzinfo=UTC)
    assert all(row.ends_at - row.starts_at == timedelta(hours=1) for row in rows.values())
    assert rows[first].temp_c == rows[first + timedelta(hours=1)].temp_c == 4.5
    assert rows[first].wind_m_s == pytest.approx(5.0)
    assert rows[first].humidity_pct == 90
    gap = rows[first + timedelta(hours=3)]
    assert (gap.temp_c, gap.rain_mm) == (None, pytest.approx(0.5))
    assert sum(row.rain_mm or 0.0 for row in rows.values()) == pytest.approx(3.0)
    late = rows[datetime(2026, 11, 27, 5, tzinfo=UTC)]
    assert (late.temp_c, late.rain_mm) == (2.0, None)


def changed(layer, **parts):
    layers = copy.deepcopy(LAYERS)
    layers[layer] |= parts
    return layers


@pytest.mark.parametrize(
    ("layers", "message"),
    [
        (b"<html>no</html>", "is not JSON"),
        (b"[1, 2]", "not an object of JSON"),
        ({}, "neither temperature nor rain"),
        (changed("temperature", uom="wmoUnit:K"), "temperature is in “wmoUnit:K”"),
        (changed("temperature", values="x"), "temperature has no values"),
        (changed("temperature", values=[{"validTime": "x/PT1H", "value": 1}]), "“x/PT1H”"),
        (changed("temperature", values=[{"validTime": "2026-11-25T18:00:00/PT1H", "value": 1}]),
         "is no interval"),
        (changed("temperature", values=[{"validTime": "2026-11-25T18:00:00+00:00/PT",
                                         "value": 1}]), "is no interval"),
        (changed("temperature", values=[{"validTime": "2026-11-25T18:00:00+00:00/PT1H",
                                         "value": True}]), "“True” in temperature is no number"),
        (changed("temperature", values=[{"validTime": "2026-11-25T18:00:00+00:00/PT1H",
                                         "value": 300.0}]), "300 for temp_c cannot be"),
    ],
)  # fmt: skip
def test_an_answer_of_another_shape_is_told(layers, message):
    with service(layers) as (base, _asked), pytest.raises(ServiceError) as caught:
        fetch(base)
    assert message in str(caught.value)


def test_a_point_that_is_not_covered_and_a_service_in_trouble():
    with service(point_status=404) as (base, _asked), pytest.raises(ServiceError) as caught:
        fetch(base)
    assert "covers the United States and its territories only" in str(caught.value)
    with service(point_status=503) as (base, _asked), pytest.raises(ServiceError) as caught:
        fetch(base)
    assert "answered with error 503; try again later" in str(caught.value)


def test_it_goes_to_no_other_host():
    with service(grid="http://127.0.0.1:9/gridpoints/1") as (base, asked):
        with pytest.raises(ServiceError, match="names no grid of its own"):
            fetch(base)
        assert len(asked) == 1


def test_without_a_network_it_says_so():
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        port = closed.getsockname()[1]
    with pytest.raises(ServiceError, match=r"no answer from 127\.0\.0\.1:\d+ .*is there a network"):
        fetch(f"http://127.0.0.1:{port}", timeout_s=1.0)


def test_a_service_that_does_not_answer_is_given_up():
    with socket.create_server(("127.0.0.1", 0)) as silent:
        port = silent.getsockname()[1]
        with pytest.raises(ServiceError, match="no answer from"):
            fetch(f"http://127.0.0.1:{port}", timeout_s=0.3)
