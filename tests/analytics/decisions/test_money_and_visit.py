"""Money: the same hours clean, the usual year, the plan of a visit, the classic interval."""

import numpy as np
import pytest

from analytics.decisions.money import (
    COST_LINES,
    Hydraulics,
    RunningHours,
    avoidable,
    recompute_hours,
    solve_primary,
)
from analytics.decisions.usual_year import CostTable, cost_table, typical_year
from analytics.decisions.visit import economic_interval, plan_visit
from analytics.physics.effectiveness import COUNTERFLOW
from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.records import Tariff

J_PER_MWH = 3.6e9
TARIFF = Tariff(
    return_temperature_per_J_K=0.55 / J_PER_MWH,
    return_temperature_free_degC=40.0,
    electricity_per_J=0.28 / 3.6e6,
    unmet_heat_per_J=120.0 / J_PER_MWH,
)
HYDRAULICS = Hydraulics(primary_most_kg_s=12.0)


class ConstantConductance:
    """Clean UA whatever the flows, so that hand calculations apply; deposit in m2 K/W on 29.3 m2."""

    arrangement = COUNTERFLOW

    def __init__(self, UA_clean_W_K: float = 164_790.0) -> None:
        self.UA_clean_W_K = UA_clean_W_K

    def UA_W_K(self, primary_kg_s, secondary_kg_s, primary_mean_degC, secondary_mean_degC, fouling):
        return 1.0 / (1.0 / self.UA_clean_W_K + fouling / 29.3) + 0.0 * primary_kg_s


def _hours(count=1, *, heat_W=1.5e6, fouling=0.0, start="2025-01-01T00", step_h=1):
    def full(value):
        return np.full(count, float(value))

    time = np.datetime64(start, "s") + np.arange(count) * np.timedelta64(3600 * step_h, "s")
    return RunningHours(
        time_utc=time,
        hours=full(step_h),
        primary_inlet_degC=full(90.0),
        secondary_inlet_degC=full(45.0),
        heat_W=np.broadcast_to(np.asarray(heat_W, float), count).copy(),
        secondary_kg_s=full(50_000.0 / 4180.0),
        secondary_cp_J_kgK=full(4180.0),
        primary_cp_J_kgK=full(4180.0),
        primary_density_kg_m3=full(988.0),
        fouling=full(fouling),
        fouling_low=full(0.8 * fouling),
        fouling_high=full(1.2 * fouling),
    )


def test_primary_flow_of_a_design_point():
    """Counterflow 90/50, 45/75 degC, 1500 kW: C_hot = 37.5 kW/K, UA = 164.79 kW/K (hand)."""
    side = solve_primary(_hours(), np.zeros(1), ConstantConductance(), HYDRAULICS)
    assert side.primary_kg_s[0] * 4180.0 == pytest.approx(37_500.0, rel=1e-3)
    assert side.primary_return_degC[0] == pytest.approx(50.0, abs=0.03)


@pytest.mark.parametrize("fouling", [0.0, 2e-5, 4.445e-5, 1e-4])
def test_heat_is_delivered_and_obeys_the_log_mean_difference(fouling):
    """Q = UA LMTD closes at the flow found, which the solver never uses.

    At loads below these the cold ends meet within microkelvins, and LMTD has no digits left.
    """
    model = ConstantConductance()
    hours = _hours(4, heat_W=[8e5, 1e6, 1.2e6, 1.5e6])
    side = solve_primary(hours, np.full(4, fouling), model, Hydraulics(primary_most_kg_s=60.0))
    warm = hours.secondary_inlet_degC + hours.heat_W / 50_000.0
    a, b = 90.0 - warm, side.primary_return_degC - 45.0
    lmtd = (a - b) / np.log(a / b)
    UA = 1.0 / (1.0 / model.UA_clean_W_K + fouling / 29.3)
    np.testing.assert_allclose(UA * lmtd, hours.heat_W, rtol=2e-4)
    np.testing.assert_allclose(
        side.primary_kg_s * 4180 * (90 - side.primary_return_degC), hours.heat_W, rtol=1e-9
    )


def test_return_charge_is_the_difference_in_return_temperature():
    hours = _hours(24, heat_W=8e5, fouling=5e-5)
    tariff = Tariff(return_temperature_per_J_K=1.0 / J_PER_MWH, return_temperature_free_degC=20.0)
    table = recompute_hours(hours, ConstantConductance(), tariff, HYDRAULICS)
    warmer = table["primary_return_degC_now"] - table["primary_return_degC_clean"]
    assert (warmer > 0.05).all()
    assert table["avoidable_cost"].sum() == pytest.approx(0.8 * warmer.sum(), rel=1e-6)


def test_heat_that_no_flow_delivers_is_unmet():
    """With C_hot at most 37.5 kW/K and U down a fifth, 1433.1 of 1500 kW arrive (design tables)."""
    hydraulics = Hydraulics(primary_most_kg_s=37_500.0 / 4180.0)
    hours = _hours(1, heat_W=1.5e6, fouling=4.445e-5)
    side = solve_primary(hours, hours.fouling, ConstantConductance(5624.3 * 29.3), hydraulics)
    assert side.delivered_W[0] == pytest.approx(1_433_100.0, rel=1e-3)
    assert side.primary_return_degC[0] == pytest.approx(51.78, abs=0.02)
    cost = avoidable(hours, ConstantConductance(5624.3 * 29.3), TARIFF, hydraulics)
    assert cost.lines["unmet heat"].value == pytest.approx(120 * 0.0669, rel=0.02)
    assert cost.lines["heat"].value == 0.0


def test_clean_plates_cost_nothing_and_intervals_hold_their_value():
    clean = avoidable(_hours(48), ConstantConductance(), TARIFF, HYDRAULICS)
    assert clean.total.value == pytest.approx(0.0, abs=1e-9)
    fouled = avoidable(
        _hours(48, heat_W=9e5, fouling=6e-5), ConstantConductance(), TARIFF, HYDRAULICS
    )
    assert 0 < fouled.total.low < fouled.total.value < fouled.total.high
    assert sum(line.value for line in fouled.lines.values()) == pytest.approx(fouled.total.value)


def _seasonal(days, start):
    hours = _hours(days * 12, heat_W=6e5, start=start, step_h=2)
    angle = 2 * np.pi * (hours.time_utc.astype("datetime64[D]").astype(int) % 365.25) / 365.25
    hours.heat_W[:] = 9e5 * np.clip(0.5 + 0.6 * np.cos(angle), 0.0, None)
    return hours


def test_usual_year_of_a_full_year_is_that_year():
    hours = _seasonal(365, "2025-01-01T00")
    year = typical_year(hours)
    assert year.share_observed == pytest.approx(1.0)
    heat = (year.rows.heat_W * year.rows.hours).sum()
    assert heat == pytest.approx((hours.heat_W * hours.hours).sum(), rel=0.01)


def test_usual_year_from_half_a_year_comes_near_the_whole():
    """October to March seen: the other half stands in, and the share says so."""
    whole = _seasonal(365, "2025-01-01T00")
    year = typical_year(_seasonal(182, "2024-10-01T00"))
    assert year.share_observed == pytest.approx(182 / 365, abs=0.01)
    heat = (year.rows.heat_W * year.rows.hours).sum()
    assert heat == pytest.approx((whole.heat_W * whole.hours).sum(), rel=0.2)


@pytest.fixture(scope="module")
def table():
    year = typical_year(_seasonal(365, "2025-01-01T00"))
    return cost_table(year, ConstantConductance(), TARIFF, HYDRAULICS, fouling_most=3e-4)


def test_cost_grows_with_the_deposit_and_follows_the_season(table):
    total = table.per_day.sum(axis=0)
    assert (np.diff(total, axis=0) >= -1e-9).all()
    assert total[-1, 0] > 5 * total[-1, 6]
    assert table.cost_rate(np.array([0.0]), np.array([0])).sum() == 0.0


def _futures(now, per_day, count=200, refouls=True):
    day = np.arange(400)
    growth = np.full((count, 1), per_day) * day
    return now + growth, growth if refouls else np.zeros_like(growth)


def _plan(table, deposit, refouling, price):
    return plan_visit(
        deposit, refouling, table,
        made=np.datetime64("2025-11-10"), price=price, rng=np.random.default_rng(4),
    )  # fmt: skip


def test_a_heavy_deposit_pays_for_a_cheap_visit_at_once(table):
    plan = _plan(table, *_futures(2.5e-4, 1e-8, refouls=False), 100.0)
    assert plan.best_visit == np.datetime64("2025-11-10")
    assert plan.net_benefit_now.low > 0
    assert plan.chance_visit_pays > 0.99
    sum_of_lines = sum(line.value for line in plan.next_year_lines.values())
    assert sum_of_lines == pytest.approx(plan.next_year_untouched.value)
    difference = plan.next_year_untouched.value - plan.next_year_after_visit.value - 100.0
    assert plan.net_benefit_now.value == pytest.approx(difference)


def test_a_clean_exchanger_has_no_best_date(table):
    plan = _plan(table, *_futures(0.0, 1e-9), 650.0)
    assert plan.best_visit is None
    assert plan.best_net_benefit is None
    assert plan.chance_visit_pays < 0.01


def test_weekly_grid_agrees_with_daily_sums(table):
    """The day-by-day plan of a visit now, and the week-by-week one a week later, must be close."""
    plan = _plan(table, *_futures(2e-4, 1e-7), 300.0)
    mean = plan.benefit_by_date["mean"].to_numpy()
    assert abs(mean[1] - mean[0]) < 0.06 * (mean[0] + 300.0)


def test_a_week_over_the_end_of_a_month_is_priced_by_both_months():
    """A steady deposit that costs 2 a day in March alone: any visit before saves 62 (hand).

    Weeks are counted from 10 November: one runs from 23 February to 1 March, one from 30 March on.
    """
    march = np.zeros((len(COST_LINES), 2, 12))
    march[1, 1, 2] = 2.0
    only_march = CostTable(levels=np.array([0.0, 1.0]), per_day=march, share_observed=1.0)
    steady = np.ones((50, 400))
    plan = plan_visit(
        steady, np.zeros_like(steady), only_march, made=np.datetime64("2025-11-10"), price=10.0,
        rng=np.random.default_rng(4), recovery_mean=1.0, recovery_sd=0.0, cost_relative_sd=0.0,
    )  # fmt: skip
    before_march = plan.benefit_by_date["mean"].loc[:"2026-03-01"].to_numpy()
    assert len(before_march) == 16
    assert before_march == pytest.approx(62.0 - 10.0)


def test_a_mild_deposit_that_grows_is_best_cleaned_later():
    """Linear growth, cost equal to the deposit all year: best after half the year (hand).

    Saved a day is b v for a visit on day v, for 365 - v days: greatest at 182.5.
    """
    levels = np.linspace(0, 700, 7)
    per_day = np.zeros((len(COST_LINES), 7, 12))
    per_day[1] = levels[:, None]
    flat = CostTable(levels=levels, per_day=per_day, share_observed=1.0)
    plan = _plan(flat, *_futures(0.0, 1.0), 1000.0)
    days = (plan.best_visit - np.datetime64("2025-11-10")).astype(int)
    assert days == pytest.approx(182.5, abs=8)
    assert plan.best_net_benefit.value == pytest.approx(0.97 * 182.5**2 - 1000, rel=0.03)


def test_without_a_price_costs_are_told_and_dates_are_not(table):
    plan = _plan(table, *_futures(2e-4, 1e-7), None)
    assert plan.next_month.value > 0
    assert plan.benefit_by_date is None


# --- the classic interval; t = sqrt(2 C / b) and its kin, recomputed by hand ------------------------

DAYS = np.linspace(0.0, 700.0, 70_001)


def test_interval_of_a_linear_loss():
    found = economic_interval(2000.0, DAYS, 1.5 * DAYS)
    assert found.days == pytest.approx(51.6398, abs=1e-3)
    assert found.average_cost_per_day == pytest.approx(77.4597, abs=1e-3)


def test_interval_with_an_outage():
    found = economic_interval(2000.0, DAYS, 1.5 * DAYS, outage_days=2.0)
    assert found.days == pytest.approx(49.6785, abs=1e-3)
    assert found.average_cost_per_day == pytest.approx(74.5177, abs=1e-3)


def test_interval_of_an_asymptotic_loss():
    found = economic_interval(2000.0, DAYS, -200.0 * np.expm1(-DAYS / 60.0))
    assert found.days == pytest.approx(43.8630, abs=1e-3)
    assert found.average_cost_per_day == pytest.approx(103.7193, abs=1e-3)


def test_never_clean_is_an_answer():
    """A cleaning that costs more than L tau = 12 000 never pays."""
    assert economic_interval(12_001.0, DAYS, -200.0 * np.expm1(-DAYS / 60.0)) is None


def test_a_price_of_nought_is_refused():
    with pytest.raises(EvaluationError, match="positive price"):
        economic_interval(0.0, DAYS, DAYS)


def test_load_of_coming_days_is_that_of_their_months_a_year_ago():
    """In the full year of hours each month's mean load is that of its own hours, at rest ones as nought."""
    hours = _seasonal(365, "2025-01-01T00")
    year = typical_year(hours)
    month = hours.time_utc.astype("datetime64[M]").astype(int) % 12
    for m, days in ((0, 31), (6, 31), (10, 30)):
        taken = (hours.heat_W * hours.hours)[month == m].sum() / (24 * days)
        assert year.load_W(np.array([m])) == pytest.approx(taken, rel=1e-9)
    both = year.load_W(np.array([10] * 10 + [0] * 20))
    assert both == pytest.approx(
        (10 * year.load_W(np.array([10])) + 20 * year.load_W(np.array([0]))) / 30
    )
    assert year.seen.all()
    assert not typical_year(_seasonal(182, "2024-10-01T00")).seen[6]
