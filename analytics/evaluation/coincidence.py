"""A drift that began when the building did something else, beside a flow that nobody measures.

A by-pass or a valve left open brings the plates to flows at which they never worked before. With both
flows metered the account follows; where one rests on the other side's heat, the doubt about films at such flows
looks like a deposit that came with it. Two causes that begin in the same days are one, until more is known.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analytics.trends.account import Account, day_number
from analytics.vocabulary.records import AlertEvent, Instrumentation

BEFORE_DAYS, AFTER_DAYS = (
    30,
    7,
)  # of the building's alert, which takes two weeks of days with evidence


def began_with_building(account: Account, alerts: Sequence[AlertEvent]) -> NDArray[np.bool_]:
    """Tell by day whether the drift of the plates began with a building's fault that stands, shape (d,).

    ``alerts``: those of the building side.
    """
    info, scores = account.info, account.scores
    assert info is not None
    assert scores is not None
    found = np.zeros(len(info.day), dtype=bool)
    if account.table.instrumentation is Instrumentation.BOTH_FLOWS:
        return found
    onset = scores.onset[:, 0]
    for alert in alerts:
        raised = day_number(alert.raised_utc)
        ended = np.inf if alert.ended_utc is None else day_number(alert.ended_utc)
        stands = (info.day >= raised) & (info.day < ended)
        found |= stands & (onset >= raised - BEFORE_DAYS) & (onset <= raised + AFTER_DAYS)
    return found
