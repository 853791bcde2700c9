"""A single meter against the deposit that it cannot be told from; what is no rival at all."""

from types import SimpleNamespace

import pytest

from analytics.decisions.causes import _seen_by_one_meter
from analytics.evaluation.answers import next_of
from analytics.trends.reference_condition import estimate
from analytics.vocabulary.records import Cause, CauseKind

METER, DEPOSIT = (CauseKind.FLOW_METER, "primary_flow"), (CauseKind.DEPOSIT, None)


@pytest.mark.parametrize(
    ("gain", "named", "deposit", "meter"),
    [
        (-0.2, (0, 1, 3), 0.5, 0.5),  # reads low, alone: no likelier than the deposit
        (0.2, (0, 1, 3), 0.1, 0.9),  # reads high: no deposit does that
        (-0.2, (0, 1, 2, 3, 4, 5), 0.1, 0.9),  # beside a second meter it may be named
    ],
)
def test_a_meter_alone_is_no_likelier_than_what_it_looks_like(gain, named, deposit, meter):
    account = SimpleNamespace(may_be_named=lambda: named)
    odds = SimpleNamespace(moved={0: estimate(1.0, 0.1), 4: estimate(gain, 0.01)})
    found = _seen_by_one_meter(account, odds, {DEPOSIT: 0.1, METER: 0.9})
    assert (found[DEPOSIT], found[METER]) == pytest.approx((deposit, meter))
    kept = {DEPOSIT: 0.9, METER: 0.1}
    assert _seen_by_one_meter(account, odds, kept) == kept


def test_what_may_hold_along_with_the_leader_is_no_rival():
    made = [
        Cause(kind=kind, chances=chances, times_less_likely=1.0)
        for kind, chances in (
            (CauseKind.DEPOSIT, 0.95), (CauseKind.CAPACITY, 0.9), (CauseKind.NOTHING, 0.02)
        )
    ]  # fmt: skip
    deposit, capacity, nothing = made
    assert next_of(made, deposit) is nothing
    assert next_of(made, capacity) is None
