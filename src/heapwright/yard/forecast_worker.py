"""One thread that computes what pages have asked for, the most urgent first.

Pages never wait for a model run longer than a moment: they ask, show the last known answer, and
find the new one at their next reload. Results are kept in the cache ``forecasts``, which lies in
the folder of the records and survives a restart; what was being computed then is asked again.
"""

from __future__ import annotations

import heapq
import logging
import threading
from collections.abc import Callable
from itertools import count
from typing import Final

from django.conf import settings
from django.db import connections

URGENT: Final = 0
ROUTINE: Final = 10

_log = logging.getLogger(__name__)

Work = Callable[[], None]


class Worker:
    """A queue of named work and the thread that does it; the same name waits once."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._queue: list[tuple[int, int, str]] = []
        self._work: dict[str, Work] = {}
        self._running = ""
        self._numbers = count()
        self._thread: threading.Thread | None = None

    def ask(self, name: str, work: Work, *, rank: int = ROUTINE) -> None:
        """Have work done, soon; what waits under this name already is not asked twice."""
        with self._changed:
            if name == self._running or (name in self._work and rank >= ROUTINE):
                return
            heapq.heappush(self._queue, (rank, next(self._numbers), name))
            self._work[name] = work
            if self._thread is None or not self._thread.is_alive():
                self._thread = threading.Thread(target=self._run, name="forecasts", daemon=True)
                self._thread.start()
            self._changed.notify_all()

    def is_waiting(self, name: str) -> bool:
        """Tell whether work of this name waits or is being done."""
        with self._changed:
            return name in self._work or name == self._running

    def wait(self, name: str, seconds: float) -> bool:
        """Wait until work of this name is done, at most so long; tell whether it is."""
        with self._changed:
            return self._changed.wait_for(
                lambda: name not in self._work and name != self._running, seconds
            )

    def wait_for_all(self, seconds: float) -> bool:
        """Wait until nothing is left to do, at most so long; tell whether nothing is."""
        with self._changed:
            return self._changed.wait_for(lambda: not self._work and not self._running, seconds)

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: bool(self._queue))
                _rank, _number, name = heapq.heappop(self._queue)
                work = self._work.pop(name, None)
                if work is None:
                    continue  # it was asked twice, the second time more urgently
                self._running = name
            try:
                work()
            except Exception:
                # the page goes on showing its last answer; the fault is the server log's to tell
                _log.exception("%s could not be computed", name)
            finally:
                connections.close_all()
                with self._changed:
                    self._running = ""
                    self._changed.notify_all()


worker: Final = Worker()
"""The thread of this process."""


def have_done(name: str, work: Work, *, rank: int = ROUTINE) -> None:
    """Have work done as ``settings.FORECASTS`` says.

    ``background``: by the worker. ``inline``: here and now. ``off``: not at all.
    """
    if settings.FORECASTS == "inline":
        work()
    elif settings.FORECASTS == "background":
        worker.ask(name, work, rank=rank)
