"""Water of a standing heap, quickly: what rain will do to it, what dries it, what wets it.

Closed formulas (:mod:`heapwright.science.water`) on the books' mass, a moisture that was felt or
is stated, and the weather that the records know. The pile's own forecast is the longer answer.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.utils import timezone

from heapwright.data import water as facts
from heapwright.data import weather as weather_facts
from heapwright.data.pile import pile_parameters, squeeze_classes
from heapwright.errors import InputError
from heapwright.science.materials import Span
from heapwright.science.pile_state import Cover
from heapwright.science.water import (
    Drying,
    DryMaterial,
    Heap,
    Phase,
    RainDay,
    SheetSize,
    TarpDecision,
    Wetting,
    dry_material_for,
    rain_to_limit_mm,
    sheet_size,
    steam_of_turning,
    tarp_decision,
    water_for,
)
from heapwright.science.water_reference import penman_monteith
from heapwright.yard import materials, weather
from heapwright.yard.heap_shape import pile_cover, shape_in
from heapwright.yard.models import Check, Site, Stage
from heapwright.yard.state import LotState, day_temps

PHASES: dict[str, Phase] = {
    Stage.FILLING: "hot", Stage.HOT: "hot", Stage.CURING: "curing", Stage.READY: "cold",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Felt:
    """The moisture that the last squeeze test says, % of wet mass."""

    moisture: Span
    squeeze: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Coming:
    """The coming days as the water answers take them.

    ``weather`` are the days with their origins; ``surface`` says whether the coordinates are
    known, without which nothing is reckoned to evaporate from the surface by the weather.
    """

    weather: tuple[weather.DayWeather, ...]
    days: tuple[RainDay, ...]
    surface: bool


@dataclass(frozen=True, slots=True)
class DryOnHand:
    """What a dry material on hand would do: its lots' mass, and how much of it is needed."""

    material_id: str
    on_hand_kg: float
    drying: Drying


@dataclass(frozen=True, slots=True)
class WaterAnswer:
    """All of it, for one heap; ``wetting`` for a dry one, ``drying`` for a wet one."""

    heap: Heap
    now: Cover
    cover: Cover
    coming: Coming
    decision: TarpDecision
    rain_to_limit_mm: float
    sheet: SheetSize
    wetting: Wetting | None
    drying: tuple[DryOnHand, ...]


def felt(lot_id: int, now: datetime | None = None) -> Felt | None:
    """Return what the last squeeze test of a lot says, None when there is none of late."""
    now = now or timezone.now()
    since = now - timedelta(days=facts.figures()["felt_days"].value)
    last = (
        Check.objects.filter(
            lot_id=lot_id, entry__struck_at=None, entry__happened_at__range=(since, now)
        )
        .exclude(squeeze="")
        .select_related("entry")
        .order_by("-entry__happened_at", "-entry_id")
        .first()
    )
    if last is None or last.squeeze not in squeeze_classes():
        return None
    return Felt(squeeze_classes()[last.squeeze], last.squeeze, last.entry.happened_at)


def coming(days: int, now: datetime | None = None) -> Coming:
    """Return the weather of today and the days after it, the typical year where nobody knows."""
    site = Site.load()
    today = (now or timezone.now()).astimezone(site.tz).date()
    known = tuple(weather.days(today, today + timedelta(days=days - 1), with_typical=True))
    latitude = site.latitude_deg
    found = []
    for one in known:
        reference = 0.0
        if latitude is not None and one.temp_min_c is not None and one.temp_max_c is not None:
            wind = weather_facts.figure("wind_unknown").value
            reference = penman_monteith(
                one.temp_min_c,
                one.temp_max_c,
                latitude,
                one.day.timetuple().tm_yday,
                wind_2m_m_s=wind if one.wind_m_s is None else one.wind_m_s,
                krs=weather_facts.figure("krs_inland").value,
            ).mm
        found.append(RainDay(one.rain_mm or 0.0, reference))
    return Coming(known, tuple(found), latitude is not None)


def answer(
    standing: LotState,
    moisture_pct: float,
    *,
    days: int,
    cover: str,
    on_hand: Collection[LotState] = (),
    now: datetime | None = None,
) -> WaterAnswer:
    """Answer for a heap of a moisture.

    Parameters
    ----------
    standing : LotState
    moisture_pct : float
        Of its wet mass.
    days : int
        How many days ahead, today the first.
    cover : str
        What would be put over it: breathable, tarp or roof.
    on_hand : collection of LotState
        Stock that may be turned in where it is dry.

    Raises
    ------
    InputError
        If nobody knows where it stands or its volume, or the moisture cannot be.
    """
    if standing.place is None or not standing.volume_m3 or standing.mass_kg <= 0.0:
        raise InputError("its place, volume or mass is not known; measure it first")
    if not 0.0 < moisture_pct < 100.0:
        raise InputError(f"{moisture_pct:g} % is no moisture")
    shape = shape_in(standing.place, standing.volume_m3)
    water_kg = standing.mass_kg * moisture_pct / 100.0
    dry_kg = standing.mass_kg - water_kg
    heap = Heap(
        shape,
        dry_kg,
        water_kg,
        dry_kg * facts.figures()["organic_share"].value,
        PHASES.get(standing.stage, "cold"),
    )
    ahead = coming(days, now)
    limits = facts.moisture_limits()
    lies, sheet = pile_cover(standing.cover, shape), pile_cover(cover, shape)
    figures = facts.figures()
    dry = moisture_pct < limits.dry_pct
    return WaterAnswer(
        heap=heap,
        now=lies,
        cover=sheet,
        coming=ahead,
        decision=tarp_decision(heap, ahead.days, lies, sheet, limits, facts.water_facts()),
        rain_to_limit_mm=rain_to_limit_mm(heap, limits.wet_pct),
        sheet=sheet_size(
            shape, figures["sheet_overlap_m"].value, figures["lid_fall_pct"].value
        ),
        wetting=_wetting(standing, heap, ahead) if dry else None,
        drying=_drying(standing.mass_kg, moisture_pct, on_hand) if moisture_pct > limits.wet_pct
        else (),
    )  # fmt: skip


def _wetting(standing: LotState, heap: Heap, ahead: Coming) -> Wetting:
    """Return what wets a dry heap, poured in rounds while turning."""
    parameters, figures = pile_parameters(), facts.figures()
    today = ahead.weather[0]
    outside_c = ((today.temp_min_c or 0.0) + (today.temp_max_c or 0.0)) / 2.0
    read = day_temps([standing.id]).get(standing.id)
    steam = 0.0
    if read is not None:
        steam = steam_of_turning(
            heap.dry_kg, heap.water_kg, read.highest_c, outside_c,
            parameters["turn_loss"].typical, parameters["cp_solid_kj_kg_k"].typical,
        )  # fmt: skip
    return water_for(
        standing.mass_kg,
        heap.moisture_pct,
        facts.moisture_limits().target_pct,
        lost_share=figures["pour_lost_turned"].value,
        steam_l=steam,
        volume_m3=standing.volume_m3,
        round_l_m3=figures["turn_rounds_l_m3"].value,
    )


def _drying(
    mass_kg: float, moisture_pct: float, on_hand: Collection[LotState]
) -> tuple[DryOnHand, ...]:
    """Return how much of each dry material on hand it would take, the least volume first."""
    library = materials.library()
    there: dict[str, float] = defaultdict(float)
    for lot in on_hand:
        there[lot.material_id] += lot.mass_kg
    target = facts.moisture_limits().target_pct
    found = []
    for material_id, there_kg in there.items():
        soaks = facts.absorbencies().get(material_id)
        known = library.get(material_id)
        if soaks is None or known is None or known.moisture_pct is None:
            continue
        density = known.bulk_density_kg_m3
        material = DryMaterial(
            known.name, known.moisture_pct.typical, None if density is None else density.typical,
            soaks.kg_kg_dry,
        )  # fmt: skip
        try:
            drying = dry_material_for(mass_kg, moisture_pct, target, material)
        except InputError:
            continue  # as wet as the aim, or soaked: it dries nothing
        found.append(DryOnHand(material_id, there_kg, drying))
    return tuple(sorted(found, key=lambda one: one.drying.volume_m3 or one.drying.mass_kg))
