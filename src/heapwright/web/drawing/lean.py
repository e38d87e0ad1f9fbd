"""The same drawing in fewer bytes, for a page that shows several.

What an element would inherit anyway is not said again, what neighbours have in common is said
once, by a group around them, lines and boxes that follow each other and look alike are one path,
coordinates are to a tenth of a pixel, and each step of a path is told from the corner or from
where it begins, as is shorter. Nothing looks different: only attributes that are
inherited are moved, and elements with a class, which the style sheet may treat apart, keep theirs.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from itertools import combinations, groupby
from typing import Final
from xml.etree.ElementTree import Element, fromstring, register_namespace, tostring

from django.utils.safestring import SafeString, mark_safe

from heapwright.web.drawing.svg import Drawing, number

_SVG: Final = "http://www.w3.org/2000/svg"
register_namespace("", _SVG)

INHERITED: Final = (
    "fill",
    "font-size",
    "font-style",
    "font-weight",
    "paint-order",
    "stroke",
    "stroke-dasharray",
    "stroke-linecap",
    "stroke-linejoin",
    "stroke-width",
    "text-anchor",
)
"""Presentation attributes that a child has from its parent unless it states its own."""

INITIAL: Final[Mapping[str, str]] = {"stroke": "none", "stroke-width": "1"}
"""What stands where no parent says anything either."""

_OF_STROKES: Final = frozenset(name for name in INHERITED if name.startswith("stroke-"))


def lean(drawing: Drawing) -> SafeString:
    """Return the SVG of a drawing with nothing said twice."""
    root = fromstring(drawing.svg)
    _join(root)
    _group(root)
    _drop(root, INITIAL)
    for one in root.iterfind(".//*"):
        for name in _GEOMETRY.intersection(one.keys()):
            one.set(name, _short(one.attrib[name]))
        if "d" in one.attrib:
            one.set("d", _shorter(one.attrib["d"]))
    # as it came, escaped by ElementTree, so that no text has a bare ">" in it
    return mark_safe(tostring(root, encoding="unicode").replace(" />", "/>"))


_GEOMETRY: Final = frozenset(
    {
        "cx",
        "cy",
        "d",
        "height",
        "points",
        "r",
        "rx",
        "ry",
        "width",
        "x",
        "x1",
        "x2",
        "y",
        "y1",
        "y2",
    }
)
_FINE: Final = re.compile(r"-?\d+\.\d{2,}")
_ABOUT_LETTERS: Final = re.compile(r" ?([A-Za-z]) ?")


@lru_cache(maxsize=16_384)  # drawn anew, nearly all is where it was
def _short(coordinates: str) -> str:
    """Return coordinates to a tenth of a pixel, without spaces that commands make needless."""
    tenths = _FINE.sub(lambda found: number(round(float(found[0]), 1)), coordinates)
    return _ABOUT_LETTERS.sub(r"\1", tenths)


_NUMBERS: Final = {"M": 2, "L": 2, "H": 1, "V": 1, "Q": 4, "C": 6, "Z": 0}
"""How many numbers a step of a path takes, of those that drawings use."""
_STEP: Final = re.compile(r"([A-Za-z])([^A-Za-z]*)")
_NUMBER: Final = re.compile(r"-?\d*\.?\d+")


@lru_cache(maxsize=4096)
def _shorter(d: str) -> str:
    """Return a path, given in tenths, with each step absolute or relative, as is shorter."""
    steps = _STEP.findall(d)
    if any(letter.upper() not in _NUMBERS for letter, _numbers in steps):
        return d
    told = []
    here = start = (0, 0)
    for letter, text in steps:
        kind, relative = letter.upper(), letter.islower()
        tenths = [round(10 * float(one)) for one in _NUMBER.findall(text)]
        count = _NUMBERS[kind]
        if not count:
            told.append("z")
            here = start
            continue
        for at in range(0, len(tenths), count):
            part = tenths[at : at + count]
            axes = [1] * count if kind == "V" else [number % 2 for number in range(count)]
            if relative:
                part = [one + here[axis] for one, axis in zip(part, axes, strict=True)]
            from_here = [one - here[axis] for one, axis in zip(part, axes, strict=True)]
            ways = f"{kind}{_told(part)}", f"{kind.lower()}{_told(from_here)}"
            told.append(ways[0] if not told else min(ways, key=len))
            here = (
                part[-1] if kind == "H" else here[0] if kind == "V" else part[-2],
                here[1] if kind == "H" else part[-1],
            )
            if kind == "M":
                start, kind = here, "L"  # what follows in the same step are lines
    return "".join(told)


def _told(tenths: list[int]) -> str:
    """Return numbers as a path has them: none that could be left out before, after or between."""
    said = ""
    for one in tenths:
        whole, rest = divmod(abs(one), 10)
        text = f"{whole or ''}.{rest}" if rest else f"{whole}"
        said += f"-{text}" if one < 0 else f" {text}" if said else text
    return said


def _join(parent: Element) -> None:
    """Make one path of lines, or of boxes apart, that follow each other and look alike."""
    members: list[Element] = []
    for key, run in groupby(parent, _looks):
        alike = list(run)
        line = key is not None and key[0] == _LINE  # shorter as a path, also one alone
        if key is None or not (line or len(alike) > 1) or not _apart(alike):
            for one in alike:
                _join(one)
            members += alike
            continue
        d = "".join(_stroke(one) if one.tag == _LINE else _box(one) for one in alike)
        members.append(Element(f"{{{_SVG}}}path", {"d": d, **dict(key[1])}))
    parent[:] = members


_LINE: Final = f"{{{_SVG}}}line"
_RECT: Final = f"{{{_SVG}}}rect"
_PLACED: Final = {_LINE: ("x1", "y1", "x2", "y2"), _RECT: ("x", "y", "width", "height")}


def _looks(element: Element) -> tuple[str, tuple[tuple[str, str], ...]] | None:
    """Return the attributes of a line or box besides where it is; None for anything else."""
    placed = _PLACED.get(element.tag)
    if placed is None or {"class", "rx", "ry", "id"} & set(element.keys()) or len(element):
        return None
    rest = tuple((name, value) for name, value in element.items() if name not in placed)
    return element.tag, rest


def _apart(alike: list[Element]) -> bool:
    """Tell whether no box covers another or its rim; lines have nothing that covers."""
    if alike[0].tag == _LINE:
        return True
    rim = float(alike[0].get("stroke-width", 1))
    boxes = [[float(one.get(name, 0)) for name in _PLACED[_RECT]] for one in alike]
    return all(
        x + width + rim <= left
        or left + wide + rim <= x
        or y + height + rim <= top
        or top + high + rim <= y
        for (x, y, width, height), (left, top, wide, high) in combinations(boxes, 2)
    )


def _stroke(line: Element) -> str:
    x1, y1, x2, y2 = (line.get(name, "0") for name in _PLACED[_LINE])
    if y1 == y2:
        return f"M{x1} {y1}H{x2}"
    return f"M{x1} {y1}V{y2}" if x1 == x2 else f"M{x1} {y1}L{x2} {y2}"


def _box(rect: Element) -> str:
    x, y, width, height = (rect.get(name, "0") for name in _PLACED[_RECT])
    return f"M{x} {y}h{width}v{height}h-{width}z"


_DRAWN: Final = frozenset(
    {"circle", "ellipse", "line", "path", "polygon", "polyline", "rect", "text"}
)
_LONGEST: Final = 80  # so many neighbours are looked at for what they have in common
_GROUP: Final = len("<g></g>")


def _style(element: Element) -> dict[str, str]:
    """Return what a group can say for an element; nothing for one that stays as it is."""
    if "class" in element.attrib or element.tag.partition("}")[2] not in _DRAWN:
        return {}
    return {name: value for name in INHERITED if (value := element.get(name)) is not None}


def _group(parent: Element) -> None:
    """Put neighbours into groups that say what they have in common, where that is shorter."""
    children = list(parent)
    styles = [_style(one) for one in children]
    members: list[Element] = []
    at = 0
    while at < len(children):
        said, end = _in_common(styles, at)
        if not said:
            _group(children[at])
            members.append(children[at])
            at += 1
            continue
        group = Element(f"{{{_SVG}}}g", said)
        for one in children[at:end]:
            for name in said:
                del one.attrib[name]
        group.extend(children[at:end])
        if end - at < len(children):
            _group(group)
        members.append(group)
        at = end
    parent[:] = members


def _in_common(styles: list[dict[str, str]], at: int) -> tuple[dict[str, str], int]:
    """Return what the elements from ``at`` to an end share, and the end that saves most."""
    said, best, end, gain = dict(styles[at]), {}, at + 1, 0
    for last in range(at + 1, min(len(styles), at + _LONGEST)):
        there = styles[last]
        said = {name: value for name, value in said.items() if there.get(name) == value}
        if not said:
            break
        size = sum(len(name) + len(value) + 4 for name, value in said.items())
        saved = (last - at) * size - _GROUP
        if saved > gain:
            best, end, gain = said, last + 1, saved
    return best, end


def _drop(element: Element, inherited: Mapping[str, str]) -> None:
    """Leave out what an element states and would inherit just so."""
    here = dict(inherited)
    plain = not len(element) and "class" not in element.attrib
    if plain and element.get("stroke", here["stroke"]) == "none":  # how wide is then no matter
        for name in _OF_STROKES.intersection(element.keys()):
            del element.attrib[name]
    for name in INHERITED:
        value = element.get(name)
        if value is None:
            continue
        if here.get(name) == value and "class" not in element.attrib:
            del element.attrib[name]
        here[name] = value
    for child in element:
        _drop(child, here)
