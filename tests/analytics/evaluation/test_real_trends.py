"""A real substation without a nameplate: something true, and nothing beyond it.

The extract and its citation are in ``tests/analytics/data``.
"""

import numpy as np
import pandas as pd
import pytest

from analytics.evaluation import evaluate
from analytics.vocabulary.records import CauseKind, Evaluation, Exchanger, VerdictKind
from tests.analytics.substations import COLUMNS, substation


@pytest.fixture(scope="module")
def trends() -> pd.DataFrame:
    """The first winter in which power was logged."""
    return substation(4).loc["2020-10-01":"2021-02-28"]


@pytest.fixture(scope="module")
def found(trends) -> Evaluation:
    """The assessment, with an empty register."""
    return evaluate(Exchanger(tag="S-4"), trends)


def test_no_missing_data_word_reaches_a_result(trends, found):
    """The file has 0.0, negative words and a power beyond any station; none may pass."""
    temperatures = found.intervals[[r for r, _ in COLUMNS.values() if r.endswith("_temperature")]]
    supply = temperatures.drop(columns="outdoor_temperature")
    assert supply.min().min() > 5.0
    assert supply.max().max() < 130.0
    assert temperatures["outdoor_temperature"].min() > -25.0
    assert np.nanmax(found.intervals["heat_power"]) < 2e6
    assert np.isfinite(found.daily["heat_J"]).all()


def test_no_duty_beyond_two_megawatt(found):
    duty = found.intervals["duty_primary_W"].dropna()
    assert len(duty) > 1000
    assert duty.max() < 2e6
    assert found.daily["heat_J"].max() < 2e6 * 86400


def test_streams_that_seem_to_cross_are_laid_to_the_thermometers(found):
    """The primary seems to leave colder than the secondary comes in, in most running hours."""
    running = found.intervals[found.intervals["duty_primary_W"] > 20e3]
    assert (running["approach_cold_K"] < 0).mean() > 0.5
    errors = {o.role: o.error.value for o in found.offsets}
    apart = errors["secondary_return_temperature"] - errors["primary_return_temperature"]
    assert 0.8 < apart < 3.0
    assert "crossing_explained" in {r.code for r in found.health.consequences}


def test_no_U_and_no_fouling_resistance_without_an_area(found):
    assert found.reference is not None
    assert found.reference.U_W_m2K is None
    assert found.intervals["U_W_m2K"].isna().all()
    assert found.state.fouling_resistance_m2K_W is None


def test_nobody_is_sent_to_clean(found):
    assert found.verdict.kind not in (VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER)
    assert not [a for a in found.alerts if a.kind is CauseKind.DEPOSIT]
    assert found.money is None
