"""The whole chain on simulated exchangers with one thing wrong each, and on clean ones.

The simulator shares no code with the analysis. Every season runs from 15 September to 1 May, the
fault begins 50 to 80 days into the record, and the register knows the nameplate alone.
"""

from datetime import timedelta

import pytest

from analytics.evaluation import evaluate
from analytics.vocabulary.records import CauseKind, VerdictKind
from tests.analytics.plants import simulated

CLEAN_IT = {VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER}
RIGHT = {
    None: {VerdictKind.LEAVE},
    "deposit": CLEAN_IT,
    "thermometer": {VerdictKind.CHECK_INSTRUMENT},
    "flow meter": {VerdictKind.CHECK_INSTRUMENT},
    "building side": {VerdictKind.BUILDING_SIDE},
    "controls": {VerdictKind.CHECK_CONTROLS},
    "parallel flow": {VerdictKind.CHECK_PIPING},
    "blocked strainer": {VerdictKind.RINSE_STRAINER},
}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "seeds", "least"),
    [
        (None, (41, 42, 43), 2),
        ("deposit", (41, 42, 43), 2),
        ("building side", (41, 42, 43), 1),
        ("controls", (41, 42, 43), 1),
        ("thermometer", (41, 42), 1),
        ("flow meter", (41, 42), 1),
        ("parallel flow", (41, 42), 1),
        ("blocked strainer", (41, 42), 1),
    ],
)
def test_verdicts_on_hidden_faults(fault, seeds, least):
    """Measured on seeds 41, 42, 43: all right, but building side 2 of 3 (on 41 mild weeks in spring
    end the alert) and controls 2 of 3 (41 is left). Each kind may lose one before this fails.
    """
    right, kinds = 0, []
    for seed in seeds:
        plant = simulated(fault, seed)
        found = evaluate(plant.exchanger, plant.logged)
        right += found.verdict.kind in RIGHT[fault]
        kinds.append({a.kind for a in found.alerts})
        if fault == "deposit":
            _check_deposit(found, plant)
        else:
            assert CauseKind.DEPOSIT not in kinds[-1], seed
            assert found.verdict.kind not in CLEAN_IT, seed
    assert right >= least
    if fault == "building side":  # alerted while the season lasts, 3 of 3
        assert sum(CauseKind.BUILDING_SIDE in k for k in kinds) >= 2


def _check_one_date(found):
    """The loss has one date, and its cost is the sum of the days from then on."""
    began, account = found.verdict.since_utc, found.money
    assert (account.counted_from, account.since_utc) == ("loss began", began)
    days = found.daily["avoidable_cost"].dropna()
    assert account.avoidable_so_far.value == pytest.approx(days.loc[began:].sum(), rel=1e-6)
    assert account.avoidable_so_far.value == pytest.approx(
        sum(c.so_far.value for c in account.lines)
    )


def _check_deposit(found, plant):
    """The alert comes after the deposit began, and a visit is priced."""
    raised = [a.raised_utc for a in found.alerts if a.kind is CauseKind.DEPOSIT]
    assert raised
    assert min(raised) >= plant.scenario.deposit.start
    assert found.money is not None
    assert found.money.avoidable_so_far.value > 0
    if found.verdict.kind in CLEAN_IT and found.verdict.since_utc is not None:
        _check_one_date(found)
    assert found.forecast is not None
    basis, made = found.money.month_basis, found.forecast.made_utc
    before = found.daily["avoidable_cost"].loc[made - timedelta(30) : made - timedelta(1)]
    assert len(before) == 30
    assert basis.cost_before.value == pytest.approx(before.sum(), rel=1e-6)
    duty = found.intervals["duty_primary_W"].loc[made - timedelta(30) : made - timedelta(seconds=1)]
    # by hours, reconciled between the sides, against one meter's intervals: the class of the meters apart
    assert basis.load_before_W == pytest.approx(duty.clip(lower=0.0).sum() / (30 * 96), rel=0.1)
    # the clean level's doubt included, the fit's own figures agree with each other
    state = found.state
    assert state.approach_reference_K.low <= state.approach_reference_K.value
    assert state.cleanliness_factor.value < 1
