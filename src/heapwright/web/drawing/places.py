"""The records that the yard's drawings are made from: places and what stands in them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from heapwright.units import M_PER_FOOT, M_PER_INCH
from heapwright.web.drawing.hatch import Category
from heapwright.web.heat import TempUnit, with_unit

Kind = Literal["bay", "bunker", "windrow", "vessel", "pad", "screen", "trench", "bed", "area"]
Cover = Literal["open", "breathable", "tarp", "roof"]
LengthUnit = Literal["m", "ft"]

OPEN_GROUND: Final = ("pad", "area", "screen", "trench")
"""Ground without walls that several lots share, told apart by the codes on their stakes."""

COVER_WORDS: Final = {
    "open": "open",
    "breathable": "under a breathable cover",
    "tarp": "under a tarp",
    "roof": "under a roof",
}


@dataclass(frozen=True, slots=True)
class Pile:
    """A pile as the yard's drawings show it.

    ``day`` is its age in days; ``height_m`` how high it stands now. ``temp_c`` is the latest
    core reading (``None`` when nobody has read it) and ``temp_is_old`` tells that the reading
    is older than a day, ``read_on`` the day of it in a word or two. ``task`` is the number of the
    pile's first task in today's list and ``next_act`` its verb; ``task_waits`` tells that nothing
    is lost when it is done another day. ``to_be_read`` is false for finished compost, which
    nobody reads.
    """

    code: str
    stage: str
    day: int
    height_m: float
    temp_c: float | None = None
    temp_is_old: bool = False
    cover: Cover = "open"
    task: int | None = None
    next_act: str = ""
    task_waits: bool = False
    read_on: str = ""
    to_be_read: bool = True
    href: str = ""

    @property
    def age_of_reading(self) -> str:
        """What is to be said of the reading beside its number, if anything."""
        if self.temp_c is None:
            return "not read" if self.to_be_read else ""
        if not self.temp_is_old:
            return ""
        return f"read {self.read_on}" if self.read_on else "old reading"


@dataclass(frozen=True, slots=True)
class Stock:
    """Material waiting in a bunker: what, how much in words, and how high it lies."""

    name: str
    amount: str
    height_m: float
    category: Category


@dataclass(frozen=True, slots=True)
class Place:
    """A place on the plan: metres east (``x_m``) and south (``y_m``) of the yard's corner.

    ``height_m`` is the height of its walls, 0 where it has none. ``bare`` draws the place alone:
    nothing is said of whether anything stands in it.
    """

    code: str
    name: str
    kind: Kind
    x_m: float
    y_m: float
    width_m: float
    depth_m: float
    height_m: float = 0.0
    piles: tuple[Pile, ...] = ()
    stock: Stock | None = None
    href: str = ""
    bare: bool = False

    def stake(self, pile: Pile | None) -> str:
        """Return the code to write: the lot's where lots share a place, else the place's."""
        if pile is not None and (self.kind in OPEN_GROUND or len(self.piles) > 1):
            return pile.code
        return self.code


@dataclass(frozen=True, slots=True)
class Yard:
    """A yard to draw. ``north_deg`` is where north lies, clockwise from the sheet's top."""

    name: str
    places: tuple[Place, ...]
    north_deg: float = 0.0


def describe(place: Place, temp_unit: TempUnit = "C", length_unit: LengthUnit = "m") -> str:
    """Return one sentence that says what stands in a place, for those who cannot see it."""
    if not place.piles:
        if place.stock is not None:
            return f"{place.name}: {place.stock.name}, {place.stock.amount}."
        return (
            f"{place.name}: empty."
            if place.kind in ("bay", "vessel", "windrow") and not place.bare
            else (f"{place.name}.")
        )
    return " ".join(describe_pile(place, pile, temp_unit, length_unit) for pile in place.piles)


def describe_pile(
    place: Place, pile: Pile, temp_unit: TempUnit = "C", length_unit: LengthUnit = "m"
) -> str:
    """Return one sentence that says how a pile stands."""
    told = [pile.code, pile.stage, f"day {pile.day}"]
    if pile.temp_c is not None:
        told.append(with_unit(pile.temp_c, temp_unit))
        if pile.temp_is_old:
            told.append(f"read {pile.read_on}" if pile.read_on else "read more than a day ago")
    elif pile.to_be_read:
        told.append("not read yet")
    told += [f"{length(pile.height_m, length_unit)} high", COVER_WORDS[pile.cover]]
    if pile.task is not None:
        act = f" ({pile.next_act})" if pile.next_act else ""
        told.append(f"task {pile.task}{act} {'can wait' if pile.task_waits else 'today'}")
    return f"{place.name}: {', '.join(told)}."


def length(value_m: float, unit: LengthUnit) -> str:
    """Return a length as printed: ``1.1 m``, or feet to the nearest half such as ``3.5 ft``.

    What is lower than a foot is told in inches or centimetres, so that nothing is nought high.
    """
    if value_m < M_PER_FOOT:
        return (
            f"{max(round(value_m * 100), 1)} cm"
            if unit == "m"
            else f"{max(round(value_m / M_PER_INCH), 1)} in"
        )
    if unit == "m":
        return f"{value_m:.1f} m"
    feet = round(value_m / M_PER_FOOT * 2) / 2
    return f"{feet:g} ft"
