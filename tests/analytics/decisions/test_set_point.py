"""How the supply is held at its set point: a thermometer beside it, a loop that swings about it."""

from types import SimpleNamespace

import numpy as np
import pytest

from analytics.decisions.diagnosis import weigh
from analytics.decisions.set_point import SetPointHold, borne_out, held_set_point
from analytics.trends.reference_condition import estimate
from analytics.vocabulary.records import Deed
from tests.analytics.decisions.test_rival_instruments import account as weighed

READY, DAYS = 20_030, 120  # thirty days of reference
SUPPLY = "secondary_supply_temperature"


def account(beside_K, *, valve=0.5, scale=1.0, service="heating", events=()):
    """Hourly, with the set point met within 0.1 K in the reference and ``beside_K`` after it."""
    day = np.repeat(20_000 + np.arange(DAYS), 24)
    n, late = len(day), day >= READY
    rng = np.random.default_rng(5)
    off = rng.normal(0.0, 0.1, n) + np.where(late, np.resize(beside_K, n), 0.0)
    table = SimpleNamespace(
        temperature=np.full((n, 4), 55.0) + np.outer(off, [0, 0, 1, 0]), valve=np.where(late, valve, 0.5),
        set_point_degC=np.full(n, 55.0), flow=np.full((n, 2), 0.8), day=day, outdoor_degC=np.full(n, 3.0),
    )  # fmt: skip
    return SimpleNamespace(
        table=table, nominal=(1.0, 1.0), set_aside=np.zeros(n, dtype=np.int64), ready=READY,
        period=SimpleNamespace(first=20_000, last=READY - 1), events=events,
        exchanger=SimpleNamespace(service=service), 
        info=SimpleNamespace(day=20_000 + np.arange(DAYS), scale=np.full(DAYS, scale)),
    )  # fmt: skip


def test_a_thermometer_beside_the_controllers_own_lies_beside_the_set_point():
    hold = held_set_point(account(-1.6))
    assert hold is not None
    assert hold.left_K.value == pytest.approx(-1.6, abs=0.05)
    assert hold.left
    assert not hold.swings
    assert borne_out(hold, estimate(-2.4, 0.4))
    assert not borne_out(hold, estimate(2.4, 0.4))


def test_one_that_the_controller_reads_itself_shows_nothing_there():
    hold = held_set_point(account(0.0))
    assert hold is not None
    assert not hold.left


def test_a_calibration_moves_the_reading_and_accuses_nobody():
    done = SimpleNamespace(deed=Deed.THERMOMETER_CALIBRATED, role=SUPPLY)
    hold = held_set_point(account(-1.6, events=(done,)))
    assert hold is not None
    assert not hold.left


def test_a_set_point_out_of_reach_is_no_error_of_the_thermometer():
    assert held_set_point(account(-4.0, valve=0.95)) is None


SWING = 1.2 * np.sin(np.linspace(0.0, 40.0, 500))  # a logger in step: slow, for hours on one side


@pytest.mark.parametrize(
    ("beside", "scale", "service", "swings"),
    [
        (SWING, 3.0, "heating", True),
        (SWING, 1.0, "heating", False),  # the balance of steady hours is calm: a store that charges
        (SWING, 1.0, "hot water", True),
        (
            [0.0, 0.0, 0.0, 4.0],
            3.0,
            "heating",
            False,
        ),  # one hour in four is disturbed, the others calm
    ],
)
def test_a_loop_that_hunts_leaves_no_hour_calm(beside, scale, service, swings):
    hold = held_set_point(account(beside, scale=scale, service=service))
    assert hold is not None
    assert hold.swings is swings


def test_a_thermometer_that_drifts_is_no_loop_that_swings():
    hold = held_set_point(account(np.linspace(-15.0, 0.0, DAYS * 24), scale=3.0))
    assert hold is not None
    assert not hold.swings


def test_starts_and_stops_of_a_summer_are_no_hunting():
    """From day 40 on four hours a day with load, at which the supply is anywhere."""
    plant = account(0.0, scale=3.0)
    late = plant.table.day >= 20_040
    starts = late & (np.tile(np.arange(24), DAYS) < 4)
    plant.table.flow[late & ~starts] = 0.0
    plant.table.temperature[starts, 2] += np.random.default_rng(3).normal(0.0, 3.0, starts.sum())
    hold = held_set_point(plant)
    assert hold is not None
    assert not hold.swings


@pytest.mark.parametrize(("left", "confirmed"), [(-1.5, True), (0.0, False)])
def test_what_the_set_point_shows_settles_between_two_that_explain_alike(left, confirmed):
    """Primary supply 4 K too high or secondary supply 1.5 K too low: both with 40 nats."""
    hold = SetPointHold(
        left_K=estimate(left, 0.15), swing_K=0.1, swing_before_K=0.1, steady=True, swings=False
    )
    plain, odds = (weigh(weighed((40.0, 40.0), (3.0, -1.5)), h) for h in (None, hold))
    supply = next(i for i, e in enumerate(odds.explanation) if e.moving == (2,))
    assert (odds.share[supply] > plain.share[supply]) is confirmed
    assert odds.borne_out == ((2,) if confirmed else ())
