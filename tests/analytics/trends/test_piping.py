"""What a service may leave behind: it shows from one day to the next, or it is something else."""

from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import pytest

from analytics.trends.account import day_number, exchanged_since
from analytics.trends.piping import _from_abrupt, exchanged_after_service
from analytics.vocabulary.records import Deed

DAYS = np.arange(20_000, 20_080)
SERVICE = 20_040
HOURS = np.repeat(DAYS, 24)


def _cold_end(before=3.0, after=None, noise=0.3):
    """Primary return minus secondary return by hour, as read before and from the service on."""
    rng = np.random.default_rng(7)
    level = np.where(HOURS < SERVICE, before, before if after is None else after)
    return level + noise * rng.standard_normal(len(HOURS))


def test_returns_taken_for_each_other_turn_the_sign_of_the_cold_end():
    found = exchanged_after_service(HOURS, _cold_end(after=-3.0), [SERVICE], DAYS)
    assert not found[DAYS < SERVICE + 3].any()
    assert found[DAYS >= SERVICE + 4].all()


@pytest.mark.parametrize(("noise", "told"), [(0.2, True), (3.0, False)])
def test_small_approaches_turn_too_where_days_are_alike(noise, told):
    """Half a kelvin either way; days that differ by as much tell nothing."""
    cold_end = _cold_end(before=0.5, after=-0.5, noise=noise)
    assert bool(exchanged_after_service(HOURS, cold_end, [SERVICE], DAYS).any()) is told


def test_the_approach_may_differ_with_the_load_when_its_sign_turns():
    assert exchanged_after_service(HOURS, _cold_end(after=-1.7), [SERVICE], DAYS)[-1]


@pytest.mark.parametrize("after", [3.0, 0.5, -0.4, -7.0])
def test_another_level_after_a_service_is_no_exchange(after):
    """A cleaning, a thermometer that was knocked: the sign must turn and the size be what it was."""
    assert not exchanged_after_service(HOURS, _cold_end(after=after), [SERVICE], DAYS).any()


def test_without_a_service_a_sign_that_turns_is_not_told():
    assert not exchanged_after_service(HOURS, _cold_end(after=-3.0), [], DAYS).any()


def test_put_right_again_it_ends():
    cold_end = _cold_end(after=-3.0)
    cold_end[HOURS >= 20_060] = 3.0
    found = exchanged_after_service(HOURS, cold_end, [SERVICE], DAYS)
    assert found[(DAYS > SERVICE + 4) & (DAYS < 20_060)].all()
    assert not found[DAYS > 20_063].any()


def test_returns_exchanged_are_told_though_no_hour_carries_evidence_from_then_on():
    temperature = np.zeros((len(HOURS), 4))
    temperature[:, 1] = _cold_end(after=-3.0)
    done = datetime(2024, 11, 13, 9, tzinfo=UTC)  # the day of the service
    account = SimpleNamespace(
        table=SimpleNamespace(temperature=temperature, day=HOURS), set_aside=np.zeros(len(HOURS), int),
        events=[SimpleNamespace(deed=Deed.GASKETS_CHANGED, at_utc=done)],
        info=SimpleNamespace(day=DAYS[DAYS < SERVICE]), exchanged=np.zeros(SERVICE - DAYS[0], bool),
    )  # fmt: skip
    assert day_number(done) == SERVICE
    since = exchanged_since(account)
    assert since is not None
    assert SERVICE <= since <= SERVICE + 4
    account.events = []
    assert exchanged_since(account) is None


def test_a_run_counts_from_its_abrupt_day_on():
    found = np.array([1, 1, 1, 0, 1, 1, 1], dtype=bool)
    abrupt = np.array([0, 1, 0, 1, 0, 0, 0], dtype=bool)
    assert _from_abrupt(found, abrupt).tolist() == [False, True, True, False, False, False, False]
