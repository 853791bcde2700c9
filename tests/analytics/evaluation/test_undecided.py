"""What is said between "established" and "nothing moves"; whom an alert accuses; when one ends."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from analytics.decisions.building_side import BuildingSide
from analytics.decisions.diagnosis import Odds
from analytics.evaluation.accused import UNNAMED_MARGIN, accused_instrument
from analytics.evaluation.alerts import _beyond_flows, building_alerts
from analytics.evaluation.verdict import _reads_building, _undecided
from analytics.trends.tracking import explanations
from analytics.vocabulary.records import (
    Cause,
    CauseKind,
    Estimate,
    Instrumentation,
    VerdictKind,
)

SUPPLY, RETURN = "primary_supply_temperature", "primary_return_temperature"
HEALTH = SimpleNamespace(consequences=(), instrumentation=Instrumentation.PRIMARY_FLOW)
TWO_METERS = SimpleNamespace(consequences=(), instrumentation=Instrumentation.BOTH_FLOWS)


def sure(value):
    return Estimate(value=value, low=value - 0.1, high=value + 0.1)


def odds(shares, evidence, instruments=(0, 1, 2, 3, 4)):
    """By what moves alone: nothing, the deposit, then each instrument; pairs explain nothing."""
    listed = explanations(instruments)
    alone = len(instruments) + 2
    return Odds(
        explanation=listed,
        share=dict(enumerate([*shares, *[0.0] * (len(listed) - alone)])),
        evidence=dict(enumerate([*evidence, *[-50.0] * (len(listed) - alone)])),
        deposit=sure(0.0), deposit_sd=0.01, moved={i: sure(1.5) for i in instruments},
    )  # fmt: skip


def cause(kind, subject, chances):
    return Cause(kind=kind, subject=subject, chances=chances, times_less_likely=1.0)


def state(value):
    return SimpleNamespace(
        cleanliness_factor=Estimate(value=value, low=value - 0.05, high=value + 0.05)
    )


def undecided(nothing, deposit, instrument, cleanliness, health=HEALTH):
    found = odds([nothing, deposit, instrument, 0, 0, 0, 0], [0.0] * 7)
    ranked = sorted(
        [
            cause(CauseKind.DEPOSIT, None, deposit),
            cause(CauseKind.THERMOMETER, SUPPLY, instrument),
        ],
        key=lambda c: -c.chances,
    )
    return _undecided(found, ranked, state(cleanliness), health)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ((0.5, 0.3, 0.2, 0.93), None),  # nothing moves is as likely as not
        ((0.05, 0.6, 0.35, 0.93), "deposit_or_instrument"),
        ((0.05, 0.93, 0.02, 0.93), "deposit_suspected"),
        ((0.05, 0.93, 0.02, 0.99), None),  # too little to matter
        ((0.05, 0.02, 0.93, 0.99), "one_meter_ambiguous"),  # an instrument, not to be named
    ],
)
def test_what_moved_for_sure_is_not_left_alone(given, said):
    verdict = undecided(*given)
    if said is None:
        assert verdict is None
        return
    assert verdict.kind is VerdictKind.CANNOT_TELL
    assert said in {r.code for r in verdict.reasons}
    assert verdict.cause is not None


def test_beside_two_meters_nobody_speaks_of_a_single_one():
    verdict = undecided(0.05, 0.02, 0.93, 0.99, TWO_METERS)
    assert verdict.kind is VerdictKind.CANNOT_TELL
    codes = {r.code for r in verdict.reasons}
    assert "one_meter_ambiguous" not in codes
    assert "calibration_would_settle" in codes


@pytest.mark.parametrize(
    ("supply", "meter", "named"),
    [(40.0, 40.0 - UNNAMED_MARGIN - 1, True), (40.0, 40.0 - UNNAMED_MARGIN + 1, False)],
)
def test_an_instrument_is_accused_if_what_may_not_be_named_explains_clearly_less(
    supply, meter, named
):
    found = odds([0, 0, 0.9, 0, 0, 0, 0.1], [0.0, 0.0, supply, 0.0, 0.0, 0.0, meter])
    listed = [
        cause(CauseKind.THERMOMETER, SUPPLY, 0.9),
        cause(CauseKind.FLOW_METER, "primary_flow", 0.1),
    ]
    account = SimpleNamespace(
        may_be_named=lambda: (0, 1, 3), ready=20_030, present_row=lambda: 0,
        scores=SimpleNamespace(index=(0,), onset=np.array([[20_030]])),
    )  # fmt: skip
    accused = accused_instrument(account, found, listed, set())
    assert (accused is not None) is named
    if named:
        assert accused.subject == SUPPLY
    # once alarmed by itself, it stays so
    assert accused_instrument(account, found, listed, {SUPPLY}).subject == SUPPLY
    # what began inside the reference period is the yardstick's own
    account.scores.onset[:] = 20_029
    assert accused_instrument(account, found, listed, set()) is None


def test_from_four_temperatures_only_what_no_flow_could_mimic_is_alerted():
    """Evidence by what moves, a day each: beyond the best of all flows by more than a hundred, or not."""
    listed = explanations((0, 1, 2, 3, 5))
    best = np.array([[300.0, 20.0, 250.0, 30.0, 40.0], [40.0, 200.0, 30.0, 20.0, 50.0]])
    tracks = SimpleNamespace(explanations=listed)
    assert not _beyond_flows(tracks, best, 0).any()  # a supply thermometer: a flow does the same
    assert _beyond_flows(tracks, best, 1).tolist() == [False, True]


@pytest.mark.parametrize(
    ("mild_K", "cold", "ends"),
    [(1.2, True, False), (0.4, True, True), (np.nan, True, False), (0.4, False, False)],
)
def test_a_buildings_fault_ends_with_its_return_back_on_its_curve(mild_K, cold, ends):
    """A by-pass shows less in mild weather; forty mild days do not acquit it unless nothing is left.

    Where nothing is heated at all, nothing would be left either way.
    """
    days = pd.date_range("2026-01-01", periods=80, freq="D").to_numpy().astype("datetime64[D]")
    excess = np.where(np.arange(80) < 40, 4.0, mild_K)
    active = (np.arange(80) >= 10) & (np.arange(80) < 40)
    side = BuildingSide(
        excess_K=None, flow_excess=None, since=None, days=days, excess_by_day_K=excess,
        active_by_day=active, cold_by_day=np.full(80, cold),
    )  # fmt: skip
    (alert,) = building_alerts(side)
    assert (alert.ended_utc is not None) is ends


@pytest.mark.parametrize(
    ("role", "explains"),
    [
        ("secondary_return_temperature", True),
        ("secondary_supply_temperature", True),
        (SUPPLY, False),
    ],
)
def test_a_changed_secondary_thermometer_goes_before_a_fault_of_the_building(role, explains):
    changed = SimpleNamespace(cause=cause(CauseKind.THERMOMETER, role, 1.0))
    assert _reads_building(changed) is explains
    assert not _reads_building(None)
