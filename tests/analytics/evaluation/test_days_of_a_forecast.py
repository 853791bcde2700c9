"""Which days a forecast is made from when an instrument errs beside the deposit."""

from types import SimpleNamespace

import numpy as np
import pytest

from analytics.evaluation import outlook
from analytics.trends.model import DEPOSIT
from analytics.trends.tracking import explanations

LENGTH = 40
LISTED = explanations((0, 1))  # nothing, deposit, two thermometers alone, two beside the deposit


def _account(evidence_of_second_pair):
    evidence = np.zeros((LENGTH, len(LISTED)))
    evidence[:, 1] = 30.0
    evidence[:, 3] = 500.0  # an instrument alone: says nothing of the deposit
    evidence[-1, 5] = evidence_of_second_pair
    deposit = np.tile(0.01 * np.arange(len(LISTED)), (LENGTH, 1))
    return SimpleNamespace(
        tracks=SimpleNamespace(
            explanations=LISTED, evidence=evidence, deposit=deposit, deposit_sd=0.1 * deposit
        ),
        info=SimpleNamespace(day=np.arange(LENGTH)),
        surface_days=(),
    )


def test_the_far_likelier_pair_keeps_the_instrument_out_of_the_deposit():
    assert LISTED[5].moving == (DEPOSIT, 1)
    deposit, sd = outlook._beside_an_instrument(_account(30.0 + outlook.FAR_LIKELIER + 1.0))
    assert deposit == pytest.approx(np.full(LENGTH, 0.05))
    assert sd == pytest.approx(np.full(LENGTH, 0.005))


def test_a_pair_that_is_hardly_likelier_changes_nothing():
    assert outlook._beside_an_instrument(_account(30.0 + outlook.FAR_LIKELIER - 1.0)) is None
