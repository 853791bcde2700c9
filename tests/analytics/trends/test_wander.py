"""The wander of instruments: stationary, forgotten, and no reason for an alarm."""

from types import SimpleNamespace

import numpy as np
import pytest

from analytics.trends.account import Account, _told
from analytics.trends.tracking import deposit_beside_instrument_days
from analytics.trends.wander import MEMORY_DAYS, WANDER_K, Wandering, wander_variance


@pytest.mark.parametrize("gap", [1.0, 7.0, 120.0])
def test_the_wander_stays_as_wide_as_it_is(gap):
    keep, added = Wandering.beside(22).forget(gap)
    assert keep[22:] ** 2 * wander_variance() + added[22:] == pytest.approx(wander_variance())
    assert keep[22] == pytest.approx(np.exp(-gap / MEMORY_DAYS))
    assert (keep[:22] == 1.0).all()


def test_a_reading_sees_the_error_that_stays_and_the_one_that_wanders():
    wandering = Wandering.beside(22)
    x, P = wandering.start(np.eye(22) / 0.5**2, np.zeros(22))
    seen = wandering.turn @ P @ wandering.turn.T
    assert seen[0, 0] == pytest.approx(0.5**2 + WANDER_K**2)
    assert seen[10, 10] == pytest.approx(0.5**2)
    assert not x.any()


# --- an alarm beside an instrument ---------------------------------------------------------------------


def _tracks(deposit_alone, instrument_alone, both, deposit=0.06, doubt=0.01):
    """Four days, one instrument: nothing, deposit, instrument, both."""
    moved = np.full((4, 4, 2), np.nan)
    doubts = np.full((4, 4, 2), np.nan)
    moved[:, 3, 0], doubts[:, 3, 0] = deposit, doubt
    evidence = np.tile([0.0, deposit_alone, instrument_alone, both], (4, 1))
    return SimpleNamespace(
        explanations=(1, 2, 3, 4), evidence=evidence, moved=moved, moved_sd=doubts
    )


@pytest.mark.parametrize(
    ("tracks", "expected"),
    [
        (_tracks(40.0, 80.0, 120.0), True),
        (_tracks(40.0, 110.0, 120.0), False),  # the instrument alone explains nearly all
        (_tracks(110.0, 40.0, 120.0), False),  # and so does the deposit
        (
            _tracks(40.0, 1000.0, 1040.0),
            False,
        ),  # no model of a fault fits to four parts in a hundred
        (_tracks(40.0, 80.0, 120.0, doubt=0.03), False),  # a deposit that may be none
        (_tracks(40.0, 80.0, 120.0, deposit=-0.06), False),
    ],
)
def test_a_deposit_beside_an_instrument_needs_more_than_either(tracks, expected):
    found = deposit_beside_instrument_days(tracks, 7.0, 0.012)
    assert found.tolist() == [False, expected, expected, expected]


# --- what a summer shows -------------------------------------------------------------------------------


def _known(errors, first=20_000):
    day = first + np.arange(len(errors))
    info = SimpleNamespace(day=day, deposit_se=np.asarray(errors))
    return Account.well_known(SimpleNamespace(info=info))


@pytest.mark.parametrize(("deposit", "told"), [(0.03, False), (0.2, True)])
def test_an_alarm_on_days_of_little_load_tells_of_a_level_that_stands_out_alone(deposit, told):
    info = SimpleNamespace(
        day=20_000 + np.arange(210), deposit_se=np.array([0.006] * 150 + [0.2] * 60)
    )
    account = SimpleNamespace(
        info=info, deposit=lambda: (np.full(210, deposit), np.full(210, 0.03))
    )
    account.well_known = lambda: Account.well_known(account)
    assert _told(account)[:150].all()
    assert bool(_told(account)[-1]) is told


def test_a_few_summer_hours_do_not_know_the_plates_as_the_winter_did():
    known = _known([0.006] * 150 + [0.2] * 60)
    assert known[:150].all()
    assert not known[170:].any()


def test_a_plant_that_never_speaks_clearly_is_known_as_well_as_it_ever_was():
    assert _known([0.06] * 200).all()
