"""Irregular samples on one grid: means by hand, gaps that stay gaps, nothing from later samples."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.trends.grid import LONGEST_HOLD_s, epoch_seconds, grid_column, holding_times, to_grid

MIDNIGHT = pd.Timestamp("2025-11-03", tz="UTC")
ROLE = "primary_supply_temperature"


def _trends(hours, values, role=ROLE):
    """A trend frame from decimal hours after a midnight."""
    index = MIDNIGHT + pd.to_timedelta(np.round(np.asarray(hours) * 3600.0), unit="s")
    return pd.DataFrame({role: np.asarray(values, dtype=float)}, index=index.rename("time_utc"))


def _column(hours, values):
    return to_grid(_trends(hours, values), 3600.0).columns[ROLE]


def test_means_are_weighted_by_time():
    """By hand, logged on change: 50 for 15 min, 60 for 30 min, 80 for 15 min: 12.5 + 30 + 20 = 62.5."""
    column = _column([0.0, 0.25, 0.75, 1.0, 1.2, 3.0], [50.0, 60.0, 80.0, 70.0, 72.0, 71.0])
    assert column.mean[0] == pytest.approx(62.5, abs=1e-12)
    # 12.5^2/4 + 2.5^2/2 + 17.5^2/4
    assert column.variance[0] == pytest.approx(118.75, abs=1e-9)
    assert column.mean[1] == pytest.approx(70 * 0.2 + 72 * 0.8, abs=1e-9)


def test_a_sample_before_the_interval_counts_for_its_first_part():
    """By hand: 40 holds from 0:50 to 1:20, then 70 for 40 minutes: 40/3 + 140/3 = 60."""
    column = _column([0.0, 0.5, 5 / 6, 4 / 3, 2.5, 4.0], [40.0, 41.0, 40.0, 70.0, 71.0, 70.0])
    assert column.mean[1] == pytest.approx(60.0, abs=1e-9)


def test_regular_samples_hold_for_little_more_than_their_spacing():
    hours = [*np.arange(0, 6, 0.25), *np.arange(10, 24, 0.25)]
    column = _column(hours, np.full(len(hours), 55.0))
    assert column.spacing_s[0] == 900.0
    assert not column.on_change.any()
    # the last sample before the gap, at 5:45, holds for 24 minutes: to 6:09
    np.testing.assert_allclose(column.coverage[:6], 1.0)
    assert column.coverage[6] == pytest.approx(0.15)
    assert column.coverage[7:10].max() == 0.0
    assert np.isnan(column.mean[7:10]).all()
    assert np.isnan(
        to_grid(_trends(hours, np.full(len(hours), 55.0)), 3600.0).mean(ROLE)[6:10]
    ).all()


def test_a_point_logged_on_change_holds_for_six_hours_and_no_longer():
    column = _column([0.0, 0.4, 0.5, 2.0, 14.0, 14.1, 15.0], [50, 51, 52, 53, 54, 55, 56.0])
    assert column.on_change[:8].all()
    np.testing.assert_allclose(column.mean[3:8], 53.0)
    assert column.coverage[8:14].max() == 0.0
    assert np.isnan(column.mean[8:14]).all()


def test_no_flow_is_nought_to_the_last_digit():
    """A hair above nought would make an hour without flow one with flow."""
    rng = np.random.default_rng(1)
    hours = np.arange(0, 24 * 30, 0.25)
    flow = np.where(hours % 24 < 12, 0.0, rng.uniform(1e-3, 4e-3, len(hours)))
    means = to_grid(_trends(hours, flow, "primary_flow"), 3600.0).mean("primary_flow")
    assert (means.reshape(-1, 24)[:, 1:12] == 0.0).all()


def test_one_sample_a_day_tells_no_habit_and_holds_for_an_hour_or_so():
    hold, on_change, spacing = holding_times(np.array([0.0, 86400.0, 2 * 86400.0]))
    np.testing.assert_allclose(hold, 1.6 * 3600.0)
    assert not on_change.any()
    assert np.isnan(spacing).all()


def test_a_long_spacing_is_cut_at_the_longest_hold():
    hold, *_ = holding_times(np.arange(0.0, 86400.0, 8 * 3600.0))
    assert hold.max() == LONGEST_HOLD_s


def test_a_role_never_logged_is_absent_and_reads_as_unknown():
    grid = to_grid(_trends([0.0, 1.0], [50.0, 51.0]), 3600.0)
    assert np.isnan(grid.mean("secondary_flow")).all()
    assert np.isnan(grid.deviation("secondary_flow")).all()
    assert len(grid.start) == 24


_samples = st.lists(
    st.tuples(st.integers(0, 4 * 86400 - 1), st.floats(0.0, 120.0, width=32)),
    min_size=2, max_size=120, unique_by=lambda s: s[0],
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(samples=_samples, day=st.integers(1, 4))
def test_earlier_intervals_never_change_when_days_are_added(samples, day):
    """To the last bit: a limit met exactly must not fall the other way tomorrow."""
    samples = sorted(samples)
    frame = _trends(np.array([s for s, _ in samples]) / 3600.0, [v for _, v in samples])
    cut = frame[frame.index < MIDNIGHT + pd.Timedelta(days=day)]
    if not len(cut):
        return
    whole, part = to_grid(frame, 3600.0), to_grid(cut, 3600.0)
    n = len(part.start)
    for name in ("mean", "variance", "coverage", "spacing_s", "on_change"):
        one, other = (getattr(g.columns[ROLE], name)[:n] for g in (whole, part))
        np.testing.assert_array_equal(one, other, err_msg=name)


@settings(max_examples=60, deadline=None)
@given(samples=_samples)
def test_means_lie_between_the_samples_and_coverage_between_nought_and_one(samples):
    samples = sorted(samples)
    time_s = np.array([s for s, _ in samples], dtype=float)
    values = np.array([v for _, v in samples])
    column = grid_column(time_s, values, np.arange(0.0, 4 * 86400.0 + 1, 3600.0))
    known = np.isfinite(column.mean)
    assert ((column.coverage >= 0) & (column.coverage <= 1 + 1e-12)).all()
    assert (column.mean[known] >= values.min() - 1e-9).all()
    assert (column.mean[known] <= values.max() + 1e-9).all()
    assert (column.variance[known] >= 0).all()


def test_seconds_count_from_1970():
    assert epoch_seconds(pd.DatetimeIndex(["1970-01-02T00:00:01.5Z"]))[0] == 86401.5
