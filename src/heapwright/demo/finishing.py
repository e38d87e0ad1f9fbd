"""What becomes of piles: cured, screened, sampled, used; and the hours and fuel it took."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any, Final

from heapwright.demo import receiving, site
from heapwright.demo.books import LEAD, Books, Compost, Stock, Written, density_kg_m3
from heapwright.yard import prove, tend, use
from heapwright.yard.amounts import Quantity
from heapwright.yard.models import Cover, Stage

CURE_DAYS: Final = 42

LABORATORY: Final = "Brackwater soil laboratory"
BORDERS: Final = "Saltmarsh parks crew, for the borders of flowers"
"""Where compost goes whose pile was not proven: never to anything that is eaten."""

TAKERS: Final = ("Plot holders' share day", "Heron Row School garden", "Fen Street orchard group")


def to_pad(yard: Books) -> Iterator[Written]:
    """Put piles that have cooled on the curing pad, and measure them there."""
    hour = 13.5
    for heap in yard.heaps:
        if heap.on_pad is not None or heap.full is None or heap.trouble == "never heated":
            continue
        cool = heap.heat.core_c < 45.0 and yard.age(heap.full) >= 36
        crowded = not yard.free_bays() and yard.age(heap.full) >= 36
        if yard.day.weekday() != 5 or not (cool or crowded):
            continue
        heap.on_pad, heap.place, heap.cover = yard.day, site.PAD, Cover.BREATHABLE
        heap.heat.lay_out(yard.today.mean_c)
        heap.volume_m3 = round(heap.volume_m3 * yard.rng.uniform(0.55, 0.62), 2)
        density = round(yard.rng.uniform(430.0, 520.0))
        heap.mass_kg = heap.volume_m3 * density
        yard.hours += 2.0
        yield yard.write(tend.Move, hour, by=LEAD, lot=heap.code, to_place=site.PAD)
        yield yard.write(
            tend.WeighOrMeasure,
            hour + 0.3,
            by=LEAD,
            lot=heap.code,
            volume_m3=heap.volume_m3,
            bulk_density_kg_m3=float(density),
            note="Measured with the tape; a bucket weighed.",
        )
        hour += 0.7


def cured(yard: Books) -> Iterator[Written]:
    """Declare piles ready that have cured."""
    for heap in yard.heaps:
        if heap.on_pad is None or heap.ready is not None or yard.day.weekday() != 2:
            continue
        if yard.age(heap.on_pad) >= CURE_DAYS:
            heap.ready = yard.day
            yield yard.write(
                tend.DeclareStage,
                15.0,
                by=LEAD,
                lot=heap.code,
                stage=Stage.READY.value,
                note="Bag test sweet after five days.",
            )


def screening(yard: Books) -> Iterator[Written]:
    """Screen a ready pile on a Saturday; sample every third compost."""
    if yard.day.weekday() != 5:
        return
    done = [heap for heap in yard.heaps if heap.ready and yard.age(heap.ready) >= 10]
    for heap in done[:1]:
        yard.heaps.remove(heap)
        compost, overs = yard.new_code("C"), yard.new_code("V")
        kept_kg = round(heap.mass_kg * yard.rng.uniform(0.62, 0.7))
        over_kg = round(heap.mass_kg * yard.rng.uniform(0.16, 0.22))
        made = Compost(compost, float(kept_kg), yard.day, proven=not heap.trouble)
        yard.compost.append(made)
        yard.stock.append(Stock(overs, "compost_overs", float(over_kg), yard.day))
        yard.hours += 4.0
        yield yard.write(
            use.Screen,
            10.0,
            by=LEAD,
            lot=heap.code,
            compost=use.Output(
                place=site.SCREENING,
                code=compost,
                quantity=Quantity(
                    mass_kg=float(kept_kg), volume_m3=round(kept_kg / 560, 2), known="measured"
                ),
            ),
            overs=use.Output(
                place=site.CHIP_BUNKER,
                code=overs,
                quantity=Quantity(
                    mass_kg=float(over_kg),
                    volume_m3=round(over_kg / density_kg_m3("compost_overs"), 2),
                    known="measured",
                ),
            ),
        )
        yield from receiving.heaped(yard, "compost_overs", 11.2)
        if yard.counts["C"] % 3 == 1:
            made.result_due = yard.day + timedelta(days=11)
            yield yard.write(
                prove.TakeSample,
                11.5,
                by=LEAD,
                lot=compost,
                label=f"{compost} {yard.day:%d %b}",
                purpose="release: pathogens, salt, maturity",
            )


def results(yard: Books) -> Iterator[Written]:
    """Log what the laboratory found."""
    for compost in yard.compost:
        if compost.result_due is None or yard.day < compost.result_due:
            continue
        compost.result_due = None
        rng = yard.rng
        figures = (
            ("faecal coliform", "<", float(rng.choice((3, 10, 90))), "MPN/g dry"),
            ("Salmonella", "<", 3.0, "MPN/4 g dry"),
            ("moisture_pct", "=", round(rng.uniform(38.0, 48.0), 1), "% wet"),
            ("cn", "=", round(rng.uniform(13.0, 19.0), 1), ""),
            ("pH", "=", round(rng.uniform(6.9, 7.8), 1), ""),
            ("electrical conductivity", "=", round(rng.uniform(1.8, 3.9), 1), "dS/m"),
        )
        yield yard.write(
            prove.LogResult,
            14.0,
            by=LEAD,
            lot=compost.code,
            laboratory=LABORATORY,
            results=tuple(
                prove.Result(quantity=name, comparator=sign, value=value, unit=unit)
                for name, sign, value, unit in figures
            ),
        )


def measured(yard: Books) -> Iterator[Written]:
    """Dry scraps and leaves of the yard's own, and have the overs analysed once there are some."""
    if yard.offset >= 5 and not yard.scraps_dried:
        yard.scraps_dried = True
        yield yard.write(
            prove.LogResult,
            15.3,
            by=LEAD,
            material="veg_trimmings",
            results=(prove.Result(quantity="moisture_pct", value=86.0, method="microwave"),),
            note="Nobody publishes it, and without it they cannot go into a mix.",
        )
    if yard.offset >= 40 and not yard.leaves_dried:
        yard.leaves_dried = True
        yield yard.write(
            prove.LogResult,
            15.4,
            by=LEAD,
            material="leaves_shredded",
            results=(prove.Result(quantity="moisture_pct", value=41.0, method="oven"),),
            note="Ten handfuls from the bunker.",
        )
    if yard.counts.get("V", 0) >= 3 and not yard.overs_analysed:
        yard.overs_analysed = True
        yield yard.write(
            prove.LogResult,
            15.5,
            by=LEAD,
            material="compost_overs",
            laboratory=LABORATORY,
            results=(
                prove.Result(quantity="moisture_pct", value=46.0, unit="% wet"),
                prove.Result(quantity="n_pct_dry", value=0.85, unit="% dry"),
                prove.Result(quantity="cn", value=46.0),
            ),
            note="So that the overs can go into the mix by their own figures.",
        )


def beds(yard: Books) -> Iterator[Written]:
    """Put compost on a bed, or share it out."""
    growing = yard.day.month in (3, 4, 5, 6, 9, 10)
    heap = next((one for one in yard.compost if yard.age(one.made) >= 2), None)
    busy = yard.day.weekday() in (1, 3, 5) and (growing or len(yard.compost) > 3)
    if heap is None or not busy or heap.result_due is not None:
        return
    to_bed = yard.rng.random() < (0.7 if growing else 0.2)
    wanted_kg = yard.rng.choice((60.0, 80.0, 100.0) if to_bed else (90.0, 120.0, 150.0))
    said: dict[str, Any] = {}
    if heap.mass_kg >= wanted_kg + 25.0:
        heap.mass_kg -= wanted_kg
        said["quantity"] = Quantity(mass_kg=wanted_kg, known="estimated")
    else:
        yard.compost.remove(heap)
    taker = yard.rng.choice(TAKERS) if not to_bed else ""
    if not heap.proven:
        said["person"] = BORDERS
    elif to_bed:
        said["bed"] = site.BEDS[yard.bed % len(site.BEDS)]
        yard.bed += 1
    else:
        said["person"] = taker
    yield yard.write(use.UseCompost, 14.5, lot=heap.code, **said)


def hours_and_fuel(yard: Books) -> Iterator[Written]:
    """Log the week's hours and the tractor's fuel."""
    yard.hours += 0.5
    if yard.day.weekday() == 5 and yard.hours > 0:
        hours, yard.hours = round(yard.hours, 1), 0.0
        yield yard.write(
            tend.LogLabour,
            16.0,
            by=LEAD,
            hours=hours,
            task="the week's heaps",
            who="volunteers",
        )
        yield yard.write(
            tend.LogLabour, 16.1, by=LEAD, hours=12.0, task="leading", who="lead", paid=True
        )
    if yard.day.day in (7, 21):
        yield yard.write(
            tend.LogFuel,
            16.3,
            by=LEAD,
            fuel="diesel",
            volume_l=float(yard.rng.choice((9, 12, 15))),
            machine="small tractor",
        )
