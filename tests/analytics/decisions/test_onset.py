"""The day on which a loss began, as the account tells it."""

from types import SimpleNamespace

import numpy as np
import pytest

from analytics.decisions.causes import onset_day
from analytics.trends.model import DEPOSIT

READY = 20_040


@pytest.mark.parametrize(
    ("basis", "expected"), [("known clean period", READY), ("first weeks", READY - 9)]
)
def test_no_deposit_begins_in_a_period_that_is_vouched_for_as_clean(basis, expected):
    """First clear on the fourth day after the reference, dated nine days before its end."""
    day = READY + np.arange(10)
    ratio = np.where(np.arange(10) < 3, 4.0, 30.0)[:, None]
    account = SimpleNamespace(
        scores=SimpleNamespace(index=(DEPOSIT,), ratio=ratio, onset=np.full((10, 1), READY - 9)),
        info=SimpleNamespace(day=day), surface_days=(),
        period=SimpleNamespace(first=READY - 40, last=READY - 1, basis=basis),
    )  # fmt: skip
    assert onset_day(account, DEPOSIT) == expected
