"""A deposit after a visit: what was left, what comes back, and which instruments are rivals."""

import numpy as np
import pytest

from analytics.trends.daily import DailyInformation, Renewal
from analytics.trends.drift import (
    deposit_alarm_days,
    deposit_left_days,
    drift_scores,
)
from analytics.trends.model import DEPOSIT, SIZE

DAYS = np.arange(20_000, 20_150)
READY, VISIT = 20_030, 20_090
THRESHOLD = 10.0
LEAST = 0.012  # deposit that is worth an alarm, times U0
METER = 4


def information(deposit, *, also=None, renewals=()):
    """Days that show the deposit within 0.01; ``also`` = (instrument, its effect per unit).

    The instrument's effect lies along the deposit's, so the days cannot tell one from the other.
    """
    size = SIZE + len(renewals)
    row = np.zeros((len(DAYS), size))
    row[:, DEPOSIT] = 1.0
    if also is not None:
        row[:, also[0]] = also[1]
    for i, renewal in enumerate(renewals):
        row[np.isin(DAYS, np.arange(renewal.day, DAYS[-1] + 1)), SIZE + i] = 1.0
    precision = 1 / 0.01**2
    prior = np.full(size, 1 / 0.3**2)
    prior[DEPOSIT] = 1 / 0.001**2
    return DailyInformation(
        day=DAYS, matrix=precision * row[:, :, None] * row[:, None, :],
        vector=precision * row * deposit[:, None], hours=np.full(len(DAYS), 10),
        prior_matrix=np.diag(prior), prior_vector=np.zeros(size), deposit=deposit,
        deposit_se=np.full(len(DAYS), 0.01), scale=np.ones(len(DAYS)), renewals=renewals,
    )  # fmt: skip


def alarms(info, accusable, index=(DEPOSIT, METER), visits=()):
    scores = drift_scores(info, index, READY, visits, accusable)
    return deposit_alarm_days(scores, THRESHOLD, LEAST)


@pytest.fixture
def grown():
    return 0.002 * np.clip(DAYS - 20_050, 0, None).astype(float)


def test_a_meter_that_may_not_be_named_is_no_rival(grown):
    """A single meter explains a slow loss as well as the plates do: the alarm must not wait for it."""
    info = information(grown, also=(METER, 1.01))
    assert alarms(info, accusable=()).any()


def test_an_instrument_would_have_to_be_off_by_what_instruments_are_off(grown):
    """The same fit by an error of 0.2 K and by one of 40 K, which is no rival."""
    behind = []
    for effect in (1.05, 0.005):
        info = information(grown, also=(0, effect))
        scores = drift_scores(info, (DEPOSIT, 0), READY, (), (0,))
        behind.append(scores.ratio[-1, 0] - scores.rival[-1])
    assert behind[0] < THRESHOLD < behind[1]


def test_what_comes_back_after_a_visit_is_raised_again(grown):
    after = 0.002 * np.clip(DAYS - VISIT, 0, None).astype(float)
    deposit = np.where(DAYS >= VISIT, after, grown)
    renewals = (Renewal(day=VISIT, index=DEPOSIT, sd=0.3),)
    raised = alarms(
        information(deposit, also=(METER, 0.05), renewals=renewals), accusable=(METER,), visits=(VISIT,)
    )  # fmt: skip
    assert raised[DAYS < VISIT].any()
    assert raised[DAYS > VISIT + 30].all()


def left(deposit, sd, alarm_until):
    n = len(DAYS)
    alarm = np.isin(DAYS, np.arange(20_061, alarm_until))
    return deposit_left_days(
        DAYS, alarm, np.full(n, deposit), np.full(n, sd), (VISIT,), THRESHOLD, LEAST
    )


def test_what_a_visit_left_is_raised_though_it_does_not_grow():
    days = left(0.3, 0.03, VISIT)
    assert not days[DAYS <= VISIT + 7].any()
    assert days[DAYS > VISIT + 8].all()


@pytest.mark.parametrize(
    ("deposit", "sd", "alarm_until"),
    [(0.1, 0.03, VISIT), (0.01, 0.001, VISIT), (0.3, 0.03, 20_062)],
    ids=["not for sure", "too small to matter", "the visit met no alarm"],
)
def test_no_alarm_from_the_level_alone(deposit, sd, alarm_until):
    assert not left(deposit, sd, alarm_until).any()
