"""Before and after a visit: sham visits, real ones, days that resemble each other."""

from datetime import UTC, datetime

import numpy as np
import pytest

from analytics.decisions.proof import prove_visit
from analytics.vocabulary.records import Deed, MaintenanceEvent

EVENT = MaintenanceEvent(
    tag="HX-01", at_utc=datetime(2025, 3, 1, 9, tzinfo=UTC), deed=Deed.CLEANED_IN_PLACE
)
DAYS = np.datetime64("2024-12-20") + np.arange(100)  # the visit is day 71


def _series(rng, before, after, *, sd=0.005, alike=0.0, growth=0.0):
    noise = rng.standard_normal(len(DAYS))
    for i in range(1, len(noise)):
        noise[i] = alike * noise[i - 1] + np.sqrt(1 - alike**2) * noise[i]
    gone = np.arange(100) > 71
    level = np.where(gone, after, before) + growth * np.arange(100)
    return level + sd * noise


def _prove(fouling, sd=0.005, common_sd=0.01):
    return prove_visit(EVENT, DAYS, fouling, np.full(len(DAYS), sd), common_sd=common_sd)


@pytest.mark.parametrize("alike", [0.0, 0.5])
def test_sham_visits_hardly_ever_work(alike):
    """At most about one in twenty is called an effect; with 400 shams, 95 % below 7 %."""
    rng = np.random.default_rng(11)
    outcomes = [
        _prove(_series(rng, 0.15, 0.15, sd=0.02, alike=alike), 0.02).outcome for _ in range(400)
    ]
    assert np.mean([o in ("worked", "worked in part") for o in outcomes]) <= 0.07
    assert "no effect seen" in outcomes


@pytest.mark.parametrize("alike", [0.0, 0.5])
def test_gain_is_within_two_percent_and_its_interval_honest(alike):
    rng = np.random.default_rng(12)
    truth = 1.20 / 1.01 - 1.0
    proofs = [_prove(_series(rng, 0.20, 0.01, alike=alike)) for _ in range(300)]
    assert all(p.outcome == "worked" for p in proofs)
    assert max(abs(p.gain.value - truth) for p in proofs) < 0.02
    assert np.mean([p.gain.low <= truth <= p.gain.high for p in proofs]) >= 0.87
    assert np.median([p.recovered.value for p in proofs]) == pytest.approx(0.95, abs=0.01)


def test_half_a_cleaning_worked_in_part():
    proof = _prove(_series(np.random.default_rng(13), 0.20, 0.10))
    assert proof.outcome == "worked in part"
    assert proof.recovered.low < 0.5 < proof.recovered.high


def test_too_few_days_after_are_too_early():
    fouling = _series(np.random.default_rng(14), 0.2, 0.0)
    fouling[75:] = np.nan
    proof = _prove(fouling)
    assert proof.outcome == "too early to tell"
    assert proof.gain is None
    assert proof.days_after == 3


def test_understated_errors_do_not_make_shams_work():
    """Stated a quarter of the true scatter: the days' own scatter must be used."""
    rng = np.random.default_rng(15)
    outcomes = [_prove(_series(rng, 0.1, 0.1, sd=0.02), 0.005).outcome for _ in range(300)]
    assert np.mean([o.startswith("worked") for o in outcomes]) <= 0.075


def test_no_days_at_all():
    proof = _prove(np.full(len(DAYS), np.nan))
    assert proof.before_cleanliness is None
    assert proof.after_cleanliness is None


def test_fast_growth_up_to_the_visit_is_carried_to_it():
    """At 0.6 % a day the mean of the fortnight before lies 4 % behind what the visit met."""
    rng = np.random.default_rng(15)
    days = np.arange(100)
    met = 0.25
    errors = []
    for _ in range(100):
        level = np.where(days > 71, 0.0, np.maximum(met + 0.006 * (days - 71), 0.0))
        proof = _prove(level + 0.005 * rng.standard_normal(100))
        errors.append(proof.gain.value - met)
    assert abs(np.median(errors)) < 0.01
    assert np.quantile(np.abs(errors), 0.9) < 0.02
