"""What an entry says, in one sentence and in a person's units."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from heapwright.data.sanitation import rules
from heapwright.data.today import chosen_rule
from heapwright.people.models import Units
from heapwright.science.materials import Material
from heapwright.web.measures import MEASURES, NBSP, with_unit
from heapwright.yard import materials
from heapwright.yard.models import (
    Cover,
    End,
    Entry,
    Flow,
    Kind,
    Method,
    Site,
    Smell,
    Squeeze,
    Stage,
    Yardstick,
    Zone,
)
from heapwright.yard.yardstick import InForce

FIGURE_NAMES: Final = {
    "moisture_pct": gettext_lazy("moisture"),
    "n_pct_dry": gettext_lazy("nitrogen"),
    "c_pct_dry": gettext_lazy("carbon"),
    "cn": gettext_lazy("C:N"),
    "vs_pct_dry": gettext_lazy("volatile solids"),
    "bulk_density_kg_m3": gettext_lazy("bulk density"),
}
"""What the figures of a material are called; other quantities have their name as it was typed."""


def moment_words(at: datetime | None, tz: ZoneInfo) -> str:
    """Return a time by the site's clock, such as ``3 Mar 2026, 09:15``."""
    if at is None:
        return "–"
    here = at.astimezone(tz)
    return f"{day_words(here, tz)}, {here:%H:%M}"


def day_words(at: datetime | date | None, tz: ZoneInfo) -> str:
    """Return a day by the site's calendar, such as ``3 Mar 2026``."""
    if at is None:
        return "–"
    day = at.astimezone(tz).date() if isinstance(at, datetime) else at
    return date_format(day, "j M Y").replace(" ", NBSP)


def material_names(library: Mapping[str, Material] | None = None) -> dict[str, str]:
    """Return the name of every material that the site knows (of ``library``), by id."""
    known = materials.library() if library is None else library
    return {name: one.name for name, one in known.items()}


class Teller:
    """Tells entries in sentences; made once a page, with the page's library where it has one."""

    def __init__(
        self, units: str, library: Mapping[str, Material] | None = None, *, most: int | None = None
    ) -> None:
        """Make one; what was taken of more than ``most`` lots is told as one sum."""
        self.units = units
        self.most = most
        self.tz = Site.load().tz
        self.names = material_names(library)

    def when(self, entry: Entry) -> str:
        """Return when an entry happened, by the site's clock."""
        return moment_words(entry.happened_at, self.tz)

    def __call__(self, entry: Entry) -> str:
        """Return what an entry of :func:`yard.history.entries` says, as one sentence."""
        return _TELL[Kind(entry.kind)](self, entry)

    def mass(self, mass_kg: float) -> str:
        """Return a mass in the person's units."""
        return with_unit(mass_kg, "mass", self.units)

    def material(self, name: str) -> str:
        """Return a material's name; blank stands for what nobody knows."""
        return self.names.get(name, name) or _("what nobody knows")

    def temp(self, temp_c: float, as_typed: str = "") -> str:
        """Return a temperature: as it was typed where that is in the person's unit."""
        unit = MEASURES["temp"][self.units]
        if as_typed.endswith(f" {unit.sign}"):
            return as_typed.replace(" ", NBSP)
        return with_unit(temp_c, "temp", self.units)

    def takes(self, entry: Entry) -> str:
        """Return what was taken from which lots, and water."""
        taken = [
            (mass_kg, line.from_lot.code)
            for line, mass_kg in _net(entry)
            if line.from_lot is not None and line.to_kind != End.AIR
        ]
        parts = [
            _("%(mass)s of %(lot)s") % {"mass": self.mass(mass_kg), "lot": code}
            for mass_kg, code in taken
        ]
        if self.most is not None and len(parts) > self.most:
            total_kg = sum(mass_kg for mass_kg, _code in taken)
            parts = [
                _("%(mass)s of %(count)d lots")
                % {"mass": self.mass(total_kg), "count": len({code for _kg, code in taken})}
            ]
        parts += [
            _("%(mass)s of water") % {"mass": self.mass(mass_kg)}
            for line, mass_kg in _net(entry)
            if line.from_kind == End.WATER
        ]
        return ", ".join(parts)


def lots_of(entry: Entry) -> str:
    """Return the codes of the lots that an entry is about."""
    return ", ".join(sorted(lot.code for lot in entry.lots.all()))


def _net(entry: Entry) -> list[tuple[Flow, float]]:
    """Return the entry's lines with their corrections summed up, what came to nothing left out."""
    first: dict[object, Flow] = {}
    sums: dict[object, float] = defaultdict(float)
    for line in entry.flows.all():
        ends = (
            line.from_kind,
            line.from_lot_id,
            line.from_source_id,
            line.to_kind,
            line.to_lot_id,
            line.to_place_id,
            line.to_person,
            line.material_id,
        )
        first.setdefault(ends, line)
        sums[ends] += line.mass_kg
    return [(first[ends], mass_kg) for ends, mass_kg in sums.items() if abs(mass_kg) > 5e-4]


def _places(entry: Entry) -> dict[int, str]:
    return {
        standing.lot_id: standing.place.name
        for standing in entry.standings.all()
        if standing.place is not None
    }


def _made(entry: Entry) -> list[str]:
    return [standing.lot.code for standing in entry.standings.all() if standing.begins]


def _delivery(tell: Teller, entry: Entry) -> str:
    places = _places(entry)
    said = [
        _("%(mass)s %(material)s: %(lot)s at %(place)s")
        % {
            "mass": tell.mass(mass_kg),
            "material": tell.material(line.material_id),
            "lot": line.to_lot.code,
            "place": places.get(line.to_lot_id, "–"),
        }
        for line, mass_kg in _net(entry)
        if line.from_source is not None and line.to_lot is not None
    ]
    sources = {line.from_source.name for line in entry.flows.all() if line.from_source is not None}
    return _("%(lines)s, from %(source)s") % {
        "lines": "; ".join(said),
        "source": ", ".join(sorted(sources)),
    }


def _build(tell: Teller, entry: Entry) -> str:
    return _("%(lot)s at %(place)s, of %(takes)s") % {
        "lot": ", ".join(_made(entry)),
        "place": ", ".join(_places(entry).values()) or "–",
        "takes": tell.takes(entry),
    }


def _add(tell: Teller, entry: Entry) -> str:
    return _("%(takes)s to %(lot)s") % {
        "takes": tell.takes(entry),
        "lot": entry.sent.get("lot", ""),
    }


def _to_place(_tell: Teller, entry: Entry) -> str:
    places = _places(entry)
    if not places:
        return lots_of(entry)
    return _("%(lots)s to %(place)s") % {
        "lots": lots_of(entry),
        "place": ", ".join(places.values()),
    }


def _combine(_tell: Teller, entry: Entry) -> str:
    return _("%(lots)s into %(goal)s") % {
        "lots": ", ".join(entry.sent.get("lots", ())),
        "goal": entry.sent.get("into") or ", ".join(_made(entry)),
    }


def _divide(tell: Teller, entry: Entry) -> str:
    parts = ", ".join(
        f"{line.to_lot.code} ({tell.mass(mass_kg)})"
        for line, mass_kg in _net(entry)
        if line.to_lot is not None
    )
    return _("%(lot)s: %(parts)s taken off") % {"lot": entry.sent.get("lot", ""), "parts": parts}


def _water(tell: Teller, entry: Entry) -> str:
    return _("%(amount)s on %(lot)s") % {
        "amount": with_unit(entry.sent.get("litres"), "liquid", tell.units),
        "lot": lots_of(entry),
    }


def _cover(_tell: Teller, entry: Entry) -> str:
    return f"{lots_of(entry)}: {Cover(entry.sent['cover']).label}"


def _check(tell: Teller, entry: Entry) -> str:
    temps = [
        tell.temp(one["temp_c"], one.get("as_typed", "")) for one in entry.sent.get("temps", ())
    ]
    parts = [", ".join(temps)] if temps else []
    seen = getattr(entry, "check_of", None)
    if seen is not None:
        if seen.squeeze:
            parts.append(_("squeeze: %(what)s") % {"what": Squeeze(seen.squeeze).label})
        if seen.smell:
            parts.append(_("smells %(what)s") % {"what": Smell(seen.smell).label})
        if seen.pests:
            parts.append(_("pests: %(what)s") % {"what": seen.pests})
        if seen.height_m:
            parts.append(
                _("%(height)s high") % {"height": with_unit(seen.height_m, "length", tell.units)}
            )
        if seen.oxygen_pct is not None:
            parts.append(_("oxygen %(value)g %%") % {"value": seen.oxygen_pct})
    shown = getattr(entry, "photo", None)
    if shown is not None:
        parts.append(_("photo: %(what)s") % {"what": shown.alt} if shown.alt else _("photo"))
    return f"{lots_of(entry)}: {'; '.join(parts)}"


def _readings(_tell: Teller, entry: Entry) -> str:
    return _("%(lot)s: %(count)s readings from %(file)s") % {
        "lot": lots_of(entry),
        "count": entry.sent.get("count", 0),
        "file": entry.sent.get("file", ""),
    }


def _measure(tell: Teller, entry: Entry) -> str:
    sent = entry.sent
    parts = [
        with_unit(sent[name], measure, tell.units)
        for name, measure in (("mass_kg", "mass"), ("volume_m3", "volume"))
        if sent.get(name) is not None
    ]
    return f"{lots_of(entry)}: {', '.join(parts)}"


def _stage(_tell: Teller, entry: Entry) -> str:
    return _("%(lot)s is %(stage)s") % {
        "lot": lots_of(entry),
        "stage": Stage(entry.sent["stage"]).label,
    }


def _sample(_tell: Teller, entry: Entry) -> str:
    parts = [f"{lots_of(entry)}: “{entry.sent.get('label', '')}”", entry.sent.get("purpose", "")]
    return ", ".join(filter(None, parts))


def _lab(tell: Teller, entry: Entry) -> str:
    figures = ", ".join(
        f"{FIGURE_NAMES.get(one.quantity, one.quantity)} "
        f"{'' if one.comparator == '=' else one.comparator + ' '}{one.value:g}"
        f"{' ' + one.unit if one.unit else ''}"
        for one in entry.measurements.all()
    )
    return f"{lots_of(entry) or tell.material(entry.sent.get('material', ''))}: {figures}"


def _screen(tell: Teller, entry: Entry) -> str:
    parts = ", ".join(
        f"{line.to_lot.code} {line.to_lot.get_kind_display()} {tell.mass(mass_kg)}"
        for line, mass_kg in _net(entry)
        if line.to_lot is not None
    )
    return f"{entry.sent.get('lot', '')}: {parts}"


def _use(tell: Teller, entry: Entry) -> str:
    return "; ".join(
        _("%(mass)s of %(lot)s to %(goal)s")
        % {
            "mass": tell.mass(mass_kg),
            "lot": line.from_lot.code,
            "goal": line.to_place.name if line.to_place else line.to_person,
        }
        for line, mass_kg in _net(entry)
        if line.from_lot is not None and line.to_kind in (End.PLACE, End.PERSON)
    )


def _discard(tell: Teller, entry: Entry) -> str:
    gone = sum(mass_kg for line, mass_kg in _net(entry) if line.to_kind == End.DISPOSAL)
    return _("%(mass)s of %(lot)s: %(why)s") % {
        "mass": tell.mass(gone),
        "lot": lots_of(entry),
        "why": entry.sent.get("why", ""),
    }


def _labour(_tell: Teller, entry: Entry) -> str:
    work = entry.labour
    parts = [_("%(hours)g hours %(task)s") % {"hours": work.hours, "task": work.task}]
    parts += [work.who] if work.who else []
    parts += [_("paid")] if work.paid else []
    parts += [lots_of(entry)] if lots_of(entry) else []
    return ", ".join(parts)


def _fuel(tell: Teller, entry: Entry) -> str:
    spent = entry.fuel
    much = (
        f"{spent.energy_kwh:g}\u00a0kWh"
        if spent.volume_l is None
        else with_unit(spent.volume_l, "liquid", tell.units)
    )
    return ", ".join(filter(None, (f"{much} {spent.fuel}", spent.machine)))


def _weather(tell: Teller, entry: Entry) -> str:
    seen = entry.weather
    parts = [
        words % with_unit(value, measure, tell.units)
        for words, value, measure in (
            (_("rain %s"), seen.rain_mm, "rain"),
            (_("lowest %s"), seen.temp_min_c, "temp"),
            (_("highest %s"), seen.temp_max_c, "temp"),
            (_("wind %s"), seen.wind_m_s, "wind"),
        )
        if value is not None
    ]
    return f"{day_words(seen.day, tell.tz)}: {', '.join(parts)}"


def _opening(tell: Teller, entry: Entry) -> str:
    known = entry.opening.start_known
    made_of = ", ".join(
        f"{tell.mass(mass_kg)} {tell.material(line.material_id)}"
        for line, mass_kg in _net(entry)
        if line.from_kind == End.OPENING
    )
    words = (
        _("%(lot)s at %(place)s, %(made_of)s; built or come then")
        if known
        else _("%(lot)s at %(place)s, %(made_of)s; since when, nobody knows")
    )
    return words % {
        "lot": ", ".join(_made(entry)),
        "place": ", ".join(_places(entry).values()) or "–",
        "made_of": made_of,
    }


def _settings(tell: Teller, entry: Entry) -> str:
    return ", ".join(
        f"{label}: {value}" for label, value in yardstick_lines(entry.yardstick, tell.units)
    )


def yardstick_lines(found: Yardstick | InForce, units: str) -> list[tuple[str, str]]:
    """Return what is set about the proofs, each with what it means where it is not set."""
    error_scale = 1.8 if units == Units.US else 1.0
    sign = MEASURES["temp"][units].sign
    rule = rules().get(found.rule_id)
    return [
        (
            _("rule"),
            (f"{rule.id} ({rule.name})" if rule else found.rule_id)
            or _("not set, so the usual one, %(rule)s") % {"rule": chosen_rule().rule},
        ),
        (
            _("method"),
            str(Method(found.method).label)
            if found.method
            else _("not set, so turned, and in a vessel where it stands in one"),
        ),
        (
            _("probe error"),
            _("not set, so nothing is taken off")
            if found.probe_error_c is None
            else _in_unit(found.probe_error_typed, found.probe_error_c * error_scale, sign),
        ),
        (
            _("readings stand for"),
            str(Zone(found.zone).label)
            if found.zone
            else _("not set, so what their points are called"),
        ),
        (
            _("insulation"),
            _("not set, so none")
            if found.insulation_cm is None
            else _in_unit(
                found.insulation_typed,
                MEASURES["depth"][units].from_si(found.insulation_cm),
                MEASURES["depth"][units].sign,
            ),
        ),
    ]


def yardstick_words(found: InForce, units: str) -> str:
    """Return under which settings a proof was judged: what is set, then what is not."""
    if found.set_at is None:
        return _("The site has set nothing about its proofs.")
    own = (
        (found.rule_id, _("rule")),
        (found.method, _("method")),
        (found.probe_error_c, _("probe error")),
        (found.zone, _("what readings stand for")),
        (found.insulation_cm, _("insulation")),
    )
    stated = [
        f"{label} {value}"
        for (label, value), (one, _name) in zip(yardstick_lines(found, units), own, strict=True)
        if one not in ("", None)
    ]
    unset = [name for one, name in own if one in ("", None)]
    said = _("Judged under the site's settings of %(when)s, by %(who)s: %(what)s.") % {
        "when": moment_words(found.set_at, Site.load().tz),
        "who": found.set_by,
        "what": ", ".join(stated) or _("all as usual"),
    }
    if unset:
        said += " " + _("Not set: %(names)s.") % {"names": ", ".join(unset)}
    return said


def _in_unit(as_typed: str, value: float, sign: str) -> str:
    """Return a figure as typed where that is in the person's unit, else in it."""
    return as_typed if as_typed.endswith(f" {sign}") else f"{value:.3g}{NBSP}{sign}"


_TELL: Final[dict[Kind, Callable[[Teller, Entry], str]]] = {
    Kind.DELIVERY: _delivery,
    Kind.BUILD: _build,
    Kind.ADD: _add,
    Kind.TURN: _to_place,
    Kind.MOVE: _to_place,
    Kind.COMBINE: _combine,
    Kind.DIVIDE: _divide,
    Kind.WATER: _water,
    Kind.COVER: _cover,
    Kind.CHECK: _check,
    Kind.READINGS: _readings,
    Kind.MEASURE: _measure,
    Kind.STAGE: _stage,
    Kind.SAMPLE: _sample,
    Kind.LAB: _lab,
    Kind.SCREEN: _screen,
    Kind.USE: _use,
    Kind.DISCARD: _discard,
    Kind.LABOUR: _labour,
    Kind.FUEL: _fuel,
    Kind.WEATHER: _weather,
    Kind.OPENING: _opening,
    Kind.SETTINGS: _settings,
}
