"""Thermometers from season to season: on two real substations, and on made-up rooms."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from analytics.evaluation.health import crossing_remarks, crossing_share
from analytics.evaluation.thermometer_pairs import PAIRS, contrast_of, pair_offsets
from analytics.trends.account import Account, keep_account
from analytics.trends.idle import ACROSS, SECONDARY_PAIR, Stretch, idle_offsets
from analytics.trends.thermometer_offsets import ThermometerOffsets, track_offsets
from analytics.trends.thermometer_steps import denied, shift_K, thermometer_steps
from analytics.vocabulary.records import Exchanger
from tests.analytics.plants import hour_table
from tests.analytics.substations import substation

COLD_END, _, SECONDARY = (contrast_of(p) for p in PAIRS)


@pytest.fixture(scope="module")
def four() -> Account:
    return keep_account(Exchanger(tag="S-4"), substation(4), ())


@pytest.fixture(scope="module")
def seventeen() -> Account:
    return keep_account(Exchanger(tag="S-17"), substation(17), ())


def _stretch(middle, first, last, wander=0.1):
    middle = np.asarray(middle, dtype=float)
    return Stretch(
        first=first, last=last, hours=1000, middle_K=middle - middle.mean(),
        sd_K=np.array([0.5, 0.5, 0.35]), wander_K=np.full(3, wander),
    )  # fmt: skip


# --- real substations (source and licence: tests/analytics/data/README.md) --------------------------


def test_real_summers_agree_on_the_cold_end(four):
    """Four summers of one plant room: a median each, which nothing but the thermometers joins."""
    seen = [float(COLD_END @ s.middle_K) for s in four.idle.stretches()]
    assert len(seen) == 4
    assert -2.6 < min(seen) <= max(seen) < -2.3
    assert np.std(seen, ddof=1) < 0.1


def test_offsets_explain_streams_that_seem_to_cross(four):
    assert crossing_share(four) > 0.6
    assert crossing_share(four, corrected=True) < 0.05
    assert four.offsets is not None
    said, sd = four.offsets.pair(COLD_END, int(four.table.day[-1]))
    assert said + 2 * sd < -1.0


@pytest.mark.parametrize(
    ("error_K", "gap_at_little_load_K", "gap_K", "code"),
    [
        (0.0, -0.1, 0.5, "crossing_small"),
        (-1.0, -1.0, -1.0, "crossing_explained"),
        (0.0, -0.1, -0.1, "crossing_unexplained"),  # at all loads: no pinch does that
        (0.0, -1.0, 0.5, "crossing_unexplained"),  # by more than is known of the thermometers
    ],
)
def test_crossing_streams_are_told_by_load_and_by_what_is_known_of_the_thermometers(
    error_K, gap_at_little_load_K, gap_K, code
):
    """A made-up record whose return thermometers are known against each other to a standard 0.2 K."""
    rise = np.tile(np.linspace(1.0, 20.0, 20), 10)
    gap = np.where(rise < 6.0, gap_at_little_load_K, gap_K)
    cold = np.full(200, 40.0)
    temperature = np.column_stack([cold + 40.0, cold + gap, cold + rise, cold])
    variance = 0.02 * np.eye(4)
    known = ThermometerOffsets(
        day=np.array([0]), error_K=np.array([[0.0, error_K, 0.0, 0.0]]),
        covariance_K2=variance[None],
    )  # fmt: skip
    account = SimpleNamespace(
        table=SimpleNamespace(temperature=temperature, day=np.zeros(200, dtype=np.int64)),
        offsets=known, set_aside=np.zeros(200, dtype=np.int64),
    )  # fmt: skip
    (said,) = crossing_remarks(account)
    assert said.code == code


def test_a_placeholder_of_four_equal_readings_is_no_agreement(four):
    """In September 2019 all five thermometers of substation 4 show 25.7 for a week."""
    odd = substation(4).loc["2019-09-20":"2019-09-26"]
    assert (odd["primary_supply_temperature"] == 25.7).any()
    assert four.idle.day.min() > pd.Timestamp("2020-04-01").timestamp() // 86400


def test_a_changed_thermometer_is_found_on_a_real_substation(seventeen):
    """The secondary pair went from -0.1 K (2020) to +1.9 K (2022), the other comparisons did not."""
    by_year = [float(SECONDARY @ s.middle_K) for s in seventeen.idle.stretches()]
    assert by_year[-1] - by_year[1] == pytest.approx(1.95, abs=0.15)
    assert {s.index for s in seventeen.steps} == {2}
    assert sum(s.size_K for s in seventeen.steps) == pytest.approx(2.0, abs=0.3)


def test_steps_are_causal_on_a_real_substation(seventeen):
    """What was known in spring 2022 must not need the summer after."""
    cut = keep_account(Exchanger(tag="S-17"), substation(17).loc[:"2022-03-31"], ())
    assert cut.steps == tuple(s for s in seventeen.steps if s.known < cut.table.day[-1])
    assert cut.offsets is not None
    assert seventeen.offsets is not None
    n = len(cut.offsets.day)
    np.testing.assert_allclose(cut.offsets.error_K, seventeen.offsets.error_K[:n], atol=1e-9)


def test_every_pair_is_told_with_evidence_and_age(four):
    found = pair_offsets(four)
    assert {p.evidence for p in found} == {"load", "standstill", "together"}
    assert all(p.difference_K.low < p.difference_K.value < p.difference_K.high for p in found)
    newest = [p for p in found if p.evidence == "standstill"][-1]
    assert newest.age_days == pytest.approx(158, abs=20)  # October 2023 to April 2024


# --- made-up rooms -----------------------------------------------------------------------------------


def test_a_leak_takes_weight_from_the_comparison_across_the_sides():
    """A leak can only warm the primary: 2 K warmer is doubted in full, 2 K colder is believed."""
    warm = idle_offsets(hour_table(np.tile([24.0, 24.0, 22.0, 22.0], (96, 1)), np.zeros((96, 2))))
    cold = idle_offsets(hour_table(np.tile([20.0, 20.0, 22.0, 22.0], (96, 1)), np.zeros((96, 2))))
    (leaks,), (tight,) = warm.stretches(), cold.stretches()
    assert leaks.sd_K[ACROSS] > 2.0
    assert tight.sd_K[ACROSS] < 0.4
    assert leaks.sd_K[SECONDARY_PAIR] == tight.sd_K[SECONDARY_PAIR]


def test_circulating_water_compares_the_secondary_pair_alone():
    """Valve shut, pump on, water cooling by 0.5 K/h: made errors of +0.6 K between the two."""
    n = 48
    water = 35.0 - 0.5 * np.arange(n) / 4
    t = np.column_stack([water - 3, water - 3, water + 0.6, water])
    found = idle_offsets(hour_table(t, np.tile([0.0, 2e-3], (n, 1))))
    assert len(found.day) == 0
    (stretch,) = found.stretches(circulating=True)
    (said,) = stretch.statements()
    assert said[1] == pytest.approx(0.6, abs=1e-9)
    assert list(np.flatnonzero(said[0])) == [2, 3]
    # with heat leaking in, the primary stays warm and nothing is said
    t[:, :2] += 30.0
    assert len(idle_offsets(hour_table(t, np.tile([0.0, 2e-3], (n, 1)))).circulating_day) == 0


def test_one_changed_thermometer_is_named_and_two_are_not():
    before = _stretch([0.3, 0.1, -0.2, 0.0], 100, 200)
    one = _stretch([0.3, 0.1, 1.3, 0.0], 465, 565)
    (step,) = thermometer_steps([before, one])
    assert (step.index, step.known) == (2, 565)
    assert step.size_K == pytest.approx(1.5, abs=1e-9)
    two = _stretch([0.3, 1.6, 1.3, 0.0], 465, 565)
    assert thermometer_steps([before, two]) == []
    assert thermometer_steps([before, _stretch([0.4, 0.1, 0.1, 0.0], 465, 565)]) == []
    np.testing.assert_allclose(
        shift_K([step], np.array([500, 565, 566])), [[0, 0, 0, 0]] * 2 + [[0, 0, 1.5, 0]], atol=1e-9
    )


def test_idle_hours_deny_an_error_that_does_not_show_there():
    """Primary return said to read -1.5 K since the reference; two summers show no change."""
    rest = [_stretch([0.3, 0.1, -0.2, 0.0], 100, 200), _stretch([0.3, 0.1, -0.2, 0.0], 465, 565)]
    day = np.array([300, 440, 600, 601])
    claimed = np.zeros((4, 4))
    claimed[:, 1] = [-1.5, -1.5, -1.5, -2.5]
    found = denied(day, claimed, rest, [], ready=250)
    # before the second summer nothing is known, and a claim that has grown since is a new one
    assert found[:, 1].tolist() == [False, False, True, False]
    moved = [rest[0], _stretch([0.3, -1.4, -0.2, 0.0], 465, 565)]
    assert not denied(day, claimed, moved, [], ready=250)[:, 1].any()


def test_what_was_off_before_the_first_idle_hours_cannot_be_denied_by_later_ones():
    """A drift of the winter, at rest in two stretches of the next spring: they differ by nothing."""
    rest = [_stretch([0.3, -1.4, -0.2, 0.0], 400, 410), _stretch([0.3, -1.4, -0.2, 0.0], 465, 565)]
    day = np.array([300, 395, 460, 600])
    claimed = np.zeros((4, 4))
    claimed[:, 1] = [0.0, -1.6, -1.6, -2.0]  # a few tenths of doubt about its size
    assert not denied(day, claimed, rest, [], ready=250)[:, 1].any()
    claimed[:, 1] = [0.0, 0.0, -0.1, -0.55]  # begun since the first of them, and not seen there
    assert denied(day, claimed, rest, [], ready=250)[3, 1]


def test_tracked_offsets_weigh_what_they_are_told():
    """By hand: prior 0 +- 1 K each on a pair (difference sd sqrt 2), told 1.0 K with sd 0.5."""
    stretch = _stretch([0.5, -0.5, 0.0, 0.0], 10, 10)
    found = track_offsets(0, np.zeros(4), np.eye(4) / 4.0, [stretch], [])
    value, _ = found.pair(np.array([1.0, -1.0, 0, 0]), 11)
    assert value == pytest.approx(2.0 / (2.0 + 0.25), abs=1e-3)
    assert not found.on(np.array([5])).any()  # as known at the time
