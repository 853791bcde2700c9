"""Hunting valves, and valves that move far for other reasons."""

from types import SimpleNamespace

import numpy as np
import pytest

from analytics.decisions.signs import hunting

READY, DAYS = 20_030, 120  # thirty days of reference


def account(before, now):
    """Hourly valve steps, drawn from ``before`` in the reference period and from ``now`` after it."""
    day = np.repeat(20_000 + np.arange(DAYS), 24)
    step = np.where(day < READY, np.resize(before, len(day)), np.resize(now, len(day)))
    n = len(day)
    table = SimpleNamespace(
        valve_step=step, flow=np.full((n, 2), 0.8), day=day, outdoor_degC=np.full(n, 3.0)
    )
    return SimpleNamespace(
        table=table, nominal=(1.0, 1.0), set_aside=np.zeros(n, dtype=np.int64), ready=READY,
        period=SimpleNamespace(first=20_000, last=READY - 1),
    )  # fmt: skip


CALM = [0.004, 0.006, 0.008, 0.010, 0.012]


@pytest.mark.parametrize(
    ("now", "hunts"),
    [
        (CALM, False),
        ([0.05, 0.07, 0.08, 0.10, 0.12], True),
        ([0.016, 0.018, 0.019, 0.02, 0.02], False),  # too little of full travel
        # a store that charges three hours of five: the valve travels, and is calm in between
        ([0.005, 0.008, 0.15, 0.16, 0.17], False),
    ],
)
def test_hunting_leaves_no_hour_calm(now, hunts):
    assert hunting(account(CALM, now))[2] is hunts


def test_a_valve_that_always_moved_far_is_the_plants_habit():
    far = [0.05, 0.06, 0.07, 0.08]
    assert hunting(account(far, far))[2] is False
