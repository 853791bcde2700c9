"""Gaps that the logger told of, on the grid."""

import numpy as np
import pandas as pd
import pytest

from analytics.trends.gaps import gaps_of
from analytics.trends.grid import epoch_seconds, grid_column, to_grid

ROLE = "primary_supply_temperature"
START = pd.Timestamp("2025-10-01", tz="UTC")


def gap(begin_h, end_h, role=ROLE):
    return pd.DataFrame(
        {
            "role": [role], "reason": ["log disabled"],
            "begin_utc": [START + pd.Timedelta(hours=begin_h)],
            "end_utc": [START + pd.Timedelta(hours=end_h)],
        }
    )  # fmt: skip


def trends(hours):
    index = pd.DatetimeIndex(START + pd.to_timedelta(np.asarray(hours, dtype=float), unit="h"))
    return pd.DataFrame({ROLE: 60.0 + np.arange(len(hours))}, index=index)


# irregular, so logged on change; silent from 06:00 to 11:30
ON_CHANGE = [0.1, 0.3, 0.9, 1.0, 1.8, 2.1, 3.7, 4.0, 4.2, 6.0, 11.5, 12.0, 12.7, 13.9, 14.0]


def test_silence_is_held_without_a_gap_and_not_over_one():
    whole = to_grid(trends(ON_CHANGE), 3600.0).columns[ROLE]
    assert whole.on_change[6]
    assert whole.coverage[6:11] == pytest.approx(1.0)
    cut = to_grid(trends(ON_CHANGE), 3600.0, gap(7.5, 11.5)).columns[ROLE]
    assert cut.coverage[6:12].tolist() == pytest.approx([1.0, 0.5, 0.0, 0.0, 0.0, 0.5])
    assert np.isnan(cut.mean[8:11]).all()
    # what comes before and after is as it was
    same = [*range(7), *range(12, 24)]
    assert np.array_equal(cut.mean[same], whole.mean[same], equal_nan=True)


def test_a_gap_of_another_point_changes_nothing():
    whole, other = (
        to_grid(trends(ON_CHANGE), 3600.0, g).columns[ROLE]
        for g in (None, gap(7.5, 11.5, "primary_return_temperature"))
    )
    assert np.array_equal(whole.mean, other.mean, equal_nan=True)


def test_a_gap_that_began_somewhere_after_a_sample_leaves_nothing_of_the_silence():
    cut = to_grid(trends(ON_CHANGE), 3600.0, gap(6.0, 11.5)).columns[ROLE]
    assert cut.coverage[6:11] == pytest.approx(0.0)


def test_a_regular_sample_keeps_the_interval_it_was_taken_for():
    hours = np.arange(0, 24, 0.25)
    hours = hours[(hours <= 6) | (hours >= 8)]
    cut = to_grid(trends(hours), 3600.0, gap(6.0, 8.0)).columns[ROLE]
    assert cut.coverage[[5, 6, 7, 8]].tolist() == pytest.approx([1.0, 0.25, 0.0, 1.0])


def test_readings_from_elsewhere_inside_a_gap_count_for_themselves_alone():
    """A log that lost records, and the export that still has them."""
    hours = np.arange(0, 24, 0.25)
    whole = to_grid(trends(hours), 3600.0, gap(6.1, 10.0)).columns[ROLE]
    assert np.delete(whole.coverage, 6) == pytest.approx(1.0)
    assert whole.coverage[6] == pytest.approx(0.85)  # a gap begins at 06:06, readings at 06:15
    filled = sorted([*ON_CHANGE, 8.0])
    sparse = to_grid(trends(filled), 3600.0, gap(6.1, 11.5)).columns[ROLE]
    assert 0.2 < sparse.coverage[8] <= 1.0
    assert sparse.coverage[10] == 0.0


def test_overlapping_gaps_are_one():
    frame = trends(ON_CHANGE)
    edges = np.arange(0.0, 24 * 3600 + 1, 3600.0) + START.timestamp()
    both = pd.concat([gap(7.0, 11.5), gap(7.5, 8.0)])
    column = grid_column(
        epoch_seconds(frame.index), frame[ROLE].to_numpy(), edges, gaps_of(both, ROLE)
    )
    assert column.coverage[7:11] == pytest.approx(0.0)
