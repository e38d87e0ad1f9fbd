"""The working of a mix: formula, inputs with their origin, and sources of every number."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.utils.translation import gettext as _

from heapwright.data import default_ranges, sources
from heapwright.science.ingredients import DRAWS
from heapwright.science.materials import Span
from heapwright.science.mixing import PROPERTIES
from heapwright.web.measures import DENSITY, MEASURES, NBSP, figure, three_digits, with_unit
from heapwright.web.mix.words import NAMES, range_words, unit_of
from heapwright.yard.recipe_plan import Worked


def working(worked: Worked, units: str) -> list[dict[str, Any]]:
    """Return formula, inputs with their origin, and sources of every number of the mix."""
    mix = worked.recipe.mix
    assert mix is not None
    known = worked.of.by_id()
    carbon = sum(row.carbon_kg for row in mix.parts)
    nitrogen = sum(row.nitrogen_kg for row in mix.parts)
    mass = MEASURES["mass"][units]
    signs = {"unit": mass.sign}

    def kg(value: float) -> str:
        return three_digits(mass.from_si(value))

    def weight(value: float) -> str:
        return f"{kg(value)}{NBSP}{mass.sign}"

    blocks = [
        {
            "summary": _("How moisture comes about"),
            "formula": _("moisture = water / mass"),
            "inputs": [
                {"name": _("Water"), "value": kg(mix.water_kg), **signs, "origin": _("sum below")},
                {"name": _("Mass"), "value": kg(mix.mass_kg), **signs, "origin": _("sum below")},
            ],
            "source": _cited(("cornell-right-mix",)),
        },
        {
            "summary": _("How C:N comes about"),
            "formula": _("C:N = carbon / nitrogen"),
            "inputs": [
                {"name": _("Carbon"), "value": kg(carbon), **signs, "origin": _("sum below")},
                {"name": _("Nitrogen"), "value": kg(nitrogen), **signs, "origin": _("sum below")},
            ],
            "source": _cited(("cornell-cn-ratio",)),
        },
        {
            "summary": _("How density and air come about"),
            "formula": _(
                "bulk density = mass / summed volumes; free air = 1 − (water + organic + ash by "
                "their own densities) / volume"
            ),
            "inputs": [
                {
                    "name": _("Volume"),
                    "value": figure(mix.volume_m3, "volume", units),
                    "unit": MEASURES["volume"][units].sign,
                    "origin": _("sum below, times %(k)g") % {"k": mix.shrink},
                },
                *(
                    {
                        "name": _("Free air space"),
                        "value": f"{value:.0f}",
                        "unit": "%",
                        "origin": _cited((key,)),
                    }
                    for key, value in mix.free_air_space_by_pair.items()
                ),
            ],
        },
        {
            "summary": _("The ranges"),
            "formula": _("acceptable and preferred ranges"),
            "inputs": [
                {
                    "name": str(NAMES[name]),
                    "value": range_words(name, worked.plan.limits.get(name), units),
                    "unit": unit_of(name, units),
                    "origin": _cited(default_ranges()[name].sources),
                }
                for name in PROPERTIES
            ],
        },
    ]
    for part, row in zip(worked.recipe.parts, mix.parts, strict=True):
        it = part.ingredient
        if it.is_water:
            continue
        material = known[it.id].material
        blocks.append(
            {
                "summary": _("%(name)s: %(mass)s") % {
                    "name": it.name, "mass": with_unit(row.mass_kg, "mass", units),
                },
                "formula": _(
                    "%(dry)s dry, %(water)s water, %(carbon)s carbon, %(nitrogen)s nitrogen, "
                    "%(volume)s"
                ) % {
                    "dry": weight(row.dry_kg), "water": weight(row.water_kg),
                    "carbon": weight(row.carbon_kg), "nitrogen": weight(row.nitrogen_kg),
                    "volume": with_unit(row.volume_m3, "volume", units),
                },
                "inputs": [
                    _input(_("Moisture"), it.moisture_pct, "%"),
                    _input(_("Carbon"), it.c_pct_dry, _("% of dry")),
                    _input(_("Nitrogen"), it.n_pct_dry, _("% of dry")),
                    _input(_("C:N"), it.cn, ""),
                    _input(_("Volatile solids"), it.vs_pct_dry, _("% of dry")),
                    _input(
                        _("Bulk density"), it.bulk_density_kg_m3, DENSITY[units].sign,
                        DENSITY[units].from_si(1.0),
                    ),
                ],
                "source": f"{_cited(material.sources)} ({material.mark})",
            }
        )  # fmt: skip
    blocks.append(
        {
            "summary": _("How sure"),
            "formula": _(
                "each figure is drawn %(draws)d times between the 5th and 95th percentile of its "
                "range, and the mix is worked out for each draw"
            )
            % {"draws": DRAWS},
            "inputs": [],
            "source": _("the handbook’s chapter on mixing"),
        }
    )
    return blocks


def _input(name: str, span: Span, unit: str, scale: float = 1.0) -> dict[str, str]:
    low, high = three_digits(span.low * scale), three_digits(span.high * scale)
    spread = "" if span.low == span.high else f" ({low}–{high})"
    origin = {
        "measured": _("measured here"),
        "published": _("published"),
        "derived": _("worked out"),
        "assumed": _("assumed"),
    }[span.origin]
    return {
        "name": name,
        "value": f"{three_digits(span.typical * scale)}{spread}",
        "unit": unit,
        "origin": f"{origin}: {_noted(span.note)}" if span.note else origin,
    }


def _noted(note: str) -> str:
    """Return what a figure is noted with, as it is printed: a true sign of multiplication."""
    return note.replace(" x ", " × ").replace("typical of other", _("typical of its kind"))


def _cited(ids: Sequence[str]) -> str:
    found = sources()
    return "; ".join(found[key].in_short for key in ids)
