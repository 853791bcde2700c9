"""Days about a frozen reference: unbiased, and honest about what their errors share."""

from dataclasses import replace

import numpy as np
import pytest

from analytics.trends.daily import DailyInformation, Renewal
from analytics.trends.frozen_reference import WIDEN_TRACKED, frozen_days, tracked_days
from analytics.trends.model import DEPOSIT, SIZE

READY, DAYS = 60, 160
GROWTH = 0.001  # a day, from the end of the reference period on


def _information(rng, *, renewals=(), drawn_doubt=None):
    """Six readings a day of a linear world whose unknowns are drawn from their prior."""
    size = SIZE + len(renewals)
    prior = np.diag([4.0] * SIZE + [r.sd**-2 for r in renewals])
    truth = 0.5 * rng.standard_normal(size) if drawn_doubt is None else drawn_doubt
    truth[DEPOSIT] = 0.0
    day = np.arange(DAYS)
    deposit = GROWTH * np.maximum(day - READY, 0)
    matrix, vector = np.zeros((DAYS, size, size)), np.zeros((DAYS, size))
    for i in day:
        J = rng.standard_normal((6, size)) * 0.1
        J[:, DEPOSIT] = 5.0 + rng.standard_normal(6)
        for k, renewal in enumerate(renewals):
            J[:, SIZE + k] = J[:, renewal.index] * (i >= renewal.day)
        x = truth.copy()
        x[DEPOSIT] = deposit[i]
        reading = J @ x + 0.05 * rng.standard_normal(6)
        matrix[i], vector[i] = J.T @ J / 0.05**2, J.T @ reading / 0.05**2
    return DailyInformation(
        day=day, matrix=matrix, vector=vector, hours=np.full(DAYS, 6), prior_matrix=prior,
        prior_vector=np.zeros(size), deposit=np.zeros(DAYS), deposit_se=np.ones(DAYS),
        scale=np.ones(DAYS), renewals=renewals,
    ), deposit  # fmt: skip


def test_errors_are_as_large_as_stated():
    rng = np.random.default_rng(31)
    mean_error, stated = [], []
    for _ in range(60):
        info, deposit = _information(rng)
        found = frozen_days(info, READY, READY)
        w = np.full(len(found.day), 1.0 / len(found.day))
        covariance = np.diag(found.standard_error**2) + found.reference
        mean_error.append(w @ (found.deposit - deposit[READY:]))
        stated.append(np.sqrt(w @ covariance @ w))
    z = np.array(mean_error) / np.array(stated)
    assert 0.75 < z.std() < 1.25
    assert abs(z.mean()) < 0.45


def test_later_days_do_not_change_the_earlier_ones():
    """What is learnt after the reference period is not laid at the door of films and instruments."""
    info, _ = _information(np.random.default_rng(32))
    whole = frozen_days(info, READY, READY)
    louder = DailyInformation(
        **{
            name: getattr(info, name) for name in info.__slots__ if name not in ("matrix", "vector")
        },
        matrix=np.where(info.day[:, None, None] > 120, 9.0, 1.0) * info.matrix,
        vector=np.where(info.day[:, None] > 120, 9.0, 1.0) * info.vector,
    )
    again = frozen_days(louder, READY, READY)
    np.testing.assert_allclose(again.deposit[:50], whole.deposit[:50])
    np.testing.assert_allclose(again.reference[:50, :50], whole.reference[:50, :50])


def test_a_visit_is_part_of_the_deposit_and_not_of_the_reference():
    visit = Renewal(day=100, index=DEPOSIT, sd=0.3)
    rng = np.random.default_rng(33)
    doubt = np.zeros(SIZE + 1)
    doubt[SIZE] = -0.03  # the visit takes off what had grown
    info, deposit = _information(rng, renewals=(visit,), drawn_doubt=doubt)
    found = frozen_days(info, READY, READY)
    expected = deposit[READY:] - 0.03 * (found.day >= 100)
    assert np.abs(np.median(found.deposit - expected)) < 0.003


def test_instruments_wander_between_days_and_forget_it():
    """About a visit: neighbours share it, days a season apart do not; ageing is counted either way."""
    info, _ = _information(np.random.default_rng(34))
    info = replace(info, matrix=np.tile(info.matrix[80], (DAYS, 1, 1)))  # all days alike
    since, about = frozen_days(info, READY, READY), frozen_days(info, READY, READY, about=110)
    assert np.diag(since.wander)[0] == 0.0
    assert (np.diff(np.diag(since.wander)) > 0.0).all()
    at = int(np.flatnonzero(about.day == 110)[0])
    alone = about.wander[at, at]
    assert about.wander[at, at - 20] == pytest.approx(alone * np.exp(-1.0))  # its memory
    assert about.wander[at, at + 20] == pytest.approx(alone * np.exp(-1.0))
    aged = about.wander[at + 40, at + 40] - alone
    assert aged > 0.0
    assert about.wander[at - 40, at - 40] - alone == pytest.approx(aged)


def test_a_tracked_level_is_alike_from_day_to_day():
    sd = np.full(DAYS, 0.01)
    found = tracked_days(np.arange(DAYS), np.zeros(DAYS), sd, READY)
    assert len(found.day) == DAYS - READY
    mean = np.full(len(found.day), 1.0 / len(found.day))
    total = np.diag(found.standard_error**2) + found.wander + found.reference
    assert np.sqrt(mean @ total @ mean) > 3.0 * 0.01 / np.sqrt(len(mean))
    assert np.sqrt(total[0, 0]) == pytest.approx(0.01 * WIDEN_TRACKED * np.sqrt(1.2))
