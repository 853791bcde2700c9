"""Which explanation fits all the evidence at once, and what to do about it.

Lives here: the odds of the competing explanations, what speaks for and against each, and the order
in which they become a verdict. Not here: the evidence (``analytics.trends``), the money.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analytics.decisions.pressure import PressureSide
from analytics.decisions.set_point import (
    SetPointHold,
    borne_out,
    thermometer_evidence,
)
from analytics.trends.account import Account
from analytics.trends.hours import T2_OUT as SUPPLY
from analytics.trends.model import DEPOSIT, INSTRUMENTS
from analytics.trends.reference_condition import NINE_IN_TEN, deposit_doubt, estimate
from analytics.trends.tracking import Explanation, by_onset, matters
from analytics.vocabulary.quantities import TEMPERATURES
from analytics.vocabulary.records import CauseKind, Estimate

# Log prior odds: most exchanger-weeks nothing moves; a slow loss of U is a deposit more often than
# an instrument (judgement).
PRIOR = {0: 2.0, 1: 1.7, 2: 0.0, 3: -2.0}  # nothing, deposit, instrument, deposit and instrument
# Log likelihoods of a model are more certain than the model is: real plants wander in ways it lacks.
TEMPER = 0.5
# How large errors of instruments are where there are any, as standard deviations (judgement).
FAULT_K, FAULT_METER = 1.5, 0.1
# The heat balance shows the ratio of two meters alone. Which of them strayed rests on the few percent
# by which U would differ, where the model is no better; measured on simulated meters.
METERS_APART = 0.1
INSTRUMENT_EVIDENCE = 10.0  # below it an instrument is not accused
SMALL_LOSS = 0.03  # of U: not worth a verdict
CREDIBLE = 0.8  # share of the odds a cause needs to be named alone


@dataclass(frozen=True, slots=True, kw_only=True)
class Odds:
    """Posterior share of each explanation and the evidence behind it."""

    explanation: tuple[Explanation, ...]
    share: Mapping[int, float]  # by position
    evidence: Mapping[int, float]
    deposit: Estimate  # of the account, times U0
    deposit_sd: float
    moved: Mapping[int, Estimate]  # instruments' change since the reference, by unknown
    set_point: SetPointHold | None = None
    borne_out: tuple[int, ...] = ()  # instruments whose error shows elsewhere too


@dataclass(frozen=True, slots=True, kw_only=True)
class Signs:
    """Findings beside the likelihood; ``None``: cannot be told from what is logged."""

    building_excess_K: Estimate | None = None
    building_flow_excess: Estimate | None = None
    building_active: bool = False
    hunting_step: float | None = None
    hunting_before: float | None = None  # in the reference period
    hunting: bool = False
    set_point: SetPointHold | None = None
    steps_recur: int = 0  # how often instruments seem to have been exchanged, if too often for that
    steps_since_day: int | None = None
    set_point_share: float | None = None
    set_point_short_K: float | None = None
    short_of_capacity: bool = False
    short_at_design_W: Estimate | None = None
    pressure: tuple[PressureSide | None, PressureSide | None] = (None, None)
    meter_gain: Estimate | None = None  # of a single flow meter, by both pressure drops
    parallel_flow: bool = False
    effectiveness: float | None = None
    parallel_most: float | None = None


def weigh(account: Account, hold: SetPointHold | None = None) -> Odds:
    """Weigh the explanations on the evidence since the last visit to the plates.

    Instruments are weighed on all of the evidence since the reference period, as their errors
    outlast a visit; the deposit on what came after it. ``hold``: how the set point is held.
    """
    info, tracks = account.info, account.tracks
    assert info is not None
    assert tracks is not None
    assert account.kept_by is not None
    kinds = [moving_kind(e) for e in tracks.explanations]
    row = _telling_row(account, kinds)
    evidence = _present_evidence(account, kinds, row)
    meters = [i for i, e in enumerate(tracks.explanations) if e.moving in ((4,), (5,))]
    deposit, sd = account.deposit()
    now = account.present_row()
    moved = _moved(account, row)
    shown = _shown_by_set_point(hold, moved)
    for i, e in enumerate(tracks.explanations):
        if SUPPLY in e.moving:
            evidence[i] += shown
    confirmed = (SUPPLY,) if shown > 0 and borne_out(hold, moved[SUPPLY]) else ()
    if confirmed and hold is not None:
        moved[SUPPLY] = _together(moved[SUPPLY], hold.left_K)
    # what an error that has gone again explains better is no evidence of another one
    gone = max(
        (
            evidence[i]
            for i, e in enumerate(tracks.explanations)
            if kinds[i] == 2 and abs(moved[e.moving[-1]].value) < matters(e.moving[-1])
        ),
        default=0.0,
    )
    log_odds = {}
    for i, e in enumerate(tracks.explanations):
        worth = evidence[i]
        if i in meters:
            best = max(evidence[j] for j in meters)
            worth = best - METERS_APART * (best - worth)
        if kinds[i] >= 2:
            index = e.moving[-1]
            change = moved[index].value
            # an error too small to matter is wander, not a fault
            if abs(change) < matters(index):
                worth = min(worth, evidence[1] if kinds[i] == 3 else 0.0) - 5.0
            elif kinds[i] == 2 and worth <= gone:
                worth -= gone
            elif kinds[i] == 3 and worth - max(evidence[1], 0.0) <= gone:
                worth = min(worth, evidence[1]) - 5.0
        if kinds[i] in (1, 3) and deposit[now] < sd[now]:
            worth = min(worth, evidence[i] if kinds[i] == 3 else 0.0)
        log_odds[i] = TEMPER * worth + PRIOR[kinds[i]]
        if kinds[i] >= 2:
            index = e.moving[-1]
            log_odds[i] -= (moved[index].value / (FAULT_K if index < 4 else FAULT_METER)) ** 2 / 2
    top = max(log_odds.values())
    weights = {i: float(np.exp(v - top)) for i, v in log_odds.items()}
    total = sum(weights.values())
    return Odds(
        explanation=tracks.explanations,
        share={i: w / total for i, w in weights.items()},
        evidence=evidence,
        deposit=estimate(float(deposit[now]), float(deposit_doubt(deposit, sd)[now])),
        deposit_sd=float(sd[now]),
        moved=moved,
        set_point=hold,
        borne_out=confirmed,
    )


def _shown_by_set_point(hold: SetPointHold | None, moved: Mapping[int, Estimate]) -> float:
    """Return the log evidence that the set point adds to an error of the supply's thermometer."""
    if SUPPLY not in moved:
        return 0.0
    claimed = moved[SUPPLY]
    return thermometer_evidence(hold, claimed, (claimed.high - claimed.low) / (2 * NINE_IN_TEN))


def _together(one: Estimate, other: Estimate) -> Estimate:
    """Return what two independent statements of one quantity come to."""
    weights = np.array([(e.high - e.low) ** -2.0 for e in (one, other)])
    half = weights.sum() ** -0.5 / 2.0
    value = float(weights @ [one.value, other.value] / weights.sum())
    return Estimate(value=value, low=value - half, high=value + half)


def _telling_row(account: Account, kinds: list[int]) -> int:
    """Return the row of the day that tells most: the last that knows the plates, or a later one.

    The heat balance goes on speaking of meters and thermometers when loads are too small to show the plates.
    """
    assert account.tracks is not None
    evidence, now = account.tracks.evidence, account.present_row()
    alone = [i for i, k in enumerate(kinds) if k == 2]
    ahead = evidence[:, alone].max(axis=1) - np.maximum(evidence[:, 1], 0.0)
    return len(ahead) - 1 if ahead[-1] > ahead[now] + INSTRUMENT_EVIDENCE else now


def _present_evidence(account: Account, kinds: list[int], now: int) -> dict[int, float]:
    """Return each explanation's evidence for the present state.

    After a visit the deposit of before is gone, the instruments' errors are not: what an instrument
    explains is then what it adds to a deposit that came and went.
    """
    info, tracks = account.info, account.tracks
    assert info is not None
    assert tracks is not None
    whole = tracks.evidence[now]
    visits = [v for v in account.surface_days if v <= info.day[-1]]
    rows = np.flatnonzero(info.day < max(visits)) if visits else np.array([], dtype=int)
    if not len(rows):
        return {i: float(e) for i, e in enumerate(whole)}
    before = tracks.whole[rows[-1]]  # of what moves since the visit, or was left by it
    since = (
        by_onset(tracks.whole[rows[-1] + 1 : now + 1] - before)[-1]
        if now > rows[-1]
        else 0 * before
    )
    deposit = float(since[1])
    count = (len(kinds) - 2) // 2
    present = {0: 0.0, 1: deposit}
    for i in range(2, 2 + count):
        added = float(whole[i + count] - whole[1])
        present[i] = added if whole[i + count] > whole[i] else float(whole[i])
        present[i + count] = present[i] + deposit
    return present


def _moved(account: Account, row: int) -> dict[int, Estimate]:
    """Return how far each instrument moved: alone, or beside a deposit where that fits better."""
    tracks = account.tracks
    assert tracks is not None
    whole = tracks.evidence[row]
    best: dict[int, int] = {}
    for i, e in enumerate(tracks.explanations):
        if moving_kind(e) >= 2 and (
            e.moving[-1] not in best or whole[i] > whole[best[e.moving[-1]]]
        ):
            best[e.moving[-1]] = i
    return {
        unknown: estimate(
            float(tracks.moved[row, i, len(tracks.explanations[i].moving) - 1]),
            float(tracks.moved_sd[row, i, len(tracks.explanations[i].moving) - 1]),
        )
        for unknown, i in best.items()
    }


def moving_kind(explanation: Explanation) -> int:
    """0 nothing, 1 deposit, 2 an instrument, 3 both."""
    if not explanation.moving:
        return 0
    if explanation.moving == (DEPOSIT,):
        return 1
    return 2 if len(explanation.moving) == 1 else 3


def shares_by_cause(odds: Odds) -> dict[tuple[CauseKind, str | None], float]:
    """Return the chance of each cause being at work; deposit and an instrument may both be.

    A deposit beside an instrument that is nought within its error is none.
    """
    found: dict[tuple[CauseKind, str | None], float] = {}
    roles = dict(INSTRUMENTS)
    for i, e in enumerate(odds.explanation):
        kind = moving_kind(e)
        share = odds.share[i]
        if kind == 0:
            found[CauseKind.NOTHING, None] = share
        if kind == 1 or (kind == 3 and odds.deposit.value > odds.deposit_sd):
            found[CauseKind.DEPOSIT, None] = found.get((CauseKind.DEPOSIT, None), 0.0) + share
        if kind in (2, 3):
            role = roles[e.moving[-1]]
            key = (CauseKind.THERMOMETER if role in TEMPERATURES else CauseKind.FLOW_METER, role)
            found[key] = found.get(key, 0.0) + share
    return found
