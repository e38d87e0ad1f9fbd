"""What past piles teach: closed cases of the hierarchical prior, and its place in forecasts."""

from __future__ import annotations

import numpy as np
import pytest
from docs.assimilation_twins import CLASSES, FACTS, twin

from heapwright.errors import InputError
from heapwright.science.assimilate import assimilate
from heapwright.science.assimilate_prior import Learned, SitePrior, library_prior, site_prior
from heapwright.science.assimilate_vector import CARRIED
from heapwright.science.pile_forecast import forecast

COUNT = len(CARRIED)
EYE = np.eye(COUNT)
ZERO = np.zeros(COUNT)


def taught(mean, variance=0.1, *, prior_mean=ZERO, prior=EYE):
    """A pile whose readings alone told ``mean`` with ``variance`` about every figure."""
    told = EYE / variance
    posterior = np.linalg.inv(np.linalg.inv(prior) + told)
    middle = posterior @ (np.linalg.solve(prior, prior_mean) + told @ (mean * np.ones(COUNT)))
    return Learned(CARRIED, middle, posterior, prior_mean, prior, 50)


def test_no_piles_leave_the_library():
    prior = site_prior([])
    assert prior.piles == 0
    np.testing.assert_array_equal(prior.mean, ZERO)
    assert np.all(np.diag(prior.covariance) >= 0.9)
    np.testing.assert_array_equal(library_prior().covariance, EYE)


def test_more_piles_alike_move_the_middle_and_narrow_it():
    found = [site_prior([taught(1.0)] * n) for n in (1, 3, 10)]
    means = [float(one.mean.mean()) for one in found]
    assert 0.0 < means[0] < means[1] < means[2] < 1.0
    widths = [float(np.diag(one.covariance).mean()) for one in found]
    assert widths[0] > widths[1] > widths[2] >= 0.4
    assert found[2].pile_variance < found[0].pile_variance


def test_piles_that_differ_widen_what_is_expected_of_the_next():
    rng = np.random.default_rng(5)
    alike = site_prior([taught(rng.normal(0, 0.4, COUNT)) for _ in range(8)])
    unlike = site_prior([taught(rng.normal(0, 1.2, COUNT)) for _ in range(8)])
    assert unlike.pile_variance > alike.pile_variance + 0.1


def test_one_pile_agrees_with_the_closed_form():
    # With site variance s and pile variance t fixed, the mean is s / (s + t + v) of what was told.
    prior = site_prior([taught(1.0, 0.1)])
    low, high = 0.05 / (0.05 + 1.0 + 0.1), 0.8 / (0.8 + 0.4 + 0.1)
    assert np.all((prior.mean > low) & (prior.mean < high))
    np.testing.assert_allclose(prior.mean, prior.mean[0])


def test_what_the_prior_brought_in_is_not_counted_again():
    plain = site_prior([taught(0.8)])
    again = site_prior([taught(0.8, prior_mean=0.5 * np.ones(COUNT), prior=0.7 * EYE)])
    np.testing.assert_allclose(again.mean, plain.mean, rtol=1e-6)
    np.testing.assert_allclose(again.covariance, plain.covariance, rtol=1e-6)


def test_a_pile_that_told_nothing_changes_nothing():
    silent = Learned(CARRIED, 0.05 * np.ones(COUNT), 0.995 * EYE, ZERO, EYE, 1)
    np.testing.assert_allclose(site_prior([silent]).mean, ZERO, atol=0.01)


def test_order_of_piles_does_not_matter():
    rng = np.random.default_rng(6)
    piles = [taught(rng.normal(0, 0.7, COUNT)) for _ in range(4)]
    np.testing.assert_allclose(site_prior(piles).mean, site_prior(piles[::-1]).mean)


def test_other_figures_are_refused():
    other = Learned(("x",), np.zeros(1), np.eye(1), np.zeros(1), np.eye(1), 3)
    with pytest.raises(InputError, match="same figures"):
        site_prior([taught(0.0), other])


def test_plain_and_corrected_forecasts_take_a_prior():
    one = twin(5, foreign=False)
    mean = ZERO.copy()
    mean[CARRIED.index("t_max_c")] = 1.5
    hot = SitePrior(CARRIED, mean, 0.5 * EYE, 4, 0.5, 0.5)
    options = {"days": 9, "members": 80, "seed": 3}
    plain = forecast(one.plan, one.weather, FACTS, CLASSES, **options)
    moved = forecast(one.plan, one.weather, FACTS, CLASSES, prior=hot, **options)
    assert moved.peak_temp_c.p50 > plain.peak_temp_c.p50 + 0.5
    empty = site_prior([])
    same = forecast(one.plan, one.weather, FACTS, CLASSES, prior=empty, **options)
    np.testing.assert_array_equal(same.core_temp_c.p50, plain.core_temp_c.p50)
    without = assimilate(one.plan, one.weather, FACTS, CLASSES, [], prior=hot, **options)
    np.testing.assert_array_equal(without.forecast.core_temp_c.p50, moved.core_temp_c.p50)
    read = assimilate(
        one.plan, one.weather, FACTS, CLASSES, one.before(3), prior=hot, **options
    ).learned
    assert read.prior_mean[CARRIED.index("t_max_c")] > 1.0
