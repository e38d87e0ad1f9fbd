"""Everything that happened: to a lot, or on the whole site, struck entries included."""

from __future__ import annotations

from datetime import datetime

from django.core.paginator import Page, Paginator
from django.db.models import Prefetch, QuerySet

from heapwright.yard.models import Entry, Flow, Kind, Lot, Standing


def entries(
    *,
    lot: Lot | None = None,
    kinds: tuple[Kind, ...] = (),
    since: datetime | None = None,
    until: datetime | None = None,
    struck: bool = True,
) -> QuerySet[Entry]:
    """Return entries, the latest first, with what a page shows of them loaded in a few queries.

    A page takes some of them; for all of ten years, as a file has them, use ``iterator()`` with
    a ``chunk_size``.

    Parameters
    ----------
    lot : Lot, optional
        Only those about this lot.
    kinds : tuple of Kind
        Only these kinds.
    since, until : datetime, optional
        Only those that happened from ``since`` and before ``until``.
    struck : bool
        Whether struck entries are among them.
    """
    found = (
        Entry.objects.select_related(
            "recorded_by",
            "struck_by",
            "check_of",
            "photo",
            "opening",
            "yardstick",
            "labour",
            "fuel",
            "weather",
            "replaced_by",
        )
        # joined: of more than a thousand lots by number SQLite says that they are too many
        .prefetch_related(
            "lots",
            Prefetch(
                "flows",
                Flow.objects.select_related("from_lot", "from_source", "to_lot", "to_place"),
            ),
            Prefetch("standings", Standing.objects.select_related("place", "lot")),
            "measurements",
            "inspections",
        )
        .order_by("-happened_at", "-id")
    )
    if lot is not None:
        # as a list of ids: joined, SQLite walks all entries in their order of time
        found = found.filter(id__in=Entry.lots.through.objects.filter(lot=lot).values("entry"))
    if kinds:
        found = found.filter(kind__in=kinds)
    if since is not None:
        found = found.filter(happened_at__gte=since)
    if until is not None:
        found = found.filter(happened_at__lt=until)
    if not struck:
        found = found.filter(struck_at=None)
    return found


class Pages(Paginator):  # type: ignore[type-arg]
    """Pages of entries: first their ids, which an index has in order, and then just these rows.

    A query of whole rows that leaves out the thirty thousand before them would read them all.
    """

    def page(self, number: int | str) -> Page:  # type: ignore[type-arg]
        """Return a page."""
        number = self.validate_number(number)
        first = (number - 1) * self.per_page
        ids = self.object_list.values_list("id", flat=True)[first : first + self.per_page]
        return Page(self.object_list.filter(id__in=list(ids)), number, self)


def readings_of(entry: Entry) -> list[tuple[int, str, float, float]]:
    """Return the readings of a check as (time_s, point, depth_cm, temp_c), struck ones too."""
    found: list[tuple[int, str, float, float]] = []
    for lot in entry.lots.all():
        found += (
            lot.readings.filter(entry=entry)
            .order_by("time_s", "point", "depth_cm")
            .values_list("time_s", "point", "depth_cm", "temp_c")
        )
    return found
