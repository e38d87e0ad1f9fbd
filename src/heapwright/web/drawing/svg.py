"""A small builder of accessible SVG on top of the standard library's ElementTree.

Colours are written as presentation attributes in the light palette, so that a drawing stands
alone in print; the style sheet maps the same few values to the dark palette.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final
from xml.etree.ElementTree import Element, tostring

from django.utils.safestring import mark_safe

from heapwright.web.drawing.labels import Box, text_box
from heapwright.web.heat import INK, PAPER, Step

LINE: Final = "#d8cdb8"
SOFT: Final = "#564e40"
WASH: Final = "#efe4cb"  # the top of a heap
EARTH: Final = "#dccba4"  # a heap seen from the front
SANS: Final = (
    "Seravek, 'Gill Sans Nova', 'Source Sans 3', 'Source Sans Pro', 'Noto Sans', Ubuntu, "
    "Calibri, 'DejaVu Sans Condensed', 'DejaVu Sans', system-ui, sans-serif"
)
_UNPRINTABLE = re.compile(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_UID = re.compile(r"[a-z][a-z0-9-]*")


@dataclass(frozen=True, slots=True)
class Drawing:
    """A finished drawing: the SVG, its size in CSS pixels, and where each label stands."""

    svg: str
    width: float
    height: float
    labels: tuple[Box, ...] = ()

    def __str__(self) -> str:
        """Return the SVG, marked so that templates set it in without escaping it again."""
        return mark_safe(self.svg)  # built by ElementTree, which escaped every text in it


@lru_cache(maxsize=4096)
def clean(text: str) -> str:
    """Return text fit for XML: characters that XML forbids become the replacement sign."""
    return _UNPRINTABLE.sub("\ufffd", unicodedata.normalize("NFC", text))


@lru_cache(maxsize=16_384)  # drawn anew, nearly all is where it was
def number(value: float) -> str:
    """Return a coordinate with at most two decimals and no trailing zeros."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def el(tag: str, *children: Element | str | None, **attributes: object) -> Element:
    """Return an element; ``stroke_width`` becomes ``stroke-width`` and ``class_`` ``class``.

    Attributes whose value is ``None`` are left out. A string child becomes text.
    """
    node = Element(tag)
    for key, value in attributes.items():
        if value is None:
            continue
        name = key.rstrip("_").replace("_", "-") if key not in _CAMEL else _CAMEL[key]
        node.set(name, number(value) if isinstance(value, int | float) else clean(str(value)))
    for child in children:
        if isinstance(child, str):
            node.text = (node.text or "") + clean(child)
        elif child is not None:
            node.append(child)
    return node


_CAMEL: Final = {
    "view_box": "viewBox",
    "pattern_units": "patternUnits",
    "pattern_transform": "patternTransform",
    "clip_path_units": "clipPathUnits",
}


def path(commands: Iterable[str | float], **attributes: object) -> Element:
    """Return a path from commands and coordinates in the order they are written."""
    d = " ".join(part if isinstance(part, str) else number(part) for part in commands)
    return el("path", d=d, **{"fill": "none", "stroke": INK, "stroke_width": 1.4, **attributes})


def line(x1: float, y1: float, x2: float, y2: float, **attributes: object) -> Element:
    """Return a straight inked line."""
    return el(
        "line", x1=x1, y1=y1, x2=x2, y2=y2, **{"stroke": INK, "stroke_width": 1.4, **attributes}
    )


def rect(x: float, y: float, width: float, height: float, **attributes: object) -> Element:
    """Return a rectangle, inked and unfilled unless told otherwise."""
    return el(
        "rect",
        x=x,
        y=y,
        width=width,
        height=height,
        **{"fill": "none", "stroke": INK, "stroke_width": 1.4, **attributes},
    )


class Lettering:
    """Collects text and the box that each piece takes, so that no two pieces collide."""

    def __init__(self) -> None:
        self.elements: list[Element] = []
        self.boxes: list[Box] = []

    def write(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float = 13,
        bold: bool = False,
        italic: bool = False,
        anchor: str = "start",
        fill: str = INK,
        on: Step | None = None,
        halo: bool = False,
        label: bool = True,
    ) -> Box:
        """Write one line of text with its baseline at ``y``; return the box it takes.

        ``on`` is the heat step that the text stands on, which decides its colour.
        ``label=False`` leaves the box out of the record (text that stands on its own plate,
        whose box is recorded instead).
        """
        box = text_box(x, y, text, size, bold=bold, anchor=anchor)
        self.elements.append(
            el(
                "text",
                text,
                x=x,
                y=y,
                font_size=size,
                font_weight=700 if bold else None,
                font_style="italic" if italic else None,
                text_anchor=None if anchor == "start" else anchor,
                fill=fill if on is None else on.text,
                class_=None if on is None else f"on-heat-{on.number}",
                stroke=PAPER if halo else None,
                stroke_width=3 if halo else None,
                stroke_linejoin="round" if halo else None,
                paint_order="stroke" if halo else None,
            )
        )
        if label:
            self.boxes.append(box)
        return box


def hot_pattern(uid: str) -> Element:
    """Return the pattern of the last heat step: close slanting lines in paper colour."""
    return el(
        "pattern",
        path(["M", 0, 6, "L", 6, 0], stroke=PAPER, stroke_width=1.1, opacity=0.55, class_="rim"),
        id=f"{uid}-hot",
        width=6,
        height=6,
        pattern_units="userSpaceOnUse",
    )


def heat_area(d: list[str | float], step: Step, uid: str, **attributes: object) -> list[Element]:
    """Return an area filled with a heat step; the last step carries its pattern as well."""
    area = [path(d, **{"fill": step.fill, "stroke": INK, "stroke_width": 0.8, **attributes})]
    if step.patterned:
        area.append(path(d, fill=f"url(#{uid}-hot)", stroke="none"))
    return area


def heat_plate(x: float, y: float, width: float, height: float, step: Step) -> list[Element]:
    """Return a plate in the colour of a heat step for a number; the last has a double rim."""
    plate = [rect(x, y, width, height, fill=step.fill, stroke=INK, stroke_width=1)]
    if step.patterned:
        plate.append(
            rect(
                x + 2, y + 2, width - 4, height - 4, stroke=step.text, stroke_width=1, class_="rim"
            )
        )
    return plate


def sheet(
    uid: str,
    width: float,
    height: float,
    title: str,
    description: str,
    body: Iterable[Element],
    lettering: Lettering,
    *,
    defs: Iterable[Element] = (),
    linked: bool = False,
) -> Drawing:
    """Return the finished drawing with its title and description.

    Parameters
    ----------
    uid : str
        Prefix of every id inside, unique on the page: small letters, digits and hyphens.
    linked : bool
        Whether parts of the drawing are links; it is then a group and not one image.

    Raises
    ------
    ValueError
        When ``uid`` is not fit for an id.
    """
    if not _UID.fullmatch(uid):
        raise ValueError(f"a drawing's uid is small letters, digits and hyphens, not {uid!r}")
    definitions = list(defs)
    root = el(
        "svg",
        el("title", title, id=f"{uid}-title"),
        el("desc", description, id=f"{uid}-desc"),
        el("defs", *definitions) if definitions else None,
        *body,
        *lettering.elements,
        xmlns="http://www.w3.org/2000/svg",
        class_="drawing",
        view_box=f"0 0 {number(width)} {number(height)}",
        width=width,
        height=height,
        role="group" if linked else "img",
        aria_labelledby=f"{uid}-title",
        aria_describedby=f"{uid}-desc",
        font_family=SANS,
        font_size=13,
        fill=INK,
    )
    return Drawing(tostring(root, encoding="unicode"), width, height, tuple(lettering.boxes))
