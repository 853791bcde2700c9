"""A drift that began when the building did something else, beside a flow that nobody measures.

A by-pass or a valve left open brings the plates to flows at which they never worked before. With both
flows metered the account follows; where one rests on the other side's heat, the doubt about films at such flows
looks like a deposit that came with it. Two causes that begin in the same days are one, until more is known.
"""

import numpy as np
from numpy.typing import NDArray

from analytics.decisions.building_side import BuildingSide
from analytics.trends.account import Account
from analytics.vocabulary.records import Instrumentation

BEFORE_DAYS, AFTER_DAYS = (
    30,
    7,
)  # of the building's alarm, which takes two weeks of days with evidence


def began_with_building(account: Account, building: BuildingSide | None) -> NDArray[np.bool_]:
    """Tell by day whether the drift of the plates began with a building's fault that stands, shape (d,)."""
    info, scores = account.info, account.scores
    assert info is not None
    assert scores is not None
    found = np.zeros(len(info.day), dtype=bool)
    if building is None or account.table.instrumentation is Instrumentation.BOTH_FLOWS:
        return found
    day = building.days.astype("datetime64[D]").astype(np.int64)
    active = building.active_by_day
    begins = active & ~np.concatenate([[False], active[:-1]])
    start = np.maximum.accumulate(np.where(begins, day, np.iinfo(np.int64).min))
    row = np.searchsorted(day, info.day, side="right") - 1
    known = row >= 0
    row = np.maximum(row, 0)
    onset = scores.onset[:, 0]
    near = (onset >= start[row] - BEFORE_DAYS) & (onset <= start[row] + AFTER_DAYS)
    return np.asarray(known & active[row] & near)
