"""The cut-away of a heap: what lies in it layer by layer, how hot it is, where it was probed.

The section is to scale, both ways alike. Layers are drawn as they were built, each with the
hatch of its category and an area in proportion to its volume. A heap that was turned since is
drawn mixed: marks of every category, as many as its share. Asked for its modelled heat, the
drawing shows zones in the five steps instead and keeps the layers as thin lines.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal
from xml.etree.ElementTree import Element

from heapwright.units import M_PER_FOOT, M_PER_INCH
from heapwright.web.drawing.frame import Frame, Path, below
from heapwright.web.drawing.hatch import (
    CATEGORIES,
    CATEGORY_WORDS,
    Category,
    hatch,
    mixed_hatch,
)
from heapwright.web.drawing.key import flow, hatch_swatch
from heapwright.web.drawing.labels import Box, fit, free, spread, text_width, wrap
from heapwright.web.drawing.places import COVER_WORDS, Cover, LengthUnit, length
from heapwright.web.drawing.svg import (
    EARTH,
    INK,
    PAPER,
    SOFT,
    WASH,
    Drawing,
    Lettering,
    el,
    heat_area,
    heat_plate,
    hot_pattern,
    line,
    path,
    rect,
    sheet,
)
from heapwright.web.heat import TempUnit, degrees, step_of, with_unit

Shape = Literal["bay", "windrow", "cone", "vessel"]

_SCALE_PX = 47.0  # room for the height scale
_PIN_PX = 58.0  # room for one row of probe readings above the crown
_TALLEST_PX = 290.0  # so that a laptop shows it whole
_TYPE_PX = 13.0
_LABEL_PX = 12.5
_LIST_PX = 26.0  # from the corner of a swatch to its words


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer as built; layers are given from the ground up."""

    name: str
    category: Category
    volume_m3: float


@dataclass(frozen=True, slots=True)
class Probe:
    """A probed point: ``across`` from 0 (left) to 1, ``depth_m`` below the surface there."""

    number: int
    across: float
    depth_m: float
    temp_c: float | None


@dataclass(frozen=True, slots=True)
class HeatZone:
    """A modelled zone, given from the outside in; ``share`` of the section's area."""

    name: str
    temp_c: float
    share: float


@dataclass(frozen=True, slots=True)
class Section:
    """A heap to cut open. ``wall_m`` is the height of its walls, 0 where it stands free.

    ``mixed`` tells that it was turned since its layers were laid.
    """

    code: str
    shape: Shape
    width_m: float
    height_m: float
    wall_m: float = 0.0
    cover: Cover = "open"
    layers: tuple[Layer, ...] = ()
    probes: tuple[Probe, ...] = ()
    mixed: bool = False


def heap_section(
    section: Section,
    *,
    uid: str,
    width_px: float = 328,
    heat: Sequence[HeatZone] = (),
    temp_unit: TempUnit = "C",
    length_unit: LengthUnit = "m",
) -> Drawing:
    """Draw a heap cut open, ``width_px`` wide.

    Parameters
    ----------
    heat : sequence of HeatZone
        Modelled zones from the outside in. When given, they fill the section in place of the
        hatches, and the drawing says that they are modelled.

    Raises
    ------
    ValueError
        When the heap has no width or height, or the zones' shares do not add up to 1.
    """
    if section.width_m <= 0 or section.height_m <= 0:
        raise ValueError(f"heap {section.code} needs a width and a height to be drawn")
    if heat and abs(sum(zone.share for zone in heat) - 1) > 0.01:
        raise ValueError("the shares of the heat zones must add up to 1")
    column = min(max(width_px * 0.4, 112.0), 240.0)
    room = width_px - _SCALE_PX - column - 14
    tall_m = max(section.height_m, section.wall_m)
    scale = min(room / section.width_m, min(max(width_px * 0.62, 150), _TALLEST_PX) / tall_m)
    pins = _pin_rows(section, width_px, temp_unit)
    top = 10 + len(pins) * 24 + (_PIN_PX - 34 if pins else 8)
    base = top + max(section.height_m, section.wall_m) * scale + 8
    frame = Frame(
        _SCALE_PX + (room - section.width_m * scale) / 2, base, scale, section.width_m,
        section.height_m, section.wall_m > 0 and section.shape in ("bay", "vessel"),
    )  # fmt: skip
    lettering = Lettering()
    body: list[Element] = []
    if heat:
        body += _zones(frame, heat, uid)
        levels = () if section.mixed else _shares(section.layers)[1:-1]
        body += [path(frame.level(share), stroke=PAPER, stroke_width=0.8, opacity=0.6)
                 for share in levels]  # fmt: skip
    elif section.mixed and section.layers:
        body.append(path(frame.outline(), fill=WASH, stroke="none"))
        body.append(path(frame.outline(), fill=f"url(#{uid}-mixed)", stroke="none"))
    else:
        body += _layers(frame, section.layers, uid)
    body.append(path(frame.outline(), stroke_width=1.8))
    body += _walls(frame, section)
    body += _lid(frame, section.cover, base - tall_m * scale)
    body += _scale(frame, tall_m, length_unit, lettering)
    body += _ground(frame, width_px)
    labels_x = frame.x1 + 26
    if heat:
        more, foot = _zone_labels(frame, heat, labels_x, width_px, lettering, temp_unit)
    else:
        more, foot = _layer_labels(frame, section, labels_x, width_px, lettering, length_unit, uid)
    body += more
    left_out: list[str] = []
    body += _pins(frame, section, pins, lettering, temp_unit, width_px, left_out)
    foot = max(foot, base + 10)
    size_words = (
        f"{length(section.width_m, length_unit)} wide, {length(section.height_m, length_unit)} high"
    )
    if heat:
        size_words += "; heat as modelled, not measured"
    if left_out:
        size_words += f"; too close together to number inside: {', '.join(left_out)}"
    for text in wrap(size_words, width_px - 4, _TYPE_PX):
        foot += _TYPE_PX * 1.35
        lettering.write(2, foot, text, size=_TYPE_PX, fill=SOFT)
    foot += 8
    used = [c for c in CATEGORIES if any(layer.category == c for layer in section.layers)]
    if used and not heat:
        key, foot = flow(
            [(hatch_swatch(c, uid), CATEGORY_WORDS[c]) for c in used], 2, foot, width_px - 4,
            lettering,
        )  # fmt: skip
        body += key
    return sheet(
        uid, width_px, foot + 2, f"Section through {section.code}",
        _describe(section, heat, temp_unit, length_unit), body, lettering,
        defs=[
            hot_pattern(uid), *(hatch(c, uid) for c in used),
            *([mixed_hatch(_by_category(section.layers), uid)] if section.mixed and used else []),
        ],
    )  # fmt: skip


def _by_category(layers: Sequence[Layer]) -> dict[Category, float]:
    """Return the volume of each category."""
    found: dict[Category, float] = {}
    for layer in layers:
        found[layer.category] = found.get(layer.category, 0.0) + layer.volume_m3
    return found


def _shares(layers: Sequence[Layer]) -> list[float]:
    """Return the cumulated shares of the layers' volumes, from 0 to 1."""
    total = sum(layer.volume_m3 for layer in layers)
    shares, below = [0.0], 0.0
    for layer in layers:
        below += layer.volume_m3
        shares.append(below / total if total > 0 else 0.0)
    return shares


def _layers(frame: Frame, layers: Sequence[Layer], uid: str) -> list[Element]:
    """Return the layers from the top down, each drawn over all that lies below it."""
    parts: list[Element] = [path(frame.outline(), fill=WASH, stroke="none")]
    shares = _shares(layers)
    for layer, share in reversed(list(zip(layers, shares[1:], strict=True))):
        d = below(frame, share)
        parts.append(path(d, fill=PAPER, stroke=INK, stroke_width=0.9))
        parts.append(path(d, fill=f"url(#{uid}-{layer.category})", stroke="none"))
    return parts


def _zones(frame: Frame, heat: Sequence[HeatZone], uid: str) -> list[Element]:
    parts: list[Element] = []
    inside = 1.0
    for zone in heat:
        parts += heat_area(frame.isotherm(inside), step_of(zone.temp_c), uid)
        inside = max(inside - zone.share, 0.0)
    return parts


def _walls(frame: Frame, section: Section) -> list[Element]:
    """Return the walls cut through: boards end-on beside a bay, a shell around a vessel."""
    if section.wall_m <= 0:
        return []
    top = frame.base - section.wall_m * frame.scale
    if not frame.walled:
        return []
    if section.shape == "vessel":
        return [rect(frame.x0 - 3, top - 4, frame.x1 - frame.x0 + 6, frame.base - top + 4, rx=10,
                     stroke_width=3)]  # fmt: skip
    parts: list[Element] = []
    boards = max(int((frame.base - top) // 17), 3)
    pitch = (frame.base - top) / boards
    for x in (frame.x0 - 7, frame.x1 + 2):
        for board in range(boards):
            parts.append(
                rect(x, top + pitch * board, 5, pitch * 0.74, fill=EARTH, stroke_width=1.1)
            )
    return parts


def _lid(frame: Frame, cover: Cover, top: float) -> list[Element]:
    if cover == "open":
        return []
    left, right = frame.surface(0.0), frame.surface(1.0)
    middle = (frame.x0 + frame.x1) / 2
    if cover == "roof":
        d: Path = ["M", frame.x0 - 14, top - 1, "L", middle, top - 10, "L", frame.x1 + 14, top - 1]
        return [path(d, stroke_width=2.4)]
    control = 2 * (frame.crest - 7) - (left - 7)
    d = [
        *("M", frame.x0 - 11, left + 14, "L", frame.x0 - 9, left - 5),
        *("Q", middle, control, frame.x1 + 9, right - 5, "L", frame.x1 + 11, right + 14),
    ]
    dash = "8 4" if cover == "tarp" else "1.5 4"
    return [path(d, stroke_width=2.2, stroke_dasharray=dash, stroke_linecap="round")]


def _scale(frame: Frame, tall_m: float, unit: LengthUnit, lettering: Lettering) -> list[Element]:
    """Return the height scale at the left: a staff with ticks and their heights."""
    per_unit = frame.scale if unit == "m" else frame.scale * M_PER_FOOT
    steps = (0.5, 1.0, 2.0, 5.0) if unit == "m" else (1.0, 2.0, 5.0, 10.0)
    step = next((s for s in steps if s * per_unit >= 22), steps[-1])
    x = frame.x0 - 16
    high = tall_m * frame.scale
    parts = [line(x, frame.base, x, frame.base - high, stroke_width=1)]
    for i in range(int(high / (step * per_unit) + 1e-6) + 1):
        y = frame.base - i * step * per_unit
        parts.append(line(x - 4, y, x, y, stroke_width=1))
        text = f"{i * step:g}" if i else f"0 {unit}"
        lettering.write(x - 7, y + 4, text, size=12, anchor="end", fill=SOFT)
    return parts


def _ground(frame: Frame, width_px: float) -> list[Element]:
    right = min(frame.x1 + 20, width_px)
    ticks: Path = []
    x = frame.x0 - 20
    while x < right - 4:
        ticks += ["M", x + 5, frame.base + 1, "l", -4, 5]
        x += 9
    return [
        line(frame.x0 - 20, frame.base, right, frame.base, stroke_width=2),
        path(ticks, stroke=SOFT, stroke_width=0.9),
    ]


def _pin_rows(section: Section, width_px: float, unit: TempUnit) -> list[list[Probe]]:
    """Return the probes in as many rows of readings as the width asks for."""
    rows: list[list[Probe]] = []
    used = width_px
    for probe in sorted(section.probes, key=lambda p: (p.across, p.number)):
        needed = _plate_px(probe, unit) + 4
        if used + needed > width_px - 4:
            rows.append([])
            used = 0.0
        rows[-1].append(probe)
        used += needed
    return rows


def _plate_text(probe: Probe, unit: TempUnit) -> str:
    return "?" if probe.temp_c is None else degrees(probe.temp_c, unit)


def _plate_px(probe: Probe, unit: TempUnit) -> float:
    return text_width(_plate_text(probe, unit), 15, bold=True) + 8 + _number_px(probe)


def _number_px(probe: Probe) -> float:
    return text_width(str(probe.number), 12, bold=True) + 6


def _pins(
    frame: Frame,
    section: Section,
    rows: Sequence[Sequence[Probe]],
    lettering: Lettering,
    unit: TempUnit,
    width_px: float,
    left_out: list[str],
) -> list[Element]:
    """Return the probes as pins: a plate with number and reading, a shaft, a numbered point."""
    shafts: list[Element] = []
    plates: list[Element] = []
    points: dict[int, tuple[float, float]] = {}
    dots: list[Box] = []
    for index, probe in enumerate(section.probes):
        x = frame.x0 + probe.across * (frame.x1 - frame.x0)
        y = min(frame.surface(probe.across) + probe.depth_m * frame.scale, frame.base - 4)
        points[index] = (x, y)
        dots.append(Box(x - 4, y - 4, x + 4, y + 4))
    where = {id(probe): index for index, probe in enumerate(section.probes)}
    for row, probes in enumerate(rows):
        y = 8 + row * 24
        widths = [_plate_px(probe, unit) for probe in probes]
        wanted = [points[where[id(probe)]][0] for probe in probes]
        for probe, width, x in zip(
            probes, widths, spread(wanted, widths, 2, width_px - 2, 4), strict=True
        ):
            px, py = points[where[id(probe)]]
            bend = min(frame.surface(probe.across), frame.crest + 4) - 12
            # One row of plates is led to its points; more rows would tangle, so numbers serve.
            lead: Path = ["M", x, y + 20, "L"] if len(rows) == 1 else ["M"]
            d: Path = [*lead, px, max(bend, y + 22), "V", py]
            shafts.append(path(d, stroke=PAPER, stroke_width=4))
            shafts.append(path(d, stroke_width=1.6))
            shafts.append(el("circle", cx=px, cy=py, r=3.4, fill=PAPER, stroke=INK,
                             stroke_width=1.6))  # fmt: skip
            left, own = x - width / 2, str(probe.number)
            cell = _number_px(probe)
            plates.append(rect(left, y, cell, 20, fill=PAPER, stroke_width=1))
            lettering.write(left + cell / 2, y + 14.6, own, size=12, bold=True, anchor="middle",
                            label=False)  # fmt: skip
            step = None if probe.temp_c is None else step_of(probe.temp_c)
            if step is None:
                plates.append(rect(left + cell, y, width - cell, 20, fill=PAPER, stroke_width=1,
                                   stroke_dasharray="2 2"))  # fmt: skip
            else:
                plates += heat_plate(left + cell, y, width - cell, 20, step)
            text = _plate_text(probe, unit)
            lettering.boxes.append(Box(left, y, left + width, y + 20, f"{own}: {text}"))
            lettering.write(left + (cell + width) / 2, y + 15.4, text, size=15, bold=True,
                            anchor="middle", on=step, label=False)  # fmt: skip
    within = Box(frame.x0 - 4, 8 + len(rows) * 24, frame.x1 + 4, frame.base + 4)
    tags: list[Element] = []
    for index, probe in enumerate(section.probes):
        tag = _tag(str(probe.number), points[index], within, dots, lettering)
        if tag is None:
            left_out.append(str(probe.number))
        tags += tag or []
    return [*shafts, *plates, *tags]


def _tag(
    text: str, point: tuple[float, float], within: Box, dots: list[Box], lettering: Lettering
) -> list[Element] | None:
    """Return the number of a probed point on a small plate at the nearest free spot, if any."""
    x, y = point
    width = text_width(text, 12, bold=True) + 6
    taken = [*lettering.boxes, *dots]
    spots = [
        (x + side * (7 + reach) - (width if side < 0 else 0), y - 8 + drop)
        for reach in (0, 10, 22, 36, 52)
        for drop in (0, 12, -12, 24, -24, 40, -40, 60, -60)
        for side in (1, -1)
    ]
    for left, top in spots:
        box = Box(left, top, left + width, top + 16, text)
        if free(box, within, taken, 1):
            lettering.boxes.append(box)
            lettering.write(left + width / 2, top + 12.4, text, size=12, bold=True,
                            anchor="middle", label=False)  # fmt: skip
            plate = rect(left, top, width, 16, rx=2, fill=PAPER, stroke_width=0.9)
            far = abs(top + 8 - y) > 10 or min(abs(left - x), abs(left + width - x)) > 9
            lead = line(x, y, left + width / 2, top + 8, stroke_width=0.9)
            return [lead, plate] if far else [plate]
    return None


def _layer_labels(
    frame: Frame,
    section: Section,
    x: float,
    width_px: float,
    lettering: Lettering,
    unit: LengthUnit,
    uid: str,
) -> tuple[list[Element], float]:
    """Name the layers beside the section, each led to its body where all of them find room.

    Of a mixed heap, and of more layers than fit, the materials are listed with their hatch.
    """
    thick = _thick_m(frame, section)
    if section.mixed:
        return _list(_shares_listed(section.layers), frame, x, width_px, lettering, uid)
    shares = _shares(section.layers)
    texts = [
        wrap(f"{layer.name} {_thickness(thick_m, unit)}", width_px - x - 2, _LABEL_PX)[:3]
        for layer, thick_m in zip(section.layers, thick, strict=True)
    ]
    anchors = [
        frame.right_edge((shares[i] + shares[i + 1]) / 2) for i in range(len(section.layers))
    ]
    needed = sum(len(lines) * _LABEL_PX * 1.2 + 4 for lines in texts)
    if needed > frame.base - frame.crest + 40 and len(section.layers) > 4:
        items = _layers_listed(section.layers, thick, unit)
        return _list(items, frame, x, width_px, lettering, uid)
    return _side_labels(texts, anchors, frame, x, lettering)


def _thick_m(frame: Frame, section: Section) -> list[float]:
    """Return how thick each layer lies in the middle of the heap."""
    shares, high_m = _shares(section.layers), section.height_m
    if frame.walled:
        return [high_m * (above - under) for under, above in pairwise(shares)]
    return [
        high_m * ((1 - under) ** (2 / 3) - max(1 - above, 0.0) ** (2 / 3))
        for under, above in pairwise(shares)
    ]


_Listed = tuple[Category, str]  # the hatch, and what is to be said


def _shares_listed(layers: Sequence[Layer]) -> list[_Listed]:
    """Return each material with its share of the volume, the largest first."""
    volumes: dict[tuple[Category, str], float] = {}
    for layer in layers:
        key = (layer.category, layer.name)
        volumes[key] = volumes.get(key, 0.0) + layer.volume_m3
    total = sum(volumes.values()) or 1.0
    return [
        (category, f"{max(round(100 * volume / total), 1)}\u00a0% {name}")
        for (category, name), volume in sorted(volumes.items(), key=lambda item: -item[1])
    ]


def _layers_listed(
    layers: Sequence[Layer], thick_m: Sequence[float], unit: LengthUnit
) -> list[_Listed]:
    """Return each material with how thick it lies in all its layers, the thickest first."""
    found: dict[tuple[Category, str], list[float]] = {}
    for layer, thick in zip(layers, thick_m, strict=True):
        found.setdefault((layer.category, layer.name), []).append(thick)
    return [
        (
            category,
            f"{name} {_thickness(sum(thick), unit)}"
            + (f", {len(thick)}\u00a0layers" if len(thick) > 1 else ""),
        )
        for (category, name), thick in sorted(found.items(), key=lambda item: -sum(item[1]))
    ]


def _list(
    items: Sequence[_Listed],
    frame: Frame,
    x: float,
    width_px: float,
    lettering: Lettering,
    uid: str,
) -> tuple[list[Element], float]:
    """List materials beside the section with swatch, amount and name; return the foot."""
    pitch = _LABEL_PX * 1.2
    parts: list[Element] = []
    y, most = frame.crest - 10, frame.base + 2 * pitch
    for index, (category, words) in enumerate(items):
        room = width_px - x - _LIST_PX - 2
        lines = wrap(words, room, _LABEL_PX)
        if len(lines) > 4:
            lines = [*lines[:3], fit(f"{lines[3]} {lines[4]}", room, _LABEL_PX)]
        if y + pitch * (len(lines) + 1) > most and index < len(items) - 1:
            left = len(items) - index
            lettering.write(x + _LIST_PX, y + pitch * 0.8, f"and {left} more", size=_LABEL_PX,
                            fill=SOFT)  # fmt: skip
            return parts, y + pitch
        parts += hatch_swatch(category, uid)(x, y)
        for row, text in enumerate(lines):
            lettering.write(x + _LIST_PX, y + row * pitch + _LABEL_PX * 0.9, text, size=_LABEL_PX)
        y += len(lines) * pitch + 5
    return parts, max(y, frame.base)


def _thickness(value_m: float, unit: LengthUnit) -> str:
    if unit == "ft":
        return f"{max(round(value_m / M_PER_INCH), 1)}\u00a0in"
    return f"{max(round(value_m * 100), 1)}\u00a0cm"


def _side_labels(
    texts: Sequence[Sequence[str]],
    anchors: Sequence[tuple[float, float]],
    frame: Frame,
    x: float,
    lettering: Lettering,
) -> tuple[list[Element], float]:
    """Write labels beside the section, each led to its anchor; return the leads and the foot."""
    pitch = _LABEL_PX * 1.2
    sizes = [len(lines) * pitch for lines in texts]
    low = frame.crest - 12
    high = max(frame.base + 10, low + sum(sizes) + 4 * len(sizes))
    centres = spread([y for _, y in anchors], sizes, low, high, 3)
    leads = []
    for lines, size, (ax, ay), centre in zip(texts, sizes, anchors, centres, strict=True):
        bend = frame.x1 + 10
        leads.append(
            path(["M", ax + 1, ay, "H", bend, "L", x - 4, centre],
                 stroke=SOFT, stroke_width=0.9)
        )  # fmt: skip
        top = centre - size / 2
        for row, text in enumerate(lines):
            lettering.write(x, top + row * pitch + _LABEL_PX * 0.95, text, size=_LABEL_PX)
    foot = max((c + s / 2 for c, s in zip(centres, sizes, strict=True)), default=frame.base)
    return leads, foot


def _zone_labels(
    frame: Frame,
    heat: Sequence[HeatZone],
    x: float,
    width_px: float,
    lettering: Lettering,
    unit: TempUnit,
) -> tuple[list[Element], float]:
    """Write each zone's temperature and name beside the section, led to the zone's body."""
    inside = 1.0
    anchors = []
    for i, zone in enumerate(heat):
        inner = max(inside - zone.share, 0.0)
        k = (math.sqrt(inside) + math.sqrt(inner)) / 2
        angle = -0.5 * (1 - (i + 1) / len(heat))  # from the shoulder down to the middle
        anchors.append(frame.at(angle, frame.ray(angle) * k))
        inside = inner
    size = 22.0
    centres = spread([y for _, y in anchors], [size] * len(heat), frame.crest - 8,
                     max(frame.base + 8, frame.crest + len(heat) * 26), 3)  # fmt: skip
    parts: list[Element] = []
    for zone, (ax, ay), y in zip(heat, anchors, centres, strict=True):
        step, text = step_of(zone.temp_c), degrees(zone.temp_c, unit)
        width = text_width(text, 15, bold=True) + 10
        d: Path = ["M", ax, ay, "L", frame.x1 + 10, y, "H", x]
        parts += [path(d, stroke=PAPER, stroke_width=3.2), path(d, stroke_width=1.1)]
        parts.append(el("circle", cx=ax, cy=ay, r=3, fill=INK, stroke=PAPER, stroke_width=1.2))
        parts += heat_plate(x, y - 10, width, 20, step)
        lettering.boxes.append(Box(x, y - 10, x + width, y + 10, text))
        lettering.write(x + width / 2, y + 5.4, text, size=15, bold=True, anchor="middle",
                        on=step, label=False)  # fmt: skip
        name = wrap(zone.name, width_px - x - width - 8, _TYPE_PX)[:1]
        for word in name:
            lettering.write(x + width + 6, y + 4.6, word, size=_TYPE_PX)
    return parts, max((y + 12 for y in centres), default=frame.base)


def _describe(
    section: Section, heat: Sequence[HeatZone], temp_unit: TempUnit, length_unit: LengthUnit
) -> str:
    parts = [
        f"{section.shape.capitalize()}, {length(section.width_m, length_unit)} wide, "
        f"{length(section.height_m, length_unit)} high, {COVER_WORDS[section.cover]}."
    ]
    if section.layers:
        if section.mixed:
            made = ", ".join(
                f"{words} ({category})" for category, words in _shares_listed(section.layers)
            )
            parts.append(f"Turned and mixed since it was laid: {made}.")
        else:
            names = ", ".join(f"{layer.name} ({layer.category})" for layer in section.layers)
            parts.append(f"Layers from the ground up: {names}.")
    for probe in section.probes:
        heat_words = "not read" if probe.temp_c is None else with_unit(probe.temp_c, temp_unit)
        parts.append(f"Point {probe.number}: {heat_words}.")
    if heat:
        zones = ", ".join(f"{zone.name} {with_unit(zone.temp_c, temp_unit)}" for zone in heat)
        parts.append(f"Modelled, not measured: {zones}.")
    return " ".join(parts)
