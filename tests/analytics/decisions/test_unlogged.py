"""What nobody logged is proposed with its date, known when it could be known; what is no event is not."""

import dataclasses
from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np
import pandas as pd
import pytest

from analytics.evaluation import evaluate
from analytics.evaluation.alerts import fouling_spans
from analytics.vocabulary.records import (
    CauseKind,
    Deed,
    MaintenanceEvent,
    Proposal,
    VerdictKind,
)
from demo_data.simulator import Scenario, random_scenario
from tests.analytics.plants import Plant, plant_of, simulated

pytestmark = pytest.mark.slow
CLEANED = datetime(2026, 2, 17, 10, tzinfo=UTC)
PLATES = (Deed.OPENED_AND_CLEANED, Deed.PLATES_CHANGED)


def _fouled(seed: int) -> Scenario:
    scenario = random_scenario(np.random.default_rng(seed), fault="deposit")
    assert scenario.deposit is not None
    reached = scenario.deposit.start + timedelta(days=70)
    deposit = dataclasses.replace(scenario.deposit, law="linear", reached=reached, share_lost=0.25)
    return dataclasses.replace(scenario, deposit=deposit)


@cache
def _pair(seed: int) -> tuple[Plant, Plant]:
    """The same exchanger with a deposit that grows all the time, and without one."""
    fouled = _fouled(seed)
    return plant_of(fouled), plant_of(dataclasses.replace(fouled, deposit=None))


def _cleaned(seed: int) -> pd.DataFrame:
    """Readings of plates that somebody cleaned for good; no line in the log."""
    fouled, clean = _pair(seed)
    return pd.concat(
        [fouled.logged[fouled.logged.index < CLEANED], clean.logged[clean.logged.index >= CLEANED]]
    )


def _dissolving(seed: int, days: float) -> pd.DataFrame:
    """Readings on their way from the fouled to the clean exchanger, in so many days."""
    fouled, clean = (p.logged for p in _pair(seed))
    gone = (fouled.index - pd.Timestamp(CLEANED)) / pd.Timedelta(days=days)
    share = np.clip(gone, 0.0, 1.0).to_numpy()[:, None]
    return fouled * (1.0 - share) + clean * share


def _of_plates(proposals: tuple[Proposal, ...]) -> list[Proposal]:
    return [p for p in proposals if p.deed in PLATES]


@pytest.mark.parametrize("seed", [5, 8, 9])
def test_an_unlogged_cleaning_is_proposed_and_ends_the_alert(seed: int):
    """Measured on seeds 5, 8, 9: dated 17 February all three, known five days later."""
    exchanger = _pair(seed)[0].exchanger
    found = evaluate(exchanger, _cleaned(seed))
    (proposal,) = found.proposals
    assert proposal.deed is Deed.OPENED_AND_CLEANED
    assert proposal.earliest_utc <= CLEANED <= proposal.latest_utc + timedelta(days=1)
    assert proposal.at_utc.date() == CLEANED.date()
    assert timedelta(days=3) < proposal.known_utc - CLEANED < timedelta(days=14)
    assert proposal.size.low > 0.05
    before, after = (
        found.daily["approach_reference_K"][pd.Timestamp(d)]
        for d in (proposal.earliest_utc, proposal.known_utc)
    )
    assert proposal.remark.numbers["before_K"] == pytest.approx(before)
    assert proposal.remark.numbers["after_K"] == pytest.approx(after)
    (alert,) = [a for a in found.alerts if a.kind is CauseKind.DEPOSIT]
    assert alert.ended_utc is not None
    assert CLEANED < alert.ended_utc < CLEANED + timedelta(days=25)
    assert found.verdict.kind is VerdictKind.LEAVE
    assert found.verdict.reasons[0].code == "visit_unlogged"
    assert not found.proofs


def test_once_logged_it_is_a_visit_like_any_other():
    exchanger = _pair(8)[0].exchanger
    proposal = evaluate(exchanger, _cleaned(8)).proposals[0]
    event = MaintenanceEvent(tag="HX", at_utc=proposal.at_utc, deed=proposal.deed)
    found = evaluate(exchanger, _cleaned(8), (event,))
    assert not found.proposals
    assert found.proofs[0].outcome == "worked"


def test_what_is_proposed_on_a_day_rests_on_no_later_one():
    exchanger = _pair(8)[0].exchanger
    logged = _cleaned(8)
    (whole,) = evaluate(exchanger, logged).proposals
    for days in (-1, 0, 1, 9, 40):
        cut = pd.Timestamp(whole.known_utc) + pd.Timedelta(days=1 + days)
        part = evaluate(exchanger, logged[logged.index < cut]).proposals
        assert part == ((whole,) if days >= 0 else ())


@pytest.mark.parametrize("days", [30.0, 45.0])
def test_a_deposit_that_dissolves_slowly_is_no_visit(days: float):
    found = evaluate(_pair(8)[0].exchanger, _dissolving(8, days))
    assert found.state.cleanliness_factor.value > 0.95
    assert not _of_plates(found.proposals)


@pytest.mark.parametrize(
    "fault", [None, "deposit", "thermometer", "flow meter", "load growth", "set point"]
)
def test_no_visit_is_proposed_where_there_was_none(fault: str | None):
    plant = simulated(fault, 5)
    assert not _of_plates(evaluate(plant.exchanger, plant.logged).proposals)


def test_a_thermometer_that_was_touched_is_proposed_by_its_name():
    plant = _pair(9)[1]
    logged = plant.logged.copy()
    logged.loc[logged.index >= CLEANED, "secondary_return_temperature"] += 1.2
    (proposal,) = evaluate(plant.exchanger, logged).proposals
    assert proposal.deed is Deed.THERMOMETER_CALIBRATED
    assert proposal.role == "secondary_return_temperature"
    assert abs(proposal.at_utc - CLEANED) < timedelta(days=2)
    assert proposal.size.low < 1.2 < proposal.size.high
    event = MaintenanceEvent(
        tag="HX", at_utc=proposal.at_utc, deed=proposal.deed, role=proposal.role
    )
    assert not evaluate(plant.exchanger, logged, (event,)).proposals


def test_an_alert_outlives_no_proven_recovery_but_outlives_a_doubtful_one():
    n = 60
    deposit = np.r_[np.zeros(10), np.full(20, 0.1), np.zeros(30)]
    raised, no = deposit > 0.05, np.zeros(n, dtype=bool)
    raised[30:] = True  # the scores go on
    sure = fouling_spans(raised, no, no, deposit, np.full(n, 0.01), 0.012)
    assert sure == [(10, 30 + 13)]
    assert fouling_spans(raised, no, no, deposit, np.full(n, 0.05), 0.012) == [(10, None)]
