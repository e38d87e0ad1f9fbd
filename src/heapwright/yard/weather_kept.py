"""Keeping the weather that files and a forecast service bring, and taking it out again."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from heapwright.yard import ledger
from heapwright.yard.errors import FieldError, RoleError
from heapwright.yard.models import Origin, WeatherGot, WeatherRow
from heapwright.yard.weather import FIGURES

if TYPE_CHECKING:
    from heapwright.files.weather_rows import StationRow
    from heapwright.people.models import User

_DAY: Final = timedelta(days=1)
_BATCH: Final = 2000


@dataclass(frozen=True, slots=True)
class Stored:
    """What became of rows: new ones, those there already, those whose figures were replaced."""

    new: int
    there: int
    replaced: int
    got: WeatherGot | None


def keep(
    rows: Iterable[StationRow],
    *,
    origin: Origin,
    what: str,
    station: str = "",
    by: User | None,
    replace: bool = False,
    now: datetime | None = None,
) -> Stored:
    """Keep weather that was read from a file; the same again changes nothing.

    Parameters
    ----------
    rows : iterable of StationRow
    origin : Origin
        ``MEASURED`` for a station that stands on the site, ``IMPORTED`` for one elsewhere.
    what, station : str
        The file, and the station that it names.
    by : User
    replace : bool
        Take the new figures where a stretch is known with others; without it that is refused.
    now : datetime, optional
        When it is kept.

    Raises
    ------
    RoleError
        If the person may not write.
    FieldError
        If there is no row, a row lies in the future, or one contradicts what is kept.
    """
    if by is not None and not by.may_log:
        raise RoleError(_("your account may read but not write"))
    if origin not in (Origin.MEASURED, Origin.IMPORTED):
        raise FieldError(_("a file holds what was measured, here or elsewhere"), field="origin")
    rows = list(rows)
    if not rows:
        raise FieldError(_("there is no weather in it"), field="rows")
    now = now or timezone.now()
    last = max(row.ends_at for row in rows)
    if last > now + _DAY:
        raise FieldError(
            _("%(when)s has not come yet; what is foreseen comes from the forecast service")
            % {"when": ledger.local(last)},
            field="rows",
        )
    with transaction.atomic():
        there = _rows_between(origin, min(row.starts_at for row in rows), last)
        new, changed, same = [], [], 0
        for row in rows:
            kept = there.get((row.starts_at, row.ends_at))
            if kept is None:
                new.append(row)
            elif kept[1:] == tuple(getattr(row, name) for name in FIGURES):
                same += 1
            else:
                changed.append((kept[0], row))
        if changed and not replace:
            raise FieldError(
                ngettext(
                    "%(count)d stretch is known with other figures, from %(when)s on; say that "
                    "the new ones hold, or withdraw what was loaded before",
                    "%(count)d stretches are known with other figures, the first from %(when)s "
                    "on; say that the new ones hold, or withdraw what was loaded before",
                    len(changed),
                )
                % {"count": len(changed), "when": ledger.local(changed[0][1].starts_at)},
                field="replace",
            )
        if not new and not changed:
            return Stored(0, same, 0, None)
        WeatherRow.objects.filter(id__in=[key for key, _row in changed]).delete()
        got = WeatherGot.objects.create(
            origin=origin, what=what, station=station, got_at=now, got_by=by
        )
        _write(got, [*new, *(row for _key, row in changed)])
        return Stored(len(new), same, len(changed), got)


def _rows_between(
    origin: Origin, first: datetime, last: datetime
) -> dict[tuple[datetime, datetime], tuple[int | float | None, ...]]:
    rows = WeatherRow.objects.filter(
        origin=origin, starts_at__gte=first, starts_at__lt=last
    ).values_list("starts_at", "ends_at", "id", *FIGURES)
    return {(starts_at, ends_at): tuple(rest) for starts_at, ends_at, *rest in rows}


def _write(got: WeatherGot, rows: Sequence[StationRow]) -> None:
    WeatherRow.objects.bulk_create(
        (
            WeatherRow(
                got=got,
                origin=got.origin,
                starts_at=row.starts_at,
                ends_at=row.ends_at,
                **{name: getattr(row, name) for name in FIGURES},
            )
            for row in rows
        ),
        batch_size=_BATCH,
    )


def keep_forecast(
    rows: Iterable[StationRow], *, what: str, by: User | None, now: datetime | None = None
) -> Stored:
    """Keep a forecast; it takes the place of what an earlier one said of the same time on.

    Raises
    ------
    FieldError
        If it holds nothing.
    """
    rows = sorted(rows, key=lambda row: row.starts_at)
    if not rows:
        raise FieldError(_("the forecast holds nothing"), field="rows")
    with transaction.atomic():
        old = WeatherRow.objects.filter(origin=Origin.FORECAST, ends_at__gt=rows[0].starts_at)
        replaced = old.count()
        old.delete()
        WeatherGot.objects.filter(origin=Origin.FORECAST, rows=None).delete()
        got = WeatherGot.objects.create(
            origin=Origin.FORECAST, what=what, got_at=now or timezone.now(), got_by=by
        )
        _write(got, rows)
    return Stored(len(rows), 0, replaced, got)


def withdraw(got: WeatherGot, by: User) -> int:
    """Take out what a file brought; that it was loaded and withdrawn stays written.

    Returns
    -------
    int
        How many rows went.

    Raises
    ------
    RoleError
        If the person is no lead.
    FieldError
        If it was withdrawn before.
    """
    if not by.may_lead:
        raise RoleError(_("only a lead withdraws weather"))
    with transaction.atomic():
        kept = WeatherGot.objects.select_for_update().get(pk=got.pk)
        if kept.withdrawn_at is not None:
            raise FieldError(_("it was withdrawn before"), field="got")
        count: int = kept.rows.count()
        kept.rows.all().delete()
        kept.withdrawn_at, kept.withdrawn_by = timezone.now(), by
        kept.save()
    return count
