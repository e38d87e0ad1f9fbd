"""From a specification to accessible SVG.

Drawn charts are kept by content in the cache ``charts``, so that the same figures are drawn once.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final
from xml.etree.ElementTree import Element, fromstring, register_namespace, tostring

from django.core.cache import caches
from django.utils.safestring import mark_safe

from heapwright.web.drawing.svg import clean

Spec = dict[str, Any]
_SVG: Final = "http://www.w3.org/2000/svg"
_ENGINE: Final = "5.20"
register_namespace("", _SVG)


@dataclass(frozen=True, slots=True)
class Chart:
    """A drawn chart and the same figures as a table: column heads and rows."""

    svg: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def __str__(self) -> str:
        """Return the SVG, marked so that templates set it in without escaping it again."""
        return mark_safe(self.svg)  # built by ElementTree, which escaped every text in it


def draw(spec: Spec, *, uid: str, title: str, description: str) -> str:
    """Return a specification as accessible SVG, with a title and a description."""
    return _labelled(json.dumps(spec, sort_keys=True), uid, title, description)


@lru_cache(maxsize=256)
def _labelled(spec: str, uid: str, title: str, description: str) -> str:
    root = fromstring(_drawn(spec))
    for node in root.iter():
        for name in [name for name in node.attrib if name == "role" or name.startswith("aria-")]:
            del node.attrib[name]
    root.set("role", "img")
    root.set("class", "chart")
    root.set("aria-labelledby", f"{uid}-title")
    root.set("aria-describedby", f"{uid}-desc")
    for position, (tag, text) in enumerate((("title", title), ("desc", description))):
        node = Element(f"{{{_SVG}}}{tag}", {"id": f"{uid}-{tag}"})
        node.text = clean(text)
        root.insert(position, node)
    return tostring(root, encoding="unicode")


def _drawn(spec: str) -> str:
    """Return what the engine makes of a specification, kept with the records once drawn."""
    key = hashlib.sha256(f"{_ENGINE} {spec}".encode()).hexdigest()
    kept: str | None = caches["charts"].get(key)
    if kept is not None:
        return kept
    import vl_convert  # takes a third of a second to start its engine: only when a chart is drawn

    svg: str = vl_convert.vegalite_to_svg(spec, vl_version=_ENGINE)
    caches["charts"].set(key, svg)
    return svg
