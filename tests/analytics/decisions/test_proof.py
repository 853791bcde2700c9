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


def _regrown(rng, left, rate, growth=0.0):
    """Up to 0.2 before the visit at ``growth`` a day; from ``left`` after it at first ``rate`` a day."""
    since = np.maximum(np.arange(100) - 71, 0)
    fresh = left + rate * 30.0 * -np.expm1(-since / 30.0)
    before = np.maximum(0.2 + growth * (np.arange(100) - 71), 0.0)
    return np.where(since > 0, fresh, before) + 0.006 * rng.standard_normal(100)


def test_what_grows_again_at_once_is_not_taken_off_the_gain():
    """At 0.4 % a day the mean of the fortnight after lies 2.5 % above what the visit left."""
    rng = np.random.default_rng(17)
    proofs = [_prove(_regrown(rng, 0.01, 0.004)) for _ in range(150)]
    truth = 0.2 / 1.01 - 0.01 / 1.01
    errors = np.array([p.gain.value - truth for p in proofs])
    assert abs(np.median(errors)) < 0.008
    assert np.mean([p.gain.low <= truth <= p.gain.high for p in proofs]) >= 0.82


def test_a_sham_visit_to_a_growing_deposit_does_not_work():
    rng = np.random.default_rng(18)
    proofs = [_prove(_regrown(rng, 0.2, 0.003, growth=0.002)) for _ in range(150)]
    assert np.mean([p.outcome.startswith("worked") for p in proofs]) <= 0.05
    assert np.mean([p.gain.low <= 0.0 <= p.gain.high for p in proofs]) >= 0.87


def test_days_beyond_another_visit_do_not_count():
    fouling = _series(np.random.default_rng(19), 0.2, 0.0)
    fouling[:50] = 0.6  # before the visit of day 50
    fouling[81:] = 0.6
    proof = prove_visit(
        EVENT, DAYS, fouling, np.full(len(DAYS), 0.005), common_sd=0.01,
        others=(DAYS[49], DAYS[81]),
    )  # fmt: skip
    assert (proof.days_before, proof.days_after) == (21, 9)
    assert proof.gain.value == pytest.approx(0.2, abs=0.02)


def test_a_reference_that_the_sides_see_differently_widens_the_gain():
    """What both sides share drops out; what weather lets through on one side alone does not."""
    fouling = _series(np.random.default_rng(20), 0.2, 0.0)
    given = (EVENT, DAYS, fouling, np.full(len(DAYS), 0.005))
    both, one = np.ones(100), np.where(np.arange(100) > 71, 1.0, 0.0)
    width = {}
    for name, c in (("none", 0.0 * both), ("both", both), ("one", one)):
        shared = 0.03**2 * np.outer(c, c)
        gain = prove_visit(*given, common_sd=0.01, reference=shared).gain
        width[name] = gain.high - gain.low
    assert width["both"] == pytest.approx(width["none"], rel=0.1)
    assert width["one"] > 1.5 * width["none"]
