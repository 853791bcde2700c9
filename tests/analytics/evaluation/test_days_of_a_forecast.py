"""Which days a forecast is made from, and in what unit and with which beginning they are handed over."""

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


def _known_days(since):
    shown = np.arange(since, since + 40)
    return SimpleNamespace(
        day=shown, deposit=np.full(40, 0.05), standard_error=np.full(40, 0.002),
        reference=np.full((40, 40), 1e-4), wander=np.zeros((40, 40)),
    )  # fmt: skip


def _handed_over(monkeypatch, alarm_dates):
    """Return what a forecast of plates whose U clean is four times U0 is made from."""
    handed = {}

    def keep(_days, deposit, standard_error, **others):
        handed.update(others, deposit=deposit, standard_error=standard_error)

    monkeypatch.setattr(outlook, "forecast_fouling", keep)
    monkeypatch.setattr(outlook, "frozen_days", lambda _info, _ready, since: _known_days(since))
    monkeypatch.setattr(outlook, "last_ratios", lambda _account: (1.0, 1.0))
    days = np.arange(200)
    account = _account(0.0)
    account.info = SimpleNamespace(day=days)
    account.table = SimpleNamespace(day=days)
    account.ready, account.kept_by = 21, np.ones(200, dtype=int)
    account.exchanger = SimpleNamespace(area_m2=2.0)
    account.alarm = days >= 150 if alarm_dates is not None else days < 0
    account.scores = SimpleNamespace(
        ratio=np.ones((200, 1)), onset=np.full((200, 1), -1 if alarm_dates is None else alarm_dates)
    )
    at = SimpleNamespace(
        U_clean_over_U0=lambda _area, _channels: np.array([4.0]),
        model=SimpleNamespace(scale_UA_W_K=1000.0),
    )
    outlook.foresee(account, at)
    return handed


def test_a_forecast_is_handed_the_deposit_times_U_clean(monkeypatch):
    """What is held of deposits beforehand is meant in that unit: times U0, exchangers are not alike."""
    handed = _handed_over(monkeypatch, None)
    assert handed["deposit"] == pytest.approx(np.full(40, 0.2))
    assert handed["standard_error"] == pytest.approx(np.full(40, 0.008))
    assert handed["reference"] == pytest.approx(np.full((40, 40), 16e-4))
    assert handed["unit_fouling"] * 0.2 == pytest.approx(0.05 * 2.0 / 1000.0)  # m2 K/W, either way
    assert handed["begun"] is None


@pytest.mark.parametrize(("dated", "begun"), [(120, 14.0), (30, 9.0), (15, 0.0)])
def test_the_alarm_tells_the_forecast_when_the_deposit_began(monkeypatch, dated, begun):
    """Counted from the first day shown: a fortnight before, yet not within the reference period."""
    handed = _handed_over(monkeypatch, dated)
    assert handed["begun"] == begun
    assert handed["clean_since"] == np.datetime64(max(dated - 14, 21), "D")
