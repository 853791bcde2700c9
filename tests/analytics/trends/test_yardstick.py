"""A visit moves the yardstick only where it leaves the plates better than clean."""

import numpy as np
import pytest

from analytics.trends.yardstick import SETTLED_DAYS, yardstick_moves

DAY = np.arange(100)


def _moves(after, sd=0.01):
    deposit = np.where(DAY <= 40, 0.10, after)
    return yardstick_moves(DAY, deposit, np.full(100, sd), (40,))


@pytest.mark.parametrize("left", [0.06, 0.0, -0.015])
def test_part_of_a_cleaning_and_a_whole_one_leave_the_yardstick(left):
    assert not _moves(left).any()


def test_plates_better_than_clean_move_it_from_then_on():
    moved = _moves(-0.08)
    assert not moved[: 41 + SETTLED_DAYS - 1].any()
    np.testing.assert_allclose(moved[41 + SETTLED_DAYS :], -0.08)


def test_doubt_leaves_it():
    assert not _moves(-0.08, sd=0.04).any()


def test_a_day_rests_on_no_later_one():
    deposit = np.where(DAY <= 40, 0.10, -0.08)
    whole = yardstick_moves(DAY, deposit, np.full(100, 0.01), (40,))
    for cut in (30, 45, 60, 80):
        part = yardstick_moves(DAY[:cut], deposit[:cut], np.full(cut, 0.01), (40,))
        np.testing.assert_array_equal(part, whole[:cut])
