"""What a unit without a jacket loses to its room, and what refitting one would save in a year."""

import numpy as np

from analytics.physics.heat_loss import USUAL_ROOM_degC, pack_loss_W_K
from analytics.trends.account import Account
from analytics.vocabulary.quantities import REASON_BITS
from analytics.vocabulary.records import Remark

YEAR_h = 8766.0
LEAST_HOURS = 240
SPREAD = 0.35  # of the estimate, either way: shape of the pack, draught, feet and pipes
WORTH_SAYING_J = 3.6e9  # a year: one megawatt-hour; three where nobody says that it is bare


def insulation_remark(account: Account) -> Remark | None:
    """Say what a jacket would save; None where there is one, or too little is known or saved.

    The loss goes with the mean temperature of the four pipes above the room, in the hours with flow of
    the last twelve months; of a shorter record the hours are scaled to a heating season's share.
    """
    exchanger, table = account.exchanger, account.table
    if exchanger.insulated or exchanger.area_m2 is None:
        return None
    halted = REASON_BITS["stopped"] | REASON_BITS["gap"]
    runs = ((account.set_aside & halted) == 0) & (table.day > table.day[-1] - 365)
    gap = table.temperature.mean(axis=1) - USUAL_ROOM_degC
    runs &= np.isfinite(gap)
    if runs.sum() < LEAST_HOURS:
        return None
    middle = float(np.median(gap[runs]))
    surface = middle + USUAL_ROOM_degC
    bare, jacketed = (pack_loss_W_K(exchanger.area_m2, i, surface) for i in (False, True))
    # a record of less than a year says how long it runs only for its own months
    days = float(min(table.day[-1] - table.day[0] + 1, 365))
    hours = float(runs.sum()) if days >= 365 else min(float(runs.sum()) / days * 365, 5500.0)
    saved = (bare - jacketed) * middle * hours * 3600.0
    if saved < WORTH_SAYING_J * (1.0 if exchanger.insulated is False else 3.0):
        return None
    numbers = {
        "loss_watts": round(bare * middle, -1), "low_J": saved * (1 - SPREAD), "high_J": saved * (1 + SPREAD),
        "hours": hours,
    }  # fmt: skip
    price = exchanger.tariff.heat_per_J
    words = {}
    if price > 0:
        numbers |= {"low_money": numbers["low_J"] * price, "high_money": numbers["high_J"] * price}
        words["currency"] = exchanger.tariff.currency
    code = "bare_loses" if exchanger.insulated is False else "perhaps_bare_loses"
    return Remark(code=code, numbers=numbers, words=words)
