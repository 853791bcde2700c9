"""A single flow meter against both pressure drops, and pressure drops of flows that come and go.

That turbulent pressure drop goes with the flow to a power of 1.7 to 1.9 is common practice for plate channels.
"""

from dataclasses import replace
from datetime import timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from analytics.decisions.pressure import PressureSide, pressure_sides, single_meter_gain
from analytics.evaluation import evaluate
from analytics.evaluation.verdict import _beyond
from analytics.trends.account import keep_account
from analytics.trends.reference_condition import estimate
from analytics.vocabulary.records import CauseKind, Estimate, VerdictKind
from demo_data.simulator import Deposit
from demo_data.simulator.events import MeterFault, ThermometerFault
from service.wording.remarks import remark_text
from tests.analytics.plants import START, plant_of, simulated

ONE = Estimate(value=1.0, low=1.0, high=1.0)
BOTH_DROPS = ("primary_pressure_drop", "secondary_pressure_drop")


def side(gain, sd=0.01):
    return PressureSide(
        power=ONE, day=np.array([1]), ratio=np.ones(1), ratio_sd=np.ones(1), recent=ONE,
        meter_gain=gain, meter_gain_sd=sd,
    )  # fmt: skip


def metered(primary, secondary):
    flow = np.array([[1.0 if primary else np.nan, 1.0 if secondary else np.nan]])
    return SimpleNamespace(table=SimpleNamespace(flow=flow))


def test_both_sides_alike_tell_the_gain_of_the_only_meter():
    found = single_meter_gain(metered(True, False), (side(0.08), side(0.09)))
    assert found.value == pytest.approx(np.expm1(0.085))
    assert found.low < np.expm1(0.08) < found.high


@pytest.mark.parametrize(
    ("meters", "sides"),
    [
        ((True, True), (side(0.08), side(0.09))),  # two meters: the heat balance speaks
        ((True, False), (side(0.08), side(0.0))),  # a strainer, or channels cleaned
        ((True, False), (side(0.0), side(0.09))),  # a thermometer of the side that is not metered
        ((True, False), (side(0.02), side(0.03))),  # too small to matter
        ((True, False), (side(0.08, 0.05), side(0.09, 0.05))),  # not for sure
        ((True, False), (side(0.08), None)),
        ((False, False), (side(0.08), side(0.09))),
    ],
)
def test_anything_else_tells_nothing(meters, sides):
    assert single_meter_gain(metered(*meters), sides) is None


def logged(seed, **changes):
    plant = simulated(None, seed)
    roles = [r for r in plant.scenario.logger.roles if r not in (*BOTH_DROPS, "secondary_flow")]
    roles = tuple(dict.fromkeys((*roles, "primary_flow", *BOTH_DROPS)))
    logger = replace(plant.scenario.logger, roles=roles)
    return plant_of(replace(plant.scenario, logger=logger, **changes))


@pytest.mark.slow
@pytest.mark.parametrize("gain", [0.09, -0.09])
def test_a_single_meter_that_strayed_is_named(gain):
    """Without the pressure drops its error and a change of the plates look alike."""
    fault = MeterFault(role="primary_flow", start=START + timedelta(days=80), gain=gain)
    plant = logged(5, faults=(fault,))
    found = evaluate(plant.exchanger, plant.logged)
    assert found.verdict.kind is VerdictKind.CHECK_INSTRUMENT
    cause = found.verdict.cause
    assert (cause.kind, cause.subject) == (CauseKind.FLOW_METER, "primary_flow")
    assert cause.magnitude.low < gain < cause.magnitude.high
    assert "pressure drops" in remark_text(cause.speaks_for[0], None)
    blind = evaluate(plant.exchanger, plant.logged.drop(columns=list(BOTH_DROPS)))
    assert blind.verdict.kind is not VerdictKind.CHECK_INSTRUMENT


@pytest.mark.slow
def test_a_deposit_and_a_thermometer_are_no_meter_and_no_strainer():
    day = timedelta(days=1)
    deposit = Deposit(
        law="linear", start=START + 80 * day, reached=START + 220 * day, share_lost=0.3
    )
    fouled = logged(5, deposit=deposit)
    found = evaluate(fouled.exchanger, fouled.logged)
    assert found.verdict.kind in (VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER)
    # 2 K too much on the secondary supply let the flow that it implies seem a fifth too small
    stray = ThermometerFault(
        role="secondary_supply_temperature", start=START + 80 * day, error_K=2.0
    )
    plant = logged(5, faults=(stray,))
    account = keep_account(plant.exchanger, plant.logged, ())
    sides = pressure_sides(account)
    assert single_meter_gain(account, sides) is None
    assert not any(s.blocked for s in sides if s is not None)


@pytest.mark.parametrize(("high", "beyond"), [(0.73, True), (0.90, False), (1.02, False)])
def test_a_loss_far_beyond_the_meters_error_is_not_the_meters_doing(high, beyond):
    """A meter 9 % low feigns a loss of about as much; a quarter of UA it does not."""
    meter = SimpleNamespace(magnitude=estimate(-0.09, 0.015))
    state = SimpleNamespace(cleanliness_factor=SimpleNamespace(high=high))
    assert _beyond(meter, state) is beyond
