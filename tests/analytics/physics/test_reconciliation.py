"""Reconciliation against the worked example of VDI 2048 and others."""

import numpy as np
import pytest

from analytics.physics.balance import reconcile_duties
from analytics.physics.reconciliation import covariance_from, reconcile
from analytics.vocabulary.errors import EvaluationError

MEASURED = [46.241, 45.668, 44.575, 44.319, 0.525, 69.978, 10.364, 3.744, 4.391, 18.498]
HALF_WIDTHS = [0.800, 0.790, 0.535, 0.532, 0.105, 0.854, 0.168, 0.058, 0.058, 0.205]
BALANCES = [
    [1, 1, -1, -1, 0.4, 0, 0, 0, 0, 0],
    [0, 0, 1, 1, -1, -1, -1, -1, -1, 0],
    [0, 0, 0, 0, 0, 0, 1, 1, 1, -1],
]


def feedwater(half_widths, samples=MEASURED):
    correlation = np.eye(10)
    correlation[0, 1] = correlation[1, 0] = 0.2
    correlation[2, 3] = correlation[3, 2] = 0.4
    sigma = np.array(half_widths) / 1.959963984540054
    return reconcile(samples, covariance_from(sigma, correlation), BALANCES)


def test_feedwater_and_steam():
    """VDI 2048 Part 1, worked example, as a regression test of a reconciliation library prints it."""
    result = feedwater(HALF_WIDTHS)
    np.testing.assert_allclose(result.residuals, [3.225, -0.108, 0.001], atol=1e-12)
    np.testing.assert_allclose(
        result.corrections,
        [-1.276511, -1.250028, 0.350904, 0.348096, 0.001348,
         0.575061, 0.011783, 0.001404, 0.001404, 0.015592],
        atol=1e-6,
    )  # fmt: skip
    np.testing.assert_allclose(
        result.values,
        [44.964489, 44.417972, 44.925904, 44.667096, 0.526348,
         70.553061, 10.375783, 3.745404, 4.392404, 18.513592],
        atol=1e-6,
    )  # fmt: skip
    np.testing.assert_allclose(
        np.sqrt(np.diag(result.covariance)) * 1.959963984540054,
        [0.575627, 0.572818, 0.404463, 0.402919, 0.104623,
         0.559873, 0.133003, 0.056695, 0.056695, 0.137103],
        atol=1e-6,
    )  # fmt: skip
    np.testing.assert_allclose(np.array(BALANCES) @ result.values, 0.0, atol=1e-10)


def test_its_global_test_rejects_and_names_the_feedwater_meters():
    """Chi-square 20.31 above 7.815; both feedwater flows stand out. Computed by hand."""
    result = feedwater(HALF_WIDTHS)
    assert result.chi_square == pytest.approx(20.31, abs=0.005)
    assert result.chi_square_limit == pytest.approx(7.815, abs=5e-4)
    assert result.degrees_of_freedom == 3
    assert result.rejected
    np.testing.assert_allclose(
        result.standardised_corrections,
        [4.503, 4.503, 1.964, 1.964, 0.297, 1.748, 0.225, 0.225, 0.225, 0.201],
        atol=6e-4,
    )
    assert result.standardised_corrections.argmax() in (0, 1)


def test_wider_feedwater_limits_are_accepted():
    """The same with 2.500 for both feedwater flows: chi-square 2.537."""
    result = feedwater([2.5, 2.5, *HALF_WIDTHS[2:]])
    assert result.corrections[:3] == pytest.approx([-1.545043, -1.545043, 0.067627], abs=1e-6)
    assert result.chi_square == pytest.approx(2.537, abs=5e-4)
    assert not result.rejected


def test_exchanger_with_bypass():
    """Narasimhan & Jordache, Data Reconciliation and Gross Error Detection (from memory)."""
    result = reconcile(
        [101.91, 64.45, 34.65, 64.20, 36.44, 98.88],
        np.eye(6),
        [[1, -1, -1, 0, 0, 0], [0, 1, 0, -1, 0, 0], [0, 0, 1, 0, -1, 0], [0, 0, 0, 1, 1, -1]],
    )
    assert result.values == pytest.approx([100.22, 64.50, 35.72, 64.50, 35.72, 100.22], abs=5e-3)
    assert result.chi_square == pytest.approx(6.4075, abs=5e-4)
    assert result.chi_square_limit == pytest.approx(9.488, abs=5e-4)
    assert not result.rejected


def test_samples_are_reconciled_together_and_a_gap_stays_a_gap():
    shifted = np.array(MEASURED) + np.array([[0.0], [0.5], [np.nan]])
    result = feedwater(HALF_WIDTHS, shifted)
    np.testing.assert_allclose(result.values[0], feedwater(HALF_WIDTHS).values)
    np.testing.assert_allclose(result.values[1], feedwater(HALF_WIDTHS, shifted[1]).values)
    assert np.isnan(result.values[2]).all()
    assert np.isnan(result.chi_square[2])
    np.testing.assert_array_equal(result.rejected, [True, True, False])


def test_two_sides_are_the_general_case_with_one_balance():
    general = reconcile([1500.0, 1560.0], covariance_from([15.0, 20.0]), [[1.0, -1.0]])
    plain = reconcile_duties(1500.0, 15.0, 1560.0, 20.0)
    assert general.values == pytest.approx([float(plain.duty_W)] * 2)
    assert general.chi_square == pytest.approx(float(plain.chi_square))
    assert np.sqrt(general.covariance[0, 0]) == pytest.approx(float(plain.standard_uncertainty_W))


def test_a_known_sum_may_stand_on_the_right():
    result = reconcile([1.0, 2.0, 9.0], np.eye(3), [[1.0, 1.0, 0.0]], [5.0])
    assert result.values == pytest.approx([2.0, 3.0, 9.0])
    assert result.standardised_corrections[2] == 0.0


def test_what_cannot_be_reconciled_is_refused():
    with pytest.raises(EvaluationError, match="rank 1"):
        reconcile([1.0, 2.0], np.eye(2), [[1.0, -1.0], [2.0, -2.0]])
    with pytest.raises(EvaluationError, match="one column per value"):
        reconcile([1.0, 2.0, 3.0], np.eye(2), [[1.0, -1.0]])
