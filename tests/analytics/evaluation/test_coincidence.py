"""A drift that began with a fault of the building."""

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from analytics.evaluation.coincidence import began_with_building
from analytics.vocabulary.records import AlertEvent, CauseKind, Instrumentation, Remark

FIRST = 20_000
ONE, BOTH = Instrumentation.PRIMARY_FLOW, Instrumentation.BOTH_FLOWS


def drift(onset, meters=ONE, days=60):
    return SimpleNamespace(
        info=SimpleNamespace(day=FIRST + np.arange(0, days, 2)),
        scores=SimpleNamespace(onset=np.full((days // 2, 1), FIRST + onset)),
        table=SimpleNamespace(instrumentation=meters),
    )


def alerts(first, last):
    day = [datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=FIRST + d) for d in (first, last)]
    return [
        AlertEvent(
            kind=CauseKind.BUILDING_SIDE, subject=None, raised_utc=day[0], ended_utc=day[1],
            remark=Remark(code="building_alert"),
        )
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("account", "expected"),
    [
        (drift(15), set(range(30, 50))),  # from the building's alert to its end
        (drift(-40), set()),  # long before it
        (drift(45), set()),  # long after it
        (drift(15, BOTH), set()),  # both flows are known: the plates were followed to them
    ],
)
def test_only_what_began_in_the_same_days_is_the_buildings(account, expected):
    found = began_with_building(account, alerts(30, 50))
    assert set(account.info.day[found] - FIRST) == {d for d in expected if d % 2 == 0}


def test_without_an_alert_of_the_building_nothing_coincides():
    assert not began_with_building(drift(15), []).any()
