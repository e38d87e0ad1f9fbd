"""What past piles of a site teach about its next one: a prior over the merged figures.

A site's piles are alike in part: the same bays, materials, wind and hands. With x the vector of
:mod:`heapwright.science.assimilate_vector`, a site has a mean m ~ N(0, s² I) and each of its
piles x ~ N(m, t² I); what is known before any pile is s² + t² about 1. Each past pile told of
its x by its readings. Both variances are estimated from the piles together, on a grid with a
prior of their own, so that few piles leave the library's prior nearly as it was.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np
import numpy.typing as npt

from heapwright.errors import InputError
from heapwright.science.assimilate_vector import (
    CARRIED,
    Members,
    frame_of,
    members_at,
    vectors,
)
from heapwright.science.heap_shape import HeapShape
from heapwright.science.pile_parameters import ParameterFact

Array = npt.NDArray[np.float64]

SITE_VARIANCES: Final = (0.05, 0.15, 0.3, 0.5, 0.8)
PILE_VARIANCES: Final = (0.4, 0.55, 0.7, 0.85, 1.0)
SITE_MIDDLE: Final = 0.5
PILE_MIDDLE: Final = 0.65
VARIANCE_SPREAD: Final = 0.35
"""The two variances before any pile, within a factor of about 1.7. Together they are more than
the library's, and piles never count as more alike than the least: twins showed that a site
which trusts its past too much misses the next pile."""

LEAST_VARIANCE: Final = 0.02
"""No pile is known better than this share of what was not known before it."""

LEAST_NEWS: Final = 0.03
"""Along an axis that readings narrowed by less they said nothing; any shift is chance."""


@dataclass(frozen=True, slots=True, eq=False)
class Learned:
    """What one pile taught: its merged figures after its readings.

    ``mean`` (coordinates,) and ``covariance`` (coordinates, coordinates) are in standard scores
    (0 the library's middle, 1 its standard deviation); ``prior_mean`` and
    ``prior_covariance`` are what they were before its readings, so that what a site's prior
    brought in is not counted again as news.
    """

    names: tuple[str, ...]
    mean: Array
    covariance: Array
    prior_mean: Array
    prior_covariance: Array
    readings: int


@dataclass(frozen=True, slots=True, eq=False)
class SitePrior:
    """What to expect of the next pile: mean and covariance of its merged figures.

    ``piles`` is how many it rests on; ``site_variance`` and ``pile_variance`` are how much
    sites differ from each other and piles of this site among themselves, as estimated.
    """

    names: tuple[str, ...]
    mean: Array
    covariance: Array
    piles: int
    site_variance: float
    pile_variance: float


def site_prior(learned: Sequence[Learned]) -> SitePrior:
    """Return the prior of a site's next pile from what its past piles taught.

    Parameters
    ----------
    learned : sequence of Learned
        One a pile; none gives the library's prior.

    Raises
    ------
    InputError
        If the piles do not speak of the same figures.
    """
    names = learned[0].names if learned else CARRIED
    if any(one.names != names for one in learned):
        raise InputError("what past piles taught is not about the same figures")
    news = [_news(one) for one in learned]
    count = len(names)
    found = []
    for site, pile in product(SITE_VARIANCES, PILE_VARIANCES):
        mean, covariance, evidence = _given(news, site, pile, count)
        away = (np.log([site / SITE_MIDDLE, pile / PILE_MIDDLE]) / VARIANCE_SPREAD) ** 2
        found.append((evidence - 0.5 * float(away.sum()), site, pile, mean, covariance))
    score = np.array([one[0] for one in found])
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    mean = np.sum([w * one[3] for w, one in zip(weight, found, strict=True)], axis=0)
    spread = np.sum(
        [
            w * (one[4] + np.outer(one[3] - mean, one[3] - mean))
            for w, one in zip(weight, found, strict=True)
        ],
        axis=0,
    )
    return SitePrior(
        names=names,
        mean=mean,
        covariance=spread,
        piles=len(learned),
        site_variance=float(weight @ [one[1] for one in found]),
        pile_variance=float(weight @ [one[2] for one in found]),
    )


def _news(one: Learned) -> tuple[Array, Array]:
    """Return precision and precision times mean of what the readings alone said.

    The likelihood is posterior over prior; its precision is taken in the frame where the prior
    is round, where sampling noise that would make it negative is cut off.
    """
    root = np.linalg.cholesky(one.prior_covariance)
    inverse = np.linalg.inv(root)
    share, axes = np.linalg.eigh(inverse @ one.covariance @ inverse.T)
    share = np.clip(share, LEAST_VARIANCE, 1.0)
    moved = axes.T @ inverse @ (one.mean - one.prior_mean)
    back = inverse.T @ axes
    gain = 1.0 / share - 1.0
    precision = (back * gain) @ back.T
    seen = back @ np.where(gain > LEAST_NEWS, moved / share, 0.0)
    return precision, seen + precision @ one.prior_mean


def _given(
    news: Sequence[tuple[Array, Array]], site: float, pile: float, count: int
) -> tuple[Array, Array, float]:
    """Return mean and covariance of the next pile and the log evidence of two variances."""
    eye = np.eye(count)
    precision, pull, evidence = eye / site, np.zeros(count), 0.0
    for told, toward in news:
        blurred = np.linalg.inv(eye + pile * told)
        precision = precision + told @ blurred
        pull = pull + blurred.T @ toward
        evidence += 0.5 * np.linalg.slogdet(blurred)[1] + 0.5 * pile * float(
            toward @ blurred @ toward
        )
    covariance = np.linalg.inv(precision)
    mean = covariance @ pull
    evidence += 0.5 * np.linalg.slogdet(covariance / site)[1] + 0.5 * float(pull @ mean)
    spread = covariance + pile * eye
    return mean, (spread + spread.T) / 2.0, float(evidence)


def library_prior() -> SitePrior:
    """Return the prior of a site without past piles: middle and width of the library."""
    count = len(CARRIED)
    return SitePrior(CARRIED, np.zeros(count), np.eye(count), 0, 0.0, 1.0)


def with_prior(
    members: Members,
    facts: Mapping[str, ParameterFact],
    prior: SitePrior | None,
    shape: HeapShape,
) -> Members:
    """Return members moved from the library's prior to the site's; each keeps its own draw."""
    if prior is None or prior.piles == 0:
        return members
    frame = frame_of(members, facts, shape)
    x = vectors(frame, members)
    here = frame.at(prior.names)
    x[here] = prior.mean[:, None] + np.linalg.cholesky(prior.covariance) @ x[here]
    return members_at(frame, members, x)
