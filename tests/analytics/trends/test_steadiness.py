"""The steadiness ratio against a hand-worked sequence and its distribution under noise."""

import numpy as np
import pytest
from scipy.signal import lfilter

from analytics.trends.steadiness import steadiness_ratio
from analytics.vocabulary.errors import EvaluationError

STEP = [10.0, 10.2, 9.9, 10.1, 10.0, 10.3, 11.0, 11.8, 12.5, 13.1, 13.4, 13.5, 13.4, 13.5]


def test_a_sequence_worked_by_hand():
    """Equations of Cao & Rhinehart, J. Process Control 5(6), 1995 (from memory), by hand."""
    ratio = steadiness_ratio(STEP, noise_sd=0.1)
    assert np.isnan(ratio[0])
    np.testing.assert_allclose(
        ratio[1:9],
        [1.14545, 0.91000, 0.83493, 0.81068, 0.99956, 2.30063, 4.34778, 7.01802],
        atol=1e-5,
    )
    assert ratio[13] == pytest.approx(20.13262, abs=1e-5)


@pytest.mark.parametrize(
    ("weights", "mean", "points"),
    [
        ((0.2, 0.1, 0.1), 1.039, {1: 0.711, 5: 0.771, 50: 1.000, 90: 1.314, 95: 1.437, 99: 1.725}),
        ((0.05, 0.05, 0.05), 1.023, {1: 0.746, 50: 0.999, 95: 1.324, 99: 1.521}),
        ((0.2, 0.2, 0.2), 1.078, {5: 0.700, 50: 0.995, 95: 1.737}),
    ],
)
def test_distribution_under_noise(weights, mean, points):
    """Own Monte Carlo of four million samples, made apart from this code."""
    noise = np.random.default_rng(8).standard_normal(400_000)
    ratio = steadiness_ratio(noise, 1.0, *weights)[500:]
    assert ratio.mean() == pytest.approx(mean, abs=0.02)
    for percent, expected in points.items():
        assert np.percentile(ratio, percent) == pytest.approx(expected, abs=0.03)


def test_autocorrelated_noise_raises_the_ratio():
    """First-order noise of 0.5: median 1.62, 95 % point 2.71."""
    noise = lfilter([1.0], [1.0, -0.5], np.random.default_rng(9).standard_normal(400_000))
    ratio = steadiness_ratio(noise, 1.0)[500:]
    assert np.median(ratio) == pytest.approx(1.62, abs=0.03)
    assert np.percentile(ratio, 95) == pytest.approx(2.71, abs=0.06)


@pytest.mark.parametrize(("slope", "expected"), [(0.25, 2.3333), (0.5, 5.8889), (1.0, 15.667)])
def test_a_ramp(slope, expected):
    """Ratio of expectations (2-a)(2/(2-a) + (s/a)^2)/(2 + s^2) by hand; here the ratio of sums."""
    by_formula = 1.8 * (2 / 1.8 + (slope / 0.2) ** 2) / (2 + slope**2)
    assert by_formula == pytest.approx(expected, abs=1e-3)
    ramp = slope * np.arange(400_000) + np.random.default_rng(2).standard_normal(400_000)
    # With weights near 0 both variances settle at their expectations.
    ratio = steadiness_ratio(ramp, 1.0, 0.2, 1e-4, 1e-4)
    assert np.median(ratio[200_000:]) == pytest.approx(by_formula, rel=0.02)


def test_a_gap_is_passed_over():
    ratio = steadiness_ratio(np.insert(STEP, 4, np.nan), noise_sd=0.1)
    assert np.isnan(ratio[4])
    np.testing.assert_allclose(np.delete(ratio, 4), steadiness_ratio(STEP, noise_sd=0.1))


def test_too_little_or_no_change():
    assert np.isnan(steadiness_ratio([1.0], 0.1)).all()
    assert np.isnan(steadiness_ratio([np.nan] * 4, 0.1)).all()
    assert np.isnan(steadiness_ratio([3.0] * 5, 0.0)).all()
    assert steadiness_ratio([], 0.1).size == 0
    with pytest.raises(EvaluationError, match="weights"):
        steadiness_ratio(STEP, 0.1, mean_weight=0.0)
