"""Parameters of the pile model: what they are, and drawing an ensemble of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from heapwright.errors import InputError
from heapwright.science.materials import Mark, Span

Array = npt.NDArray[np.float64]
Parameters = Mapping[str, Array]
"""One array of shape (members,) a parameter id."""

Z95: Final = 1.6448536269514722


@dataclass(frozen=True, slots=True)
class ParameterFact:
    """A row of ``data/pile.csv``: a parameter with its values and where they come from.

    ``prototype`` is the value of the first published-bounds check, kept so that its curves can
    be reproduced; ``typical`` the value in use. A parameter without ``low`` and ``high`` is the
    same for every member.
    """

    id: str
    unit: str
    prototype: float
    typical: float
    low: float | None
    high: float | None
    sources: tuple[str, ...]
    mark: Mark
    note: str = ""


def fixed(
    facts: Mapping[str, ParameterFact],
    members: int = 1,
    *,
    prototype: bool = False,
    **given: float,
) -> dict[str, Array]:
    """Return every parameter at its typical (or prototype) value, but for those ``given``.

    Raises
    ------
    InputError
        If a given name is no parameter.
    """
    unknown = set(given) - set(facts)
    if unknown:
        raise InputError(f"{', '.join(sorted(unknown))} is no parameter of the pile model")
    return {
        key: np.full(members, given.get(key, fact.prototype if prototype else fact.typical))
        for key, fact in facts.items()
    }


def two_piece(typical: float, low: float, high: float, uniform: Array) -> Array:
    """Return draws with median ``typical`` and ``low``, ``high`` as 5th and 95th percentile.

    ``uniform`` are numbers from 0 to 1. Draws beyond the range are held at its ends: a
    calibration range is a range, not a suggestion.
    """
    from scipy.special import ndtri

    z = np.clip(ndtri(np.clip(uniform, 1e-9, 1.0 - 1e-9)) / Z95, -1.0, 1.0)
    drawn: Array = typical + np.where(z < 0.0, (typical - low) * z, (high - typical) * z)
    return drawn


def stratified(rng: np.random.Generator, members: int) -> Array:
    """Return ``members`` numbers, one in each of as many equal parts of 0 to 1, shuffled."""
    return (rng.permutation(members) + rng.random(members)) / members


def draw_span(span: Span, rng: np.random.Generator, members: int) -> Array:
    """Return draws of a material's figure over its range."""
    low, high = min(span.low, span.typical), max(span.high, span.typical)
    return two_piece(span.typical, low, high, stratified(rng, members))


def draw(
    facts: Mapping[str, ParameterFact], members: int, rng: np.random.Generator
) -> dict[str, Array]:
    """Return an ensemble of parameters over their calibration ranges.

    Each parameter is stratified on its own (Latin hypercube), so that few members already
    span the ranges.
    """
    drawn = {}
    for key, fact in facts.items():
        uniform = stratified(rng, members)
        if fact.low is None or fact.high is None:
            drawn[key] = np.full(members, fact.typical)
        else:
            drawn[key] = two_piece(fact.typical, fact.low, fact.high, uniform)
    return drawn
