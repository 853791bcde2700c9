"""Errors that came and went, and errors of two meters: what may be said of whom."""

from types import SimpleNamespace

import numpy as np
import pytest

from analytics.decisions.diagnosis import weigh
from analytics.trends.tracking import explanations

INSTRUMENTS = (0, 2)


def account(evidence, moved, instruments=INSTRUMENTS):
    """One day at the end of a record; evidence by instrument alone, its change in K or ln."""
    listed = explanations(instruments)
    k, pairs = len(listed), 2 + len(instruments)
    by_explanation = np.zeros((1, k))
    changes = np.full((1, k, 2), np.nan)
    for j, (nats, change) in enumerate(zip(evidence, moved, strict=True)):
        by_explanation[0, 2 + j], changes[0, 2 + j, 0] = nats, change
        by_explanation[0, pairs + j], changes[0, pairs + j, 1] = nats - 50, change
    tracks = SimpleNamespace(
        explanations=listed, evidence=by_explanation, moved=changes, moved_sd=np.full((1, k, 2), 0.2)
    )  # fmt: skip
    return SimpleNamespace(
        info=SimpleNamespace(day=np.array([20_000])), tracks=tracks, kept_by=np.array([1]),
        surface_days=(), deposit=lambda: (np.array([0.0]), np.array([0.01])),
        present_row=lambda: 0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("moved", "evidence", "nothing"),
    [
        ((1.2, -0.1), (380.0, 816.0), True),  # the other one explains more, and has gone
        ((1.2, -0.1), (816.0, 380.0), False),
        ((1.2, -1.5), (380.0, 816.0), False),  # it still stands
    ],
)
def test_what_another_error_explained_accuses_nobody(moved, evidence, nothing):
    odds = weigh(account(evidence, moved))
    assert (odds.share[0] > 0.5) is nothing


def test_two_meters_share_the_blame_for_their_ratio():
    """A primary meter 14 % too high looked 22 nats more like a secondary one 11 % too low."""
    odds = weigh(account((336.0, 358.0), (0.106, -0.113), (4, 5)))
    by_meter = {e.moving: odds.share[i] for i, e in enumerate(odds.explanation)}
    assert 0.1 < by_meter[(4,)] < by_meter[(5,)]
