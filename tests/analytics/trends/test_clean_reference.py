"""What an exchanger does when clean: the choice of the period, and the fit against the truth."""

from datetime import UTC, datetime

import numpy as np
import pytest

from analytics.trends.account import Account, keep_account
from analytics.trends.clean_reference import CleanFit, fit_clean, reference_period
from analytics.trends.model import DEPOSIT, INDEX, SIZE
from analytics.trends.reference_condition import NINE_IN_TEN, reference_point
from demo_data.simulator import at_design
from tests.analytics.plants import (
    DENSITY_kg_m3,
    Plant,
    counterflow,
    model_hours,
    simulated,
)
from tests.analytics.trends.test_model import PIVOT, UA_PIVOT, _films_UA, _model, _truth

FIRST = 20000


def _period(days, registered=None, hours=10, until=None):
    """Evidence on the given days; ``until`` is the last logged day."""
    last = max(days) if until is None else until
    day = np.repeat(np.arange(FIRST, FIRST + last + 1), 24)
    usable = np.isin(day, FIRST + np.asarray(days)) & (np.arange(len(day)) % 24 < hours)
    if registered is not None:
        registered = (FIRST + registered[0], FIRST + registered[1])
    return reference_period(day, usable, registered)


def _days(period):
    return (period.first - FIRST, period.last - FIRST, period.basis)


def test_the_first_weeks_are_35_days_with_evidence():
    assert _days(_period(range(60))) == (0, 34, "first weeks")
    # days without evidence do not count
    assert _days(_period(range(0, 120, 2))) == (0, 68, "first weeks")
    assert _period(range(34), until=300) is None
    # two hours count for two thirds of a day
    assert _period(range(52), hours=2) is None
    assert _days(_period(range(60), hours=2)) == (0, 52, "first weeks")


def test_a_registered_clean_period_comes_first():
    assert _days(_period(range(100), (40, 60))) == (40, 59, "known clean period")
    assert _days(_period(range(200), (40, 150))) == (40, 84, "known clean period")


def test_a_clean_period_that_still_runs_waits_for_its_end():
    assert _period(range(30), (10, 60)) is None
    assert _days(_period(range(60), (10, 60))) == (10, 59 - 5, "known clean period")
    assert _days(_period(range(50), (10, 50))) == (10, 49, "known clean period")


def test_a_clean_period_without_evidence_leaves_the_first_weeks():
    assert _days(_period(range(100, 160), (10, 60))) == (100, 134, "first weeks")
    # one day of ten hours is too little to rest on
    assert _days(_period(range(59, 120), (10, 60))) == (59, 93, "first weeks")


# --- the fit on hours that obey the model -----------------------------------------------------------


def _fit(errors, n=800, seed=1, one_flow=False, extra=()):
    rng = np.random.default_rng(seed)
    p = _truth()
    mass = np.array(PIVOT) * np.exp(rng.uniform(-1.0, 0.5, (n, 2)))
    t = counterflow(rng.uniform(75, 100, n), rng.uniform(35, 48, n), mass, _films_UA(p, mass))
    flow = mass / DENSITY_kg_m3 * np.exp(rng.normal(0, 0.004, (n, 2)))
    if one_flow:
        flow[:, 1] = np.nan
    hours = model_hours(t + np.asarray(errors) + rng.normal(0, 0.04, (n, 4)), flow)
    sd = np.full(SIZE, 1e-3)
    sd[:4], sd[4:6], sd[6:10] = 0.5, 0.02, (0.3, 0.3, 0.08, 0.08)
    mean = p.copy()
    mean[6:10] += 0.1, -0.1, 0.04, -0.03
    return fit_clean(_model(prior_mean=mean, prior_sd=sd), hours, np.arange(n) // 20, extra)


@pytest.mark.parametrize(("one_flow", "tolerance"), [(False, 0.05), (True, 0.15)])
def test_errors_at_the_cold_end_are_found_from_how_they_grow_with_load(one_flow, tolerance):
    """Errors of up to 2.5 K under a prior of 0.5 K."""
    errors = np.array([0.3, 1.6, -0.2, -0.9])
    fit = _fit(errors, one_flow=one_flow)
    assert fit.point[1] - fit.point[3] == pytest.approx(2.5, abs=tolerance)


def test_conductance_is_found_at_flows_that_were_seen():
    fit = _fit(np.zeros(4))
    flows = np.array([[1.2, 2.4], [2.0, 4.0], [3.0, 6.0]])
    nothing = np.zeros((3, 2))
    got = fit.model.conductance(fit.point, flows, nothing + 47.0, (nothing, nothing, nothing))
    np.testing.assert_allclose(got, _films_UA(_truth(), flows), rtol=0.02)
    assert UA_PIVOT / 2 < got[1] < UA_PIVOT * 2


def test_a_common_error_of_all_four_cannot_be_seen_and_is_not_claimed():
    common = _fit(np.full(4, 1.0))
    assert np.abs(common.point[:4]).max() < 0.4


def test_a_statement_beside_the_hours_is_heard():
    row = np.zeros(SIZE)
    row[0], row[2] = 1.0, -1.0
    without = _fit(np.zeros(4))
    told = _fit(np.zeros(4), extra=[(row, 0.8, 0.02)])
    # the hours hold against it with what forty days can say, about 0.05 K
    assert told.point[0] - told.point[2] == pytest.approx(0.8, abs=0.15)
    assert abs(without.point[0] - without.point[2]) < 0.3


def test_a_few_wild_hours_change_little():
    calm = _fit(np.zeros(4), n=400)
    rng = np.random.default_rng(1)
    errors = np.zeros((400, 4))
    errors[rng.choice(400, 12, replace=False), 1] = 15.0
    wild = _fit(errors, n=400)
    assert abs(wild.point[1] - calm.point[1]) < 0.1
    assert wild.point[DEPOSIT] == pytest.approx(0.0, abs=1e-2)


# --- the fit on simulated exchangers ----------------------------------------------------------------

SEEDS = range(100, 110)
AUTUMN_END = datetime(2025, 12, 5, tzinfo=UTC)


def _clean_account(seed: int) -> tuple[Plant, Account, CleanFit]:
    plant = simulated(None, seed, end=AUTUMN_END)
    account = keep_account(plant.exchanger, plant.logged, ())
    assert account.fit is not None
    return plant, account, account.fit


@pytest.mark.slow
def test_clean_exchangers_are_known_as_well_as_is_said():
    """Measured on seeds 100 to 117 with data to 20 December: error of the cold-end pair 0.06 K median,
    0.12 K 90th percentile, 0.15 K at the most; UA at the design state off by 1.6 % median, its
    nine-in-ten interval held 15 of 18 (107, 111 and 117 read 9 to 21 % low, all three beyond it).
    """
    cold_end, held, off = [], [], []
    for seed in SEEDS:
        plant, account, fit = _clean_account(seed)
        made = plant.scenario.instruments.thermometers
        true = (
            made["primary_return_temperature"].offset_K
            - made["secondary_return_temperature"].offset_K
        )
        cold_end.append(fit.point[1] - fit.point[3] - true)
        at = reference_point(account)
        truth = at_design(plant.scenario, AUTUMN_END).UA_clean_W_K
        error = float(np.log(at.UA_clean_W_K(at.point)[0] / truth))
        off.append(abs(error))
        held.append(abs(error) < NINE_IN_TEN * at.clean_sd)
    assert np.median(np.abs(cold_end)) < 0.12
    assert np.max(np.abs(cold_end)) < 0.25
    assert np.median(off) < 0.04
    assert sum(held) >= 8
    assert INDEX["error_primary_return"] == 1
