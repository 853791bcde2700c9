"""What is concluded for a day never changes when more days are added."""

import dataclasses
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from analytics.evaluation import evaluate
from analytics.evaluation.daily_frame import COLUMN_ORDER
from analytics.vocabulary.records import Deed, MaintenanceEvent
from demo_data.simulator import Cleaning, random_scenario
from tests.analytics.plants import plant_of, simulated

CLEANED = datetime(2026, 2, 17, 10, tzinfo=UTC)
VISIT = MaintenanceEvent(tag="HX", at_utc=CLEANED, deed=Deed.OPENED_AND_CLEANED)
# A steady building pump whose flow is not logged changes nothing here: all logs are as simulated.
WINTER = ("2025-12-20", "2026-01-23", "2026-03-01", "2026-04-07")
SUMMER = ("2026-02-14", "2026-07-03", "2026-10-11", "2026-10-30")


def _cleaned():
    scenario = random_scenario(np.random.default_rng(8), fault="deposit")
    assert scenario.deposit is not None
    soon = dataclasses.replace(
        scenario.deposit, law="linear", reached=scenario.deposit.start + timedelta(days=70)
    )
    return plant_of(dataclasses.replace(scenario, deposit=soon, cleanings=(Cleaning(at=CLEANED),)))


def _registers():
    """Hourly registers in place of a flow, beside a secondary meter."""
    scenario = random_scenario(np.random.default_rng(5), fault="deposit")
    roles = [r for r in scenario.logger.roles if r not in ("primary_flow", "heat_power")]
    logger = dataclasses.replace(
        scenario.logger,
        interval_minutes=60,
        roles=tuple(dict.fromkeys([*roles, "heat_energy", "heat_volume"])),
    )
    return plant_of(dataclasses.replace(scenario, logger=logger))


PLANTS = {
    "registers": (_registers, (), WINTER),
    "deposit": (lambda: simulated("deposit", 5), (), WINTER),
    "thermometer": (lambda: simulated("thermometer", 6), (), WINTER),
    "cleaned": (_cleaned, (VISIT,), WINTER),
    "summer": (
        lambda: simulated("deposit", 7, end=datetime(2026, 12, 1, tzinfo=UTC)), (), SUMMER,
    ),
}  # fmt: skip


def _alerts(found, before):
    return {
        (str(a.kind), a.subject, a.raised_utc, *sorted(a.remark.numbers))
        for a in found.alerts
        if a.raised_utc < before
    }


@pytest.mark.slow
@pytest.mark.parametrize("name", list(PLANTS))
def test_days_added_change_no_conclusion_of_a_day_before(name):
    """All daily columns to 1e-9, of the value or of the column's largest, and all alerts raised."""
    make, events, days = PLANTS[name]
    plant = make()
    whole = evaluate(plant.exchanger, plant.logged, events)
    assert whole.daily["avoidable_cost"].notna().sum() > 100
    assert whole.daily["cleanliness_factor"].notna().sum() > 100
    for day in pd.to_datetime(list(days), utc=True):
        part = evaluate(plant.exchanger, plant.logged[plant.logged.index < day], events)
        before = whole.daily[whole.daily.index < day]
        pd.testing.assert_index_equal(part.daily.index, before.index)
        for column in COLUMN_ORDER:
            one, other = (f[column].to_numpy(dtype=float) for f in (part.daily, before))
            largest = np.nanmax(np.abs(other), initial=0.0) if np.isfinite(other).any() else 0.0
            np.testing.assert_allclose(
                one, other, rtol=1e-9, atol=1e-9 * largest, err_msg=f"{column} at {day:%Y-%m-%d}"
            )
        assert _alerts(part, day) == _alerts(whole, day)
