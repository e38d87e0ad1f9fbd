"""The same drawing in fewer bytes, for a page that shows several.

What an element would inherit anyway is not said again, what neighbours have in common is said
once, by a group around them, lines and boxes that follow each other and look alike are one path,
and coordinates are to a tenth of a pixel. Nothing looks different: only attributes that are
inherited are moved, and elements with a class, which the style sheet may treat apart, keep theirs.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
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


def _short(coordinates: str) -> str:
    """Return coordinates to a tenth of a pixel, without spaces that commands make needless."""
    tenths = _FINE.sub(lambda found: number(round(float(found[0]), 1)), coordinates)
    return _ABOUT_LETTERS.sub(r"\1", tenths)


def _join(parent: Element) -> None:
    """Make one path of lines, or of boxes apart, that follow each other and look alike."""
    members: list[Element] = []
    for key, run in groupby(parent, _looks):
        alike = list(run)
        if key is None or len(alike) == 1 or not _apart(alike):
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
