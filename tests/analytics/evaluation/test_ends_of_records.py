"""The last whole interval of a record, and up to which day an alarm takes the plates for clean."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from analytics.evaluation.intervals import latest_interval
from analytics.evaluation.outlook import ONSET_MARGIN_DAYS, _clean_until
from analytics.vocabulary.quantities import REASON_BITS, TEMPERATURES


def frame(bits):
    index = pd.date_range("2026-03-01", periods=len(bits), freq="15min", tz="UTC")
    columns = dict.fromkeys(TEMPERATURES, 50.0)
    needed = ("UA_clean_W_K", "duty_primary_W", "duty_secondary_W")
    return pd.DataFrame({**columns, **dict.fromkeys(needed, np.nan), "set_aside": bits}, index)


@pytest.mark.parametrize(
    ("bits", "row"),
    [
        ([0, 0, REASON_BITS["gap"]], 1),  # nothing follows the last reading of a regular log
        ([0, 0, REASON_BITS["transient"]], 2),
        ([REASON_BITS["gap"]] * 3, 2),
    ],
)
def test_the_newest_interval_is_the_last_whole_one(bits, row):
    given = frame(bits)
    found = latest_interval(SimpleNamespace(fit=None), given, 900.0)
    assert found.start_utc == given.index[row]


def account(alarm, onset, visits=()):
    n = len(alarm)
    return SimpleNamespace(
        info=SimpleNamespace(day=20_000 + np.arange(n)), alarm=np.array(alarm, dtype=bool),
        scores=SimpleNamespace(
            ratio=np.full((n, 1), 12.0), onset=np.full((n, 1), onset, dtype=np.int64)
        ),
        surface_days=visits,
    )  # fmt: skip


def test_days_up_to_the_onset_of_an_alarm_are_clean_ones():
    assert _clean_until(account([0, 0, 1, 1], 19_990)) == 19_990 - ONSET_MARGIN_DAYS
    assert _clean_until(account([0, 0, 0, 0], 19_990)) == 0
    # what a visit left is not what was clean before
    assert _clean_until(account([0, 0, 1, 1], 19_990, visits=(20_001,))) == 0
