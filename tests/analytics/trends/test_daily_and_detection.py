"""Daily information, drift scores and competing explanations, on information made by hand."""

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import trapezoid

from analytics.trends.account import Account
from analytics.trends.clean_reference import CleanFit
from analytics.trends.daily import (
    DailyInformation,
    Renewal,
    Statement,
    daily_information,
    with_statements,
)
from analytics.trends.drift import (
    ASTRAY_DEPOSIT,
    BEFORE_READY,
    GROWN,
    ONSET_EVERY,
    alarm_threshold,
    deposit_alarm_days,
    drift_scores,
    twice_running,
)
from analytics.trends.model import DEPOSIT, INDEX, SIZE
from analytics.trends.tracking import by_onset, explanations, leading, track, with_onsets
from analytics.trends.wander import (
    AGEING_K,
    AGEING_METER,
    MEMORY_DAYS,
    WANDER_K,
    WANDER_METER,
)
from tests.analytics.plants import DENSITY_kg_m3, counterflow, model_hours
from tests.analytics.trends.test_model import PIVOT, _films_UA, _model, _truth

READY = 40
LEAST = 0.012  # deposit that is worth an alarm, times U0
INSTRUMENTS = (0, 1, 2, 3, 4, 5)
# What a day's hours see: a deposit in both residuals, a thermometer in one or the other, and so on.
SEEN = np.zeros((4, SIZE))
SEEN[0, [DEPOSIT, 1, 4]] = 1.0, 0.05, 0.4
SEEN[1, [DEPOSIT, 2, 5]] = 0.8, -0.06, 0.5
SEEN[2, [0, 2]] = 0.05, -0.05
SEEN[3, [1, 3, 4]] = 0.06, -0.06, 0.3


def _information(rng, days, drifts=None, noise=0.01, size=SIZE):
    """Each day sees four sums of the unknowns, changing a little with the weather, with noise.

    ``drifts`` is the truth by day, shape (days, SIZE).
    """
    truth = np.zeros((days, SIZE)) if drifts is None else drifts
    seen = SEEN * np.exp(0.2 * rng.standard_normal((days, 1, SIZE)))
    read = np.einsum("dij,dj->di", seen, truth) + noise * rng.standard_normal((days, 4))
    sd = np.full(SIZE, 0.5)
    sd[[4, 5]], sd[6:] = 0.02, 0.1
    sd[DEPOSIT] = 1e-3
    return DailyInformation(
        day=20000 + np.arange(days), matrix=np.einsum("dij,dik->djk", seen, seen) / noise**2,
        vector=np.einsum("dij,di->dj", seen, read) / noise**2, hours=np.full(days, 20),
        prior_matrix=np.diag(sd**-2.0), prior_vector=np.zeros(SIZE),
        deposit=np.zeros(days), deposit_se=np.ones(days), scale=np.ones(days), renewals=(),
    )  # fmt: skip


def _drift(days, unknown, onset, size, ramp_days=None):
    truth = np.zeros((days, SIZE))
    since = np.arange(days) - onset
    shape = (since >= 0) if ramp_days is None else np.clip(since / ramp_days, 0, 1)
    truth[:, unknown] = size * shape
    return truth


def _scores(info, surface=()):
    return drift_scores(info, (DEPOSIT, *INSTRUMENTS), 20000 + READY, surface, INSTRUMENTS)


# --- detection --------------------------------------------------------------------------------------


def _joint_covariance(info, last):
    """Covariance of all days' unknowns at once, in which nothing moves but wander and age; (d s, d s)."""
    d = last + 1
    constant = np.linalg.inv(info.prior_matrix)
    apart = np.abs(np.subtract.outer(np.arange(d), np.arange(d)))
    together = np.minimum.outer(np.arange(d), np.arange(d))  # days both have aged
    joint = np.kron(np.ones((d, d)), constant).reshape(d, SIZE, d, SIZE)
    for i in range(6):
        wander, ageing = (WANDER_K, AGEING_K) if i < 4 else (WANDER_METER, AGEING_METER)
        joint[:, i, :, i] += wander**2 * np.exp(-apart / MEMORY_DAYS) + ageing**2 * together
    return joint.reshape(d * SIZE, d * SIZE)


def _every_change(info, last):
    """Score and information of a deposit of size one today, by onset and shape, from all days at once."""
    L = np.zeros(((last + 1) * SIZE,) * 2)
    for i in range(last + 1):
        L[i * SIZE : (i + 1) * SIZE, i * SIZE : (i + 1) * SIZE] = info.matrix[i]
    E = info.vector[: last + 1].ravel()
    weight = np.linalg.inv(np.eye(len(L)) + L @ _joint_covariance(info, last))
    for onset in range(READY - BEFORE_READY, last + 1, ONSET_EVERY):
        lasted = np.arange(last - onset + 1) + 1.0
        for profile in (lasted / lasted[-1], np.ones(len(lasted))):
            moved = np.zeros((last + 1, SIZE))
            moved[onset:, DEPOSIT] = profile
            change = moved.ravel()
            yield change @ weight @ E, change @ weight @ L @ change


def test_the_scores_are_the_likelihood_ratio_of_all_days_at_once():
    """The best of all onsets and shapes, from one normal distribution of everything that was read."""
    info = _information(np.random.default_rng(1), 70, _drift(70, DEPOSIT, 50, 0.05))
    scores, last = _scores(info), 66
    best = max(
        max(score, 0.0) ** 2 / (2 * (known + ASTRAY_DEPOSIT**-2.0))
        for score, known in _every_change(info, last)
    )
    assert scores.ratio[last, 0] == pytest.approx(best, rel=1e-6)


def test_evidence_is_the_likelihood_ratio_averaged_over_onset_shape_and_size():
    """By brute force: every onset and shape, the size integrated on a grid over half a normal prior."""
    info = _information(np.random.default_rng(1), 60, _drift(60, DEPOSIT, 50, 0.02))
    scores, last = _scores(info), 56
    sizes = np.linspace(0, 8 * GROWN, 40_001)
    prior = 2 / np.sqrt(2 * np.pi) / GROWN * np.exp(-((sizes / GROWN) ** 2) / 2)
    ratios = [
        trapezoid(prior * np.exp(sizes * score - sizes**2 * known / 2), sizes)
        for score, known in _every_change(info, last)
    ]
    assert scores.evidence[last, 0] == pytest.approx(np.log(np.mean(ratios)), abs=1e-5)


def test_quiet_days_before_a_movement_cost_it_nothing_but_the_choice_of_its_day():
    """A walk that lost twenty nats on a hundred quiet days and gained thirty on the thirty after."""
    whole = np.concatenate([-0.2 * np.arange(1, 101), -20.0 + np.arange(1, 31)])[:, None]
    found = by_onset(whole)[:, 0]
    assert found[-1] == pytest.approx(30 - np.log(130) + np.log(1 / (1 - np.exp(-1)) + 1 / (1 - np.exp(-0.2)) - 1), abs=0.1)  # fmt: skip
    assert found[99] < 0
    assert by_onset(whole[:50])[:, 0] == pytest.approx(found[:50])  # no later day counts


def test_a_late_change_of_an_instrument_is_known_by_its_size_and_not_by_what_it_was_before():
    truth = _drift(150, 2, 120, 1.2)
    info = _information(np.random.default_rng(9), 150, truth)
    scores = _scores(info)
    plain = track(info, explanations(INSTRUMENTS), 20000 + READY)
    tracks = with_onsets(plain, scores)
    j = 2 + INSTRUMENTS.index(2)
    assert tracks.evidence[-1, j] > plain.evidence[-1, j] - np.log(2.0)
    assert tracks.evidence[-1, j] > tracks.evidence[-1, 1] + 10
    assert tracks.moved[-1, j, 0] == pytest.approx(1.2, abs=3 * tracks.moved_sd[-1, j, 0])
    assert tracks.moved_sd[-1, j, 0] < 0.7 * plain.moved_sd[-1, j, 0]


def test_days_before_the_reference_is_ready_score_nothing():
    info = _information(np.random.default_rng(2), 60, _drift(60, DEPOSIT, 10, 0.3))
    assert not _scores(info).ratio[:READY].any()


@pytest.mark.parametrize(("ramp_days", "tolerance"), [(None, 2), (40, 14)])
@pytest.mark.parametrize("unknown", [DEPOSIT, 1, 2])
def test_steps_and_ramps_are_found_with_their_onset(unknown, ramp_days, tolerance):
    size = 0.08 if unknown == DEPOSIT else 1.5
    hits = []
    for seed in range(10):
        truth = _drift(130, unknown, 70, size, ramp_days)
        scores = _scores(_information(np.random.default_rng(seed), 130, truth))
        column = scores.index.index(unknown)
        assert scores.ratio[-1, column] > 10
        assert scores.ratio[:, 0 if unknown == DEPOSIT else column].argmax() > 70
        first = np.flatnonzero(scores.ratio[:, column] > 10)[0]
        hits.append(abs(scores.onset[first, column] - 20070))
        assert scores.size[-1, column] == pytest.approx(size, rel=0.35)
    assert np.median(hits) <= tolerance


def test_nothing_but_noise_hardly_ever_raises_an_alarm():
    """30 records of 200 days after the reference, 16 exchanger-years: at 0.1 a year 1.6 expected.

    A Poisson count of that mean exceeds 5 in one of a hundred. Sizes too small to matter are counted.
    """
    threshold = alarm_threshold(0.1)
    alarms, above = 0, 0
    for seed in range(30):
        scores = _scores(_information(np.random.default_rng(1000 + seed), 240))
        alarms += bool(deposit_alarm_days(scores, threshold, LEAST).any())
        first = scores.ratio[:, 0]
        above += bool(twice_running((first > threshold) & (first > scores.rival)).any())
    assert above <= 5
    assert alarms <= above


def test_a_drift_that_an_instrument_explains_raises_no_fouling_alarm():
    for seed in range(10):
        truth = _drift(140, 1, 60, 2.0, 30)
        scores = _scores(_information(np.random.default_rng(50 + seed), 140, truth))
        assert not deposit_alarm_days(scores, alarm_threshold(0.01), LEAST).any()


def test_a_deposit_that_shrinks_is_none():
    info = _information(np.random.default_rng(3), 120, _drift(120, DEPOSIT, 60, -0.1))
    scores = _scores(info)
    assert scores.ratio[:, 0].max() < alarm_threshold(0.01)


def test_no_onset_lies_before_the_last_visit():
    info = _information(np.random.default_rng(4), 140, _drift(140, DEPOSIT, 50, 0.2, 60))
    scores = _scores(info, surface=(20100,))
    assert (scores.onset[100:, 0][scores.ratio[100:, 0] > 0] >= 20100).all()


def test_alarm_threshold():
    """Nine for one in a hundred years, 2.2 more for each tenth of that rate."""
    assert alarm_threshold(0.1) == pytest.approx(6.8)
    assert alarm_threshold(0.01) == pytest.approx(9.0)
    assert alarm_threshold(np.sqrt(1e-3)) == pytest.approx(7.9)
    assert alarm_threshold(0.0) == alarm_threshold(1e-4)


@pytest.mark.parametrize(("spacing_h", "times"), [(0.25, 1.0), (1.0, 1.5)])
def test_one_reading_an_hour_must_say_more(spacing_h, times):
    limits = SimpleNamespace(false_alerts_per_year=0.01)
    account = SimpleNamespace(
        exchanger=SimpleNamespace(limits=limits), table=SimpleNamespace(spacing_h=np.full(50, spacing_h))
    )  # fmt: skip
    assert Account.alarm_threshold.fget(account) == pytest.approx(9.0 * times)


def test_an_alarm_takes_two_days_running():
    days = np.array([True, False, True, True, True, False, True])
    assert twice_running(days).tolist() == [False, False, False, True, True, False, False]


def test_scores_of_a_day_use_no_later_day():
    info = _information(np.random.default_rng(5), 130, _drift(130, DEPOSIT, 70, 0.1, 40))
    whole, whole_tracks = _scores(info), track(info, explanations(INSTRUMENTS), 20000 + READY)
    for cut in (50, 77, 101):
        part = dataclasses.replace(
            info,
            **{n: getattr(info, n)[:cut] for n in ("day", "matrix", "vector", "hours", "scale")},
        )
        scores, tracks = _scores(part), track(part, explanations(INSTRUMENTS), 20000 + READY)
        np.testing.assert_array_equal(scores.ratio, whole.ratio[:cut])
        np.testing.assert_array_equal(scores.rival, whole.rival[:cut])
        np.testing.assert_array_equal(tracks.evidence, whole_tracks.evidence[:cut])
        np.testing.assert_array_equal(tracks.deposit, whole_tracks.deposit[:cut])


# --- competing explanations -------------------------------------------------------------------------


def _named(tracks):
    return tracks.explanations[int(tracks.evidence[-1].argmax())].moving


@pytest.mark.parametrize(
    ("unknown", "size"), [(DEPOSIT, 0.1), (0, 2.0), (1, -2.0), (2, 2.0), (3, -2.0), (5, 0.1)]
)
def test_the_one_that_moves_has_the_evidence(unknown, size):
    right = 0
    for seed in range(5):
        truth = _drift(130, unknown, 60, size, 40)
        info = _information(np.random.default_rng(seed), 130, truth)
        tracks = track(info, explanations(INSTRUMENTS), 20000 + READY)
        right += unknown in _named(tracks)
    assert right >= 4


def test_nothing_moves_where_nothing_does():
    info = _information(np.random.default_rng(6), 200)
    tracks = track(info, explanations(INSTRUMENTS), 20000 + READY)
    assert tracks.evidence[-1].max() < 3
    assert (leading(tracks, INSTRUMENTS) == 1).all()


def test_the_account_of_a_deposit_is_the_deposit():
    truth = _drift(150, DEPOSIT, 60, 0.15, 60)
    held = []
    for seed in range(8):
        info = _information(np.random.default_rng(20 + seed), 150, truth)
        tracks = track(info, explanations(INSTRUMENTS), 20000 + READY)
        z = (tracks.deposit[60:, 1] - truth[60:, DEPOSIT]) / tracks.deposit_sd[60:, 1]
        held.append(np.mean(np.abs(z) < 1.645))
    assert np.mean(held) > 0.8


def test_an_instruments_error_does_not_pass_for_a_deposit():
    truth = _drift(150, 1, 60, 2.0, 30)
    info = _information(np.random.default_rng(7), 150, truth)
    tracks = track(info, explanations(INSTRUMENTS), 20000 + READY)
    kept = leading(tracks, INSTRUMENTS)
    assert tracks.explanations[kept[-1]].moving == (DEPOSIT, 1)
    assert abs(tracks.deposit[-1, kept[-1]]) < 3 * tracks.deposit_sd[-1, kept[-1]]
    # one that may not be named has no say
    assert tracks.explanations[leading(tracks, (0, 2, 3))[-1]].moving != (DEPOSIT, 1)
    assert (leading(tracks, ()) == 1).all()


def test_a_filter_that_does_not_walk_is_the_mean_of_one_normal_distribution():
    """Before the reference is ready nothing walks: the state follows from all days at once."""
    info = _information(np.random.default_rng(8), 60)
    tracks, last = track(info, explanations(INSTRUMENTS), 30000), 59
    L = np.zeros(((last + 1) * SIZE,) * 2)
    for i in range(last + 1):
        L[i * SIZE : (i + 1) * SIZE, i * SIZE : (i + 1) * SIZE] = info.matrix[i]
    weight = np.linalg.inv(np.eye(len(L)) + L @ _joint_covariance(info, last))
    stays = np.tile(np.linalg.inv(info.prior_matrix), (last + 1, 1, 1))
    for i in range(6):
        stays[:, i, i] += (AGEING_K if i < 4 else AGEING_METER) ** 2 * np.arange(last + 1)
    stays = np.swapaxes(stays, 0, 1).reshape(SIZE, -1)
    expected = stays @ weight @ info.vector.ravel()
    known = stays[:, -SIZE:] - stays @ weight @ L @ stays.T
    np.testing.assert_allclose(tracks.state[1], expected, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(tracks.covariance[1], known, rtol=1e-5, atol=1e-10)
    np.testing.assert_allclose(tracks.evidence, 0.0, atol=1e-6)


# --- a day's information ----------------------------------------------------------------------------


def _many_hours(days=30, seed=9):
    rng = np.random.default_rng(seed)
    n, p = days * 20, _truth()
    mass = np.array(PIVOT) * np.exp(rng.uniform(-0.8, 0.4, (n, 2)))
    t = counterflow(rng.uniform(78, 98, n), rng.uniform(36, 47, n), mass, _films_UA(p, mass))
    hours = model_hours(t + rng.normal(0, 0.04, (n, 4)), mass / DENSITY_kg_m3)
    sd = np.full(SIZE, 0.1)
    sd[:4] = 0.5
    fit = CleanFit(
        model=_model(prior_mean=p, prior_sd=sd), point=p, prior_matrix=np.diag(sd**-2.0),
        prior_vector=np.zeros(SIZE), hours=n,
    )  # fmt: skip
    return fit, hours, 20000 + np.repeat(np.arange(days), 20)


def _daily(fit, hours, day, renewals=()):
    return daily_information(fit, hours, day, renewals, ready=20000, assumed_secondary=False)


def test_days_added_one_by_one_equal_all_at_once():
    fit, hours, day = _many_hours()
    whole = _daily(fit, hours, day)
    for cut in (1, 7, 25):
        part = _daily(fit, hours.subset(day < 20000 + cut), day[day < 20000 + cut])
        for name in ("matrix", "vector", "deposit", "deposit_se", "scale"):
            np.testing.assert_allclose(
                getattr(part, name), getattr(whole, name)[:cut], rtol=1e-9, atol=1e-9, err_msg=name
            )


def test_a_day_carries_no_more_than_its_day_effects_allow():
    """Thousands of hours of one day cannot tell the deposit better than U's own 0.3 % of the day."""
    fit, hours, day = _many_hours(days=100)
    one = _daily(fit, hours, np.full(len(day), 20000))
    assert one.matrix[0, DEPOSIT, DEPOSIT] < 1 / 0.003**2
    eigenvalues = np.linalg.eigvalsh(one.matrix[0])
    assert eigenvalues.min() > -1e-6 * eigenvalues.max()


def test_a_day_with_a_deposit_shows_it():
    fit, hours, day = _many_hours()
    rng = np.random.default_rng(10)
    p = _truth(deposit=0.2)
    mass = hours.volume_flow * DENSITY_kg_m3
    t = counterflow(hours.temperature[:, 0], hours.temperature[:, 3], mass, _films_UA(p, mass))
    fouled = dataclasses.replace(hours, temperature=t + rng.normal(0, 0.04, t.shape))
    found = _daily(fit, fouled, day)
    # once the first days have shown it, a day is linearised where its plates are
    assert np.median(found.deposit[3:]) == pytest.approx(0.2, rel=0.03)
    assert abs(np.median(_daily(fit, hours, day).deposit)) < 0.01


def test_a_renewed_unknown_is_the_old_one_plus_a_change():
    fit, hours, day = _many_hours()
    renewal = Renewal(day=20015, index=DEPOSIT, sd=0.3)
    info = _daily(fit, hours, day, (renewal,))
    assert info.size == SIZE + 1
    assert not info.matrix[:15, SIZE].any()
    np.testing.assert_allclose(info.matrix[15:, SIZE, SIZE], info.matrix[15:, DEPOSIT, DEPOSIT])
    assert info.prior_matrix[SIZE, SIZE] == pytest.approx(1 / 0.3**2)
    assert info.total_row(DEPOSIT, 20014).sum() == 1
    assert info.total_row(DEPOSIT, 20015)[[DEPOSIT, SIZE]].tolist() == [1.0, 1.0]


def test_what_is_known_besides_counts_from_the_next_day_with_evidence():
    fit, hours, day = _many_hours()
    info = _daily(fit, hours.subset(day != 20010), day[day != 20010])
    row = np.zeros(SIZE)
    row[1], row[0] = 1.0, -1.0
    told = with_statements(info, fit.point, (Statement(day=20009, row=row, value=0.7, sd=0.1),))
    changed = np.flatnonzero((told.matrix != info.matrix).any(axis=(1, 2)))
    assert info.day[changed].tolist() == [20011]
    assert (told.vector - info.vector)[changed[0], 1] == pytest.approx(70.0)
    late = with_statements(info, fit.point, (Statement(day=20029, row=row, value=0.7, sd=0.1),))
    np.testing.assert_array_equal(late.matrix, info.matrix)


def test_a_wild_day_loses_weight_and_others_do_not():
    fit, hours, day = _many_hours()
    calm = _daily(fit, hours, day)
    wild = hours.temperature.copy()
    wild[day == 20020, 1] += 3.0
    found = _daily(fit, dataclasses.replace(hours, temperature=wild), day)
    share = found.matrix[:, DEPOSIT, DEPOSIT] / calm.matrix[:, DEPOSIT, DEPOSIT]
    assert share[20] < 0.3
    np.testing.assert_allclose(share[:20], 1.0, rtol=1e-9)
    assert INDEX["deposit"] == DEPOSIT
