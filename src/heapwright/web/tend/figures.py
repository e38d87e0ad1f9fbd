"""The figures of a lot, each with its working."""

from __future__ import annotations

from typing import Any

from django.db.models import Q
from django.utils.translation import gettext as _

from heapwright.web.measures import MEASURES, figure
from heapwright.web.tend import plan
from heapwright.yard import ledger
from heapwright.yard.models import Cover, End, Flow, Lot
from heapwright.yard.state import LotState


def figures(lot: Lot, standing: LotState, system: str) -> list[dict[str, Any]]:
    """Return mass, volume, density and filling of a standing lot as the page shows them."""
    came = went = air = 0.0
    for from_lot, to_kind, mass_kg in Flow.objects.filter(
        ledger.counts(), Q(from_lot=lot) | Q(to_lot=lot)
    ).values_list("from_lot_id", "to_kind", "mass_kg"):
        if from_lot != lot.id:
            came += mass_kg
        elif to_kind == End.AIR:
            air += mass_kg
        else:
            went += mass_kg
    books = _("its entries, the struck ones left out")

    def entry(name: str, value_kg: float) -> dict[str, str]:
        return {
            "name": name,
            "value": figure(value_kg, "mass", system),
            "unit": MEASURES["mass"][system].sign,
            "origin": books,
        }

    found = [
        {
            "label": _("Mass"),
            "value": figure(standing.mass_kg, "mass", system),
            "unit": MEASURES["mass"][system].sign,
            "working": {
                "summary": _("How the mass comes about"),
                "formula": _("mass = came in − went out − booked as lost to the air"),
                "inputs": [
                    entry(_("came in"), came),
                    entry(_("went out"), went),
                    entry(_("lost to the air"), air),
                ],
                "source": _(
                    "The air's share is booked when a weight or volume is taken; until then the "
                    "heap is lighter than this."
                ),
            },
        }
    ]
    place = standing.place
    if standing.volume_m3 is not None:
        inputs = [
            {
                "name": _("volume"),
                "value": figure(standing.volume_m3, "volume", system),
                "unit": MEASURES["volume"][system].sign,
                "origin": _("last measured, or summed from what came in less what left"),
            },
            entry(_("mass"), standing.mass_kg),
        ]
        found.append(
            {
                "label": _("Volume"),
                "value": figure(standing.volume_m3, "volume", system),
                "unit": MEASURES["volume"][system].sign,
                "working": None,
            }
        )
        if standing.density_kg_m3:
            found.append(
                {
                    "label": _("Bulk density"),
                    "value": figure(standing.density_kg_m3, "density", system),
                    "unit": MEASURES["density"][system].sign,
                    "working": {
                        "summary": _("How volume and density come about"),
                        "formula": _("bulk density = mass / volume"),
                        "inputs": inputs,
                        "source": _(
                            "The books; measure the heap, or a bucket of it, to better it."
                        ),
                    },
                }
            )
        if place is not None and place.kind in plan.WALLED and place.capacity_m3:
            found.append(
                {
                    "label": _("%(place)s is full to") % {"place": place.name},
                    "value": f"{100 * standing.volume_m3 / place.capacity_m3:.0f}",
                    "unit": "%",
                    "working": {
                        "summary": _("How the filling comes about"),
                        "formula": _("filling = volume / (width × depth × height)"),
                        "inputs": [
                            inputs[0],
                            {
                                "name": _("the box"),
                                "value": figure(place.capacity_m3, "volume", system),
                                "unit": MEASURES["volume"][system].sign,
                                "origin": _("the place as it was set up"),
                            },
                        ],
                        "source": "",
                    },
                }
            )
    found.append(
        {
            "label": _("Cover"),
            "value": _cover_word(standing),
            "unit": "",
            "working": None,
        }
    )
    return found


def _cover_word(lot: LotState) -> str:
    return str(Cover(lot.cover or Cover.OPEN).label)
