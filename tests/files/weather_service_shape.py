"""A made-up forecast service of the shape of the real one, on a port of this machine.

All figures are ours; only the shape is that of the public documentation of grid points.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

NOW = datetime(2026, 11, 25, 18, 20, tzinfo=UTC)

LAYERS: dict[str, Any] = {
    "updateTime": "2026-11-25T16:02:11+00:00",
    "validTimes": "2026-11-25T12:00:00+00:00/P7DT13H",
    "temperature": {
        "uom": "wmoUnit:degC",
        "values": [
            {"validTime": "2026-11-25T17:00:00+00:00/PT1H", "value": 3.0},
            {"validTime": "2026-11-25T18:00:00+00:00/PT2H", "value": 4.5},
            {"validTime": "2026-11-25T20:00:00+00:00/PT1H", "value": 6.0},
            {"validTime": "2026-11-25T21:00:00+00:00/PT3H", "value": None},
            {"validTime": "2026-11-26T00:00:00+00:00/P1DT6H", "value": 2.0},
        ],
    },
    "relativeHumidity": {
        "uom": "wmoUnit:percent",
        "values": [{"validTime": "2026-11-25T18:00:00+00:00/PT12H", "value": 90}],
    },
    "windSpeed": {
        "uom": "wmoUnit:km_h-1",
        "values": [{"validTime": "2026-11-25T18:00:00+00:00/PT6H", "value": 18}],
    },
    "quantitativePrecipitation": {
        "uom": "wmoUnit:mm",
        "values": [
            {"validTime": "2026-11-25T12:00:00+00:00/PT6H", "value": 9.0},
            {"validTime": "2026-11-25T18:00:00+00:00/PT6H", "value": 3.0},
            {"validTime": "2026-11-26T00:00:00+00:00/PT6H", "value": 0},
        ],
    },
}


@contextmanager
def service(
    layers: Any = LAYERS, *, point_status: int = 200, grid: str | None = None
) -> Iterator[tuple[str, list[tuple[str, str]]]]:
    """Yield the address of the service and what it was asked: (path, User-Agent) each."""
    asked: list[tuple[str, str]] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append((self.path, self.headers["User-Agent"]))
            status, body = 200, b""
            if self.path.startswith("/points/"):
                status = point_status
                place = f"{base}/gridpoints/XYZ/10,20" if grid is None else grid
                body = json.dumps({"properties": {"forecastGridData": place}}).encode()
            elif isinstance(layers, bytes):
                body = layers
            else:
                body = json.dumps({"properties": layers}).encode()
            self.send_response(status)
            self.send_header("Content-Type", "application/geo+json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    base = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield base, asked
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
