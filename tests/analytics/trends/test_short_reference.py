"""Ten winter days, six weeks of spring, or 35 days of autumn: each gives a reference that knows its doubt."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from analytics.trends.account import keep_account
from analytics.trends.reference_condition import NINE_IN_TEN, reference_point
from analytics.vocabulary.records import Period
from demo_data.simulator import at_design
from tests.analytics.plants import simulated

PERIODS = {
    "ten winter days": (datetime(2026, 1, 10, tzinfo=UTC), datetime(2026, 1, 20, tzinfo=UTC)),
    "six weeks of spring": (datetime(2026, 3, 15, tzinfo=UTC), datetime(2026, 4, 26, tzinfo=UTC)),
    "autumn, unvouched": None,
}
SEEDS = (61, 62, 63)


def _miss_and_doubt(seed, period):
    plant = simulated(None, seed)
    clean = None if period is None else Period(start_utc=period[0], end_utc=period[1])
    account = keep_account(replace(plant.exchanger, clean_period=clean), plant.logged, ())
    at = reference_point(account)
    true = at_design(plant.scenario, datetime(2026, 2, 1, tzinfo=UTC)).UA_clean_W_K
    return float(np.log(at.UA_clean_W_K(at.point)[0] / true)), at.clean_sd


@pytest.mark.slow
@pytest.mark.parametrize("name", list(PERIODS))
def test_each_period_gives_a_reference_within_its_own_doubt(name):
    found = [_miss_and_doubt(seed, PERIODS[name]) for seed in SEEDS]
    for miss, doubt in found:
        assert doubt < 0.15  # the nameplate alone knows it to ten per cent; readings add to that
        assert (
            abs(miss) < 1.6 * NINE_IN_TEN * doubt
        )  # three exchangers: further out than nine in ten
