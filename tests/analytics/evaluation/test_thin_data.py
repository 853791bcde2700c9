"""Little, odd or no data: an answer that says so, and never an exception."""

import dataclasses
from datetime import UTC, datetime
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest

from analytics.evaluation import evaluate
from analytics.evaluation.daily_frame import COLUMN_ORDER
from analytics.vocabulary.errors import EvaluationError
from analytics.vocabulary.quantities import (
    INTERVAL_COLUMNS,
    ROLE_NAMES,
    TEMPERATURES,
    TREND_ROLES,
)
from analytics.vocabulary.records import (
    CauseKind,
    Exchanger,
    Fluid,
    Instrumentation,
    Stream,
    VerdictKind,
)
from analytics.vocabulary.timebase import empty_trends
from demo_data.simulator import Logger, random_scenario
from demo_data.simulator.scenario import TEMPERATURES as SIMULATED
from tests.analytics.plants import TARIFF, plant_of, simulated

AUTUMN_END = datetime(2025, 12, 20, tzinfo=UTC)
BLANK = Exchanger(tag="HX", tariff=TARIFF)


def _autumn():
    return simulated(None, 45, end=AUTUMN_END)


@lru_cache
def _plain():
    plant = _autumn()
    return evaluate(plant.exchanger, plant.logged)


def _check_shapes(found):
    """What every answer owes its reader, whatever it rests on."""
    assert list(found.intervals.columns) == [q.name for q in INTERVAL_COLUMNS]
    assert set(COLUMN_ORDER) <= set(found.daily.columns)
    assert found.through_utc.tzinfo is not None
    assert found.verdict.reasons
    assert sum(c.chances for c in found.causes if c.kind is CauseKind.NOTHING) <= 1.0


def _nothing_claimed(found, *codes):
    _check_shapes(found)
    assert found.verdict.kind is VerdictKind.CANNOT_TELL
    assert found.reference is None or found.reference.basis == "nameplate"
    assert found.state is None
    assert found.money is None
    assert found.forecast is None
    assert not [a for a in found.alerts if a.kind is CauseKind.DEPOSIT]
    if codes:
        assert {r.code for r in found.verdict.reasons} >= set(codes)


def test_no_readings():
    found = evaluate(BLANK, empty_trends())
    _nothing_claimed(found, "no_readings")
    assert found.health.grade == "none"


def test_nothing_but_gaps():
    index = pd.date_range("2025-11-01", periods=100, freq="h", tz="UTC", name="time_utc")
    frame = pd.DataFrame(np.nan, index=index, columns=list(ROLE_NAMES))
    _nothing_claimed(evaluate(BLANK, frame), "no_readings")


@pytest.mark.parametrize("rows", [1, 2, 96])
def test_a_row_or_a_day(rows):
    plant = _autumn()
    found = evaluate(plant.exchanger, plant.logged.iloc[5000 : 5000 + rows])
    _nothing_claimed(found, "few_days")
    assert found.health.hours_logged_30d >= 1


@pytest.mark.parametrize("role", TEMPERATURES)
@pytest.mark.parametrize("how", ["absent", "blank"])
def test_a_temperature_that_is_missing_is_named(role, how):
    plant = _autumn()
    logged = plant.logged
    frame = logged.drop(columns=role) if how == "absent" else logged.assign(**{role: np.nan})
    found = evaluate(plant.exchanger, frame)
    _nothing_claimed(found, "missing_role")
    assert {r.words.get("role") for r in found.verdict.reasons} == {role}
    assert found.health.instrumentation is Instrumentation.INCOMPLETE
    assert role in found.health.missing_roles


def test_each_role_alone_and_values_that_never_change():
    index = pd.date_range("2025-11-01", periods=24 * 60, freq="h", tz="UTC", name="time_utc")
    for quantity in TREND_ROLES:
        for value in (0.0, 1.0, 60.0):
            frame = pd.DataFrame({quantity.name: value}, index=index)
            _nothing_claimed(evaluate(BLANK, frame))


@pytest.mark.parametrize("value", [0.0, 45.0])
def test_all_roles_constant(value):
    index = pd.date_range("2025-11-01", periods=24 * 60, freq="h", tz="UTC", name="time_utc")
    _nothing_claimed(evaluate(BLANK, pd.DataFrame(value, index=index, columns=list(ROLE_NAMES))))


def test_every_reading_out_of_range():
    index = pd.date_range("2025-11-01", periods=24 * 60, freq="h", tz="UTC", name="time_utc")
    found = evaluate(BLANK, pd.DataFrame(-9999.0, index=index, columns=list(ROLE_NAMES)))
    _nothing_claimed(found)
    assert not np.isfinite(found.intervals[list(TEMPERATURES)].to_numpy()).any()


def test_a_summer_alone():
    plant = simulated(
        None, 46, start=datetime(2026, 6, 10, tzinfo=UTC), end=datetime(2026, 8, 25, tzinfo=UTC)
    )
    found = evaluate(plant.exchanger, plant.logged)
    _nothing_claimed(found)
    assert found.health.grade in ("off season", "thin")


def test_a_frame_that_is_no_trend_frame_is_refused():
    frame = _autumn().logged.iloc[:10]
    with pytest.raises(EvaluationError, match="HX: trends need a DatetimeIndex in UTC"):
        evaluate(BLANK, frame.tz_localize(None))
    with pytest.raises(EvaluationError, match="must rise"):
        evaluate(BLANK, frame.iloc[::-1])
    with pytest.raises(EvaluationError, match="'flue_gas' is no role"):
        evaluate(BLANK, frame.assign(flue_gas=1.0))


def test_four_temperatures_cannot_tell_and_have_no_price():
    plant = _autumn()
    found = evaluate(plant.exchanger, plant.logged[list(TEMPERATURES)])
    _check_shapes(found)
    assert found.health.instrumentation is Instrumentation.TEMPERATURES_ONLY
    assert found.verdict.kind is VerdictKind.CANNOT_TELL
    assert found.money is None
    assert found.forecast is None
    assert found.reference is None  # no conductance, so no clean level
    state = found.state
    assert (
        state.cleanliness_factor is state.fouling_resistance_m2K_W is state.duty_reference_W is None
    )
    assert found.daily["cleanliness_factor"].isna().all()
    assert found.intervals[["UA_W_K", "U_W_m2K"]].isna().all().all()
    assert found.intervals["effectiveness"].notna().any()
    # of what is not known nobody says that it has not fallen
    assert not any(r.code == "no_fall" for c in found.causes for r in c.speaks_against)


def test_without_an_area_there_is_no_U_and_no_fouling_resistance():
    plant = _autumn()
    found = evaluate(dataclasses.replace(plant.exchanger, area_m2=None), plant.logged)
    _check_shapes(found)
    assert found.reference.U_W_m2K is None
    assert found.state.fouling_resistance_m2K_W is None
    assert found.state.cleanliness_factor is not None
    assert found.intervals["U_W_m2K"].isna().all()
    assert "no_area" in {r.code for r in found.health.consequences}


def test_without_any_design_data_the_clean_period_is_the_yardstick():
    plant = _autumn()
    found = evaluate(BLANK, plant.logged)
    _check_shapes(found)
    assert found.reference.condition.source == "clean period"
    assert found.reference.U_W_m2K is None
    assert {"no_area", "no_design"} <= {r.code for r in found.health.consequences}
    assert found.verdict.kind is VerdictKind.LEAVE
    assert _plain().reference.condition.source == "design"


def test_columns_of_zeros_beside_good_ones():
    """A site that logs points it does not have: the same answer, but for what zeros say themselves."""
    plant = _autumn()
    zeros = {"secondary_pressure_drop": 0.0, "heat_energy": 0.0, "heat_volume": 0.0}
    found = evaluate(plant.exchanger, plant.logged.assign(**zeros))
    plain = _plain()
    _check_shapes(found)
    assert found.verdict.kind is plain.verdict.kind
    np.testing.assert_allclose(
        found.daily["cleanliness_factor"], plain.daily["cleanliness_factor"], rtol=1e-6
    )


@pytest.mark.parametrize(
    "secondary",
    [
        Stream(fluid=Fluid(kind="ethylene glycol", fraction=0.30)),
        Stream(fluid=Fluid(kind="propylene glycol", fraction=0.35, basis="volume")),
        Stream(passes=2),
    ],
)
def test_other_liquids_and_passes_are_taken_from_the_register(secondary):
    """The data is of water in one pass; the answer must not fail, and the liquid must count."""
    plant = _autumn()
    design = plant.exchanger.secondary
    stream = dataclasses.replace(
        secondary, design_inlet_degC=design.design_inlet_degC,
        design_outlet_degC=design.design_outlet_degC,
    )  # fmt: skip
    found = evaluate(dataclasses.replace(plant.exchanger, secondary=stream), plant.logged)
    plain = _plain()
    _check_shapes(found)
    assert found.reference is not None
    if stream.fluid.kind != "water":
        shift = found.intervals["duty_secondary_W"] / plain.intervals["duty_secondary_W"]
        assert 0.90 < shift.median() < 0.98


def _season(roles, minutes=15, seed=47, fault=None, end=datetime(2026, 3, 1, tzinfo=UTC)):
    scenario = random_scenario(np.random.default_rng(seed), fault=fault)
    logger = Logger(roles=(*SIMULATED, *roles), interval_minutes=minutes)
    return plant_of(dataclasses.replace(scenario, logger=logger), end=end)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("roles", "kind"),
    [
        (("heat_power",), Instrumentation.PRIMARY_POWER),
        (("heat_energy", "heat_volume"), Instrumentation.PRIMARY_POWER),
        (("heat_power", "secondary_flow"), Instrumentation.BOTH_FLOWS),
        (("secondary_flow",), Instrumentation.SECONDARY_FLOW),
    ],
)
def test_whatever_tells_the_heat_will_do(roles, kind):
    """A clean exchanger stays one; the clean conductance is known to a tenth.

    No outdoor temperature is logged here: where no secondary flow is either, nothing may be said of
    the building.
    """
    plant = _season(roles)
    found = evaluate(plant.exchanger, plant.logged)
    _check_shapes(found)
    assert found.health.instrumentation is kind
    assert found.verdict.kind is VerdictKind.LEAVE
    assert not [a for a in found.alerts if a.kind is CauseKind.DEPOSIT]
    both = _season(("primary_flow", "secondary_flow"))
    reference = evaluate(both.exchanger, both.logged).reference
    assert found.reference.UA_W_K.value == pytest.approx(reference.UA_W_K.value, rel=0.1)


@pytest.mark.slow
@pytest.mark.parametrize(("fault", "kinds"), [
    (None, {VerdictKind.LEAVE}),
    ("deposit", {VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER}),
])  # fmt: skip
def test_a_year_of_hourly_readings(fault, kinds):
    plant = _season(
        ("primary_flow", "secondary_flow", "outdoor_temperature"), minutes=60, seed=48, fault=fault,
        end=datetime(2026, 9, 15, tzinfo=UTC),
    )  # fmt: skip
    found = evaluate(plant.exchanger, plant.logged)
    _check_shapes(found)
    assert len(found.intervals) == 365 * 24
    assert found.health.grade in ("off season", "thin")
    assert found.verdict.kind in kinds


def test_until_its_own_first_weeks_are_there_the_nameplate_says_what_clean_plates_would_do():
    plant = _autumn()
    found = evaluate(plant.exchanger, plant.logged.iloc[: 96 * 5])
    reference = found.reference
    assert reference.basis == "nameplate"
    assert np.log(reference.UA_W_K.high / reference.UA_W_K.value) == pytest.approx(1.645 * 0.10)
    design = plant.exchanger
    assert reference.duty_W.low < 1.1 * design.design_duty_W
    # makers' margins: a little more than the design duty, a little closer than the design approach
    assert reference.duty_W.value > design.design_duty_W
    approach = design.primary.design_outlet_degC - design.secondary.design_inlet_degC
    assert 0 < reference.approach_K.value < approach
    assert found.state is None


@pytest.mark.parametrize(("days", "needed", "beside"), [(25, 55, "yardstick"), (52, 20, "before")])
def test_days_that_are_missing_are_counted_to_the_verdict(days, needed, beside):
    """35 days make the yardstick, and 20 after it a verdict: both are told from the first day on."""
    plant = _autumn()
    found = evaluate(plant.exchanger, plant.logged.iloc[: days * 96])
    (few,) = [r for r in found.verdict.reasons if r.code == "few_days"]
    assert few.numbers["needed"] == needed
    assert 0 < few.numbers["days"] < needed
    assert few.numbers[beside] >= 35
