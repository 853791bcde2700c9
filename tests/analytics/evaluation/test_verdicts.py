"""The whole chain on simulated exchangers with one thing wrong each, and on clean ones.

The simulator shares no code with the analysis. Every season runs from 15 September to 1 May, the
fault begins 50 to 80 days into the record, and the register knows the nameplate alone.
"""

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
SEEDS = (41, 42, 43)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "least"),
    [
        (None, 2), ("deposit", 2), ("thermometer", 2), ("flow meter", 2), ("building side", 1),
        ("controls", 1), ("parallel flow", 2), ("blocked strainer", 2),
    ],
)  # fmt: skip
def test_verdicts_on_hidden_faults(fault, least):
    """Measured on seeds 41, 42, 43: clean 3, deposit 3, thermometer 3, flow meter 3, building side 2
    of 3 (on 41 mild weeks in spring end the alert), controls 2 of 3 (41 is left), parallel flow 3,
    blocked strainer 3. Each may lose one before this fails.
    """
    right = 0
    for seed in SEEDS:
        plant = simulated(fault, seed)
        found = evaluate(plant.exchanger, plant.logged)
        right += found.verdict.kind in RIGHT[fault]
        if fault != "deposit":
            assert not any(a.kind is CauseKind.DEPOSIT for a in found.alerts), seed
            assert found.verdict.kind not in CLEAN_IT, seed
        else:
            _check_deposit(found, plant)
    assert right >= least


def _check_deposit(found, plant):
    """The alert comes after the deposit began, and a visit is priced."""
    raised = [a.raised_utc for a in found.alerts if a.kind is CauseKind.DEPOSIT]
    assert raised
    assert min(raised) >= plant.scenario.deposit.start
    assert found.money is not None
    assert found.money.avoidable_so_far.value > 0
    assert found.forecast is not None
    # the clean level's doubt included, the fit's own figures agree with each other
    state = found.state
    assert state.approach_reference_K.low <= state.approach_reference_K.value
    assert state.cleanliness_factor.value < 1


@pytest.mark.slow
def test_a_building_at_fault_is_alerted_while_the_season_lasts():
    """Measured: 3 of 3."""
    kinds = [
        {a.kind for a in evaluate(p.exchanger, p.logged).alerts}
        for p in (simulated("building side", seed) for seed in SEEDS)
    ]
    assert sum(CauseKind.BUILDING_SIDE in k for k in kinds) >= 2
