"""Control charts against the NIST handbook, and run lengths against published tables."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis.strategies import floats, integers, lists

from analytics.trends.control_charts import (
    average_run_length_cusum,
    average_run_length_ewma,
    ewma,
    ewma_limits,
    tabular_cusum,
)
from analytics.vocabulary.errors import EvaluationError

# NIST/SEMATECH e-Handbook, 6.3.2.3 (the last three from memory)
GROUPS = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
# NIST/SEMATECH e-Handbook, 6.3.2.4
SINGLES = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
SHIFTS = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0]


def test_cusum_of_the_handbook():
    """Handbook 6.3.2.3: k = 0.3175 and h = 4.1959 in the data's unit; first signal in group 14."""
    chart = tabular_cusum(GROUPS, 325.0, 0.3175, 4.1959)
    np.testing.assert_allclose(
        chart.high[12:],
        [3.0075, 4.9400, 7.4475, 10.6300, 11.9875, 14.4450, 16.0025, 19.0350],
        atol=1e-9,
    )
    np.testing.assert_allclose(chart.low[7:11], [0.7150, 0.1725, 0.2550, 0.3125], atol=1e-9)
    assert chart.high[4] == pytest.approx(0.0325, abs=1e-9)
    assert chart.first_signal == 13
    plain = np.cumsum(np.array(GROUPS) - 325.0)
    assert (plain[11], plain[19]) == pytest.approx((-2.5, 19.075), abs=1e-9)


def test_its_limits_are_in_the_unit_of_the_data():
    """The same chart in standard deviations of 0.635: 0.5 and 6.608. Mixing the two signals elsewhere."""
    z = (np.array(GROUPS) - 325.0) / 0.635
    assert tabular_cusum(z, 0.0, 0.5, 4.1959 / 0.635).first_signal == 13
    assert tabular_cusum(z, 0.0, 0.3175, 4.1959).first_signal != 13


@given(x=lists(floats(-5.0, 5.0), max_size=60), slack=floats(0.0, 1.0))
def test_cusum_equals_its_recursion(x, slack):
    chart = tabular_cusum(x, 0.5, slack, 3.0)
    high = low = 0.0
    for i, value in enumerate(x):
        high = max(0.0, high + value - 0.5 - slack)
        low = max(0.0, low + 0.5 - slack - value)
        assert chart.high[i] == pytest.approx(high, abs=1e-9)
        assert chart.low[i] == pytest.approx(low, abs=1e-9)


def test_a_gap_is_no_evidence():
    with_gaps = np.insert(np.array(GROUPS), [5, 13], np.nan)
    chart = tabular_cusum(with_gaps, 325.0, 0.3175, 4.1959)
    plain = tabular_cusum(GROUPS, 325.0, 0.3175, 4.1959)
    np.testing.assert_allclose(np.delete(chart.high, [5, 14]), plain.high, atol=1e-9)
    assert chart.high[14] == chart.high[13]
    assert chart.first_signal == 15
    assert tabular_cusum([], 0.0, 0.5, 5.0).first_signal is None
    assert tabular_cusum([np.nan] * 3, 0.0, 0.5, 5.0).high.tolist() == [0.0] * 3


def test_ewma_of_the_handbook():
    """Handbook 6.3.2.4: weight 0.3 from 50, limits 47.4115 and 52.5884, no signal."""
    averages = ewma(SINGLES, 50.0, 0.3)
    np.testing.assert_allclose(
        averages,
        [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
         50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99],
        atol=0.005001,
    )  # fmt: skip
    low, high = ewma_limits(50.0, 2.0539, 0.3)
    assert (low, high) == pytest.approx((47.41157, 52.58843), abs=1e-5)
    assert ((averages > low) & (averages < high)).all()


@given(x=lists(floats(-9.0, 9.0), max_size=30), gap=integers(0, 29), weight=floats(0.01, 1.0))
def test_ewma_holds_over_a_gap(x, gap, weight):
    plain = ewma(x, 1.0, weight)
    at = min(gap, len(x))
    result = ewma(np.insert(np.array(x, dtype=float), at, np.nan), 1.0, weight)
    np.testing.assert_allclose(np.delete(result, at), plain, atol=1e-9)
    assert result[at] == (result[at - 1] if at else 1.0)


@pytest.mark.parametrize(
    ("limit", "printed", "exact"),
    [
        (4.0, [168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71],
         [167.684, 74.224, 26.630, 13.285, 8.3831, 4.7472, 3.3428, 2.6195, 2.1945, 1.7085]),
        (5.0, [465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01],
         [465.444, 139.494, 37.996, 17.048, 10.3760, 5.7472, 4.0089, 3.1137, 2.5733, 2.0126]),
    ],
)  # fmt: skip
def test_run_lengths_of_the_cusum(limit, printed, exact):
    """Montgomery, Introduction to Statistical Quality Control, k = 0.5 (from memory, three digits).

    The longer digits were computed with an independent solution of the integral equation.
    """
    lengths = average_run_length_cusum(SHIFTS, 0.5, limit)
    np.testing.assert_allclose(lengths, exact, rtol=4e-5)
    np.testing.assert_allclose(lengths, printed, rtol=4e-3)
    one_sided = average_run_length_cusum(0.0, 0.5, limit, two_sided=False)
    assert one_sided == pytest.approx(2 * exact[0], abs=0.01)


def test_run_lengths_by_simulation():
    """Charts on drawn samples, shift of one standard deviation: 8.38 on average at h = 4."""
    steps = np.random.default_rng(11).standard_normal((200, 20_000)) + 1.0
    high = low = np.zeros(20_000)
    length = np.zeros(20_000)
    running = np.ones(20_000, dtype=bool)
    for step in steps:
        length += running
        high = np.maximum(0.0, high + step - 0.5)
        low = np.maximum(0.0, low - step - 0.5)
        running &= np.maximum(high, low) <= 4.0
    assert not running.any()
    expected = float(average_run_length_cusum(1.0, 0.5, 4.0))
    assert length.mean() == pytest.approx(expected, abs=4 * length.std() / np.sqrt(20_000))


@pytest.mark.parametrize(
    ("weight", "width", "expected"),
    [
        (0.4, 3.054, [499.95, 71.20, 14.26, 3.52]),
        (0.2, 2.962, [499.74, 41.76, 10.54, 3.74]),
        (0.1, 2.814, [499.58, 31.30, 10.33, 4.36]),
        (0.3, 3.0, [465.55, 53.16, 11.70, 3.51]),
    ],
)
def test_run_lengths_of_the_ewma(weight, width, expected):
    """Lucas & Saccucci, Technometrics 32, 1990 (from memory), at shifts of 0, 0.5, 1 and 2."""
    lengths = average_run_length_ewma([0.0, 0.5, 1.0, 2.0], weight, width)
    np.testing.assert_allclose(lengths, expected, atol=0.006)


def test_settings_that_make_no_chart_are_refused():
    with pytest.raises(EvaluationError, match="limit must be positive"):
        average_run_length_cusum(0.0, 0.5, 0.0)
    for call in (lambda: ewma([1.0], 0.0, 0.0), lambda: average_run_length_ewma(0.0, 1.5, 3.0)):
        with pytest.raises(EvaluationError, match="weight"):
            call()
