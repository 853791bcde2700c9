"""From causes, money and health to one verdict: what to do and why.

Lives here: which answer is given. Not here: how each is put together (``answers``), and where the data
ends the matter before any odds (``early``).
"""

from typing import TypeGuard

import numpy as np

from analytics.decisions.diagnosis import (
    CREDIBLE,
    INSTRUMENT_EVIDENCE,
    SMALL_LOSS,
    Odds,
)
from analytics.decisions.pressure import RISEN_BY_DEPOSIT
from analytics.evaluation.accused import (
    accused_instrument,
    alarmed_instruments,
    off_beyond_flows,
    off_for_sure,
)
from analytics.evaluation.answers import (
    both,
    cannot_tell,
    either,
    exchanged_returns,
    fouling,
    named,
    next_of,
    unnamed,
)
from analytics.evaluation.changed_thermometer import changed_thermometer
from analytics.trends.account import Account, exchanged_since
from analytics.trends.model import DEPOSIT
from analytics.vocabulary.quantities import (
    SECONDARY_RETURN,
    SECONDARY_SUPPLY,
)
from analytics.vocabulary.records import (
    AlertEvent,
    Cause,
    CauseKind,
    CurrentState,
    DataHealth,
    Estimate,
    Forecast,
    MoneyAccount,
    Remark,
    Verdict,
    VerdictKind,
)

LEAST_CHANCE = 0.05  # of a cause that is named beside another
# From four temperatures: log evidence below which nothing is to be seen (by simulation).
QUIET_WITHOUT_FLOW = 25.0
FEIGNED = 1.5  # times a meter's error: the most by which UA seems less
CLEARLY_BELOW = 0.99  # upper bound of the cleanliness factor of plates that are not clean

# Rules come in this order before the likelihoods; a later one may be the consequence of an earlier.
RULE_ORDER = (CauseKind.PIPING, CauseKind.STRAINER, CauseKind.CONTROLS)
READ_BUILDING = (SECONDARY_SUPPLY, SECONDARY_RETURN)  # thermometers by which it is judged
AFTER_ORDER = (CauseKind.CAPACITY, CauseKind.BUILDING_SIDE)


def decide(
    account: Account,
    odds: Odds,
    listed: list[Cause],
    state: CurrentState,
    forecast: Forecast | None,
    money: MoneyAccount | None,
    alerts: tuple[AlertEvent, ...],
    health: DataHealth,
    effectiveness: Estimate | None,
    *,
    with_building: bool = False,
) -> Verdict:
    """Choose the verdict from everything concluded.

    ``with_building``: the drift began with a building's fault that stands (see ``coincidence``).
    """
    by_kind = {(c.kind, c.subject): c for c in listed}
    ranked = [c for c in listed if c.kind is not CauseKind.NOTHING or c.chances > 0]
    if health.grade == "stopped":
        stopped = [
            Remark(code="missing_role", words={"role": r}) for r in health.missing_roles[-1:]
        ]
        return cannot_tell(*stopped, cause=ranked[0], runner_up=next_of(ranked, ranked[0]))
    exchanged = exchanged_since(account)
    if exchanged is not None:
        return exchanged_returns(exchanged)
    fouled = not with_building and _is_fouled(account, odds, state, alerts)
    for kind in RULE_ORDER:
        cause = by_kind.get((kind, None))
        if cause is None or cause.chances <= 0.5 or (fouled and _by_deposit(cause)):
            continue
        return named(cause, ranked)
    meter = _by_pressure(listed)
    if meter is not None and not (fouled and _beyond(meter, state)):
        return named(meter, ranked)
    alarmed = alarmed_instruments(alerts)
    changed = changed_thermometer(account)
    if account.assumed_secondary_m3_s is not None:
        return changed or _temperatures_only(odds, listed, alarmed, effectiveness)
    accused = accused_instrument(account, odds, listed, alarmed)
    deposit = by_kind[CauseKind.DEPOSIT, None]
    fouled = fouled or (not with_building and _level_clear(odds, state, deposit))
    hidden = off_for_sure(odds, listed, alarmed)
    after = {kind: by_kind.get((kind, None)) for kind in AFTER_ORDER}
    for kind in AFTER_ORDER:
        cause = after[kind]
        if cause is None or cause.chances <= 0.5 or fouled or accused is not None:
            continue
        if kind is CauseKind.BUILDING_SIDE and _reads_building(changed):
            return changed
        if kind is CauseKind.BUILDING_SIDE and hidden and hidden[0].subject in READ_BUILDING:
            return unnamed(hidden[0], ranked, health)
        return named(cause, ranked)
    if accused is not None and fouled and deposit.chances > CREDIBLE:
        return both(accused, deposit)
    if accused is not None:
        return named(accused, ranked)
    if fouled:
        rivals = [
            c
            for c in ranked
            if c.kind in (CauseKind.THERMOMETER, CauseKind.FLOW_METER) and c.chances > 0.05
        ]
        if deposit.chances < CREDIBLE and rivals:
            return either(deposit, rivals[0], state, health)
        return fouling(account, deposit, ranked, state, forecast, money, alerts)
    if changed is not None:
        return changed
    if hidden:  # something is off that these points cannot pin down
        return unnamed(hidden[0], ranked, health)
    if _has_risen(odds, state):
        return cannot_tell(_risen(state), cause=None, runner_up=None)
    if _has_fallen(state):
        return cannot_tell(_wandering(account), cause=deposit, runner_up=next_of(ranked, deposit))
    open_ = _undecided(odds, ranked, state, health)
    if open_ is not None:
        return open_
    moved = odds.share[0] < 1 - CREDIBLE
    reasons = [_wandering(account)] if moved else [Remark(code="within_limits")]
    if health.grade == "off season":
        reasons = [Remark(code="off_season", numbers={"days": _days_off(account)}), *reasons]
    nothing = by_kind[CauseKind.NOTHING, None]
    return Verdict(
        kind=VerdictKind.LEAVE,
        cause=None if moved else nothing,
        runner_up=None if moved else next_of(ranked, nothing),
        since_utc=None,
        reasons=tuple(reasons),
    )


def _reads_building(changed: Verdict | None) -> TypeGuard[Verdict]:
    """Tell whether a thermometer was changed by which the building's return is judged."""
    cause = None if changed is None else changed.cause
    return cause is not None and cause.subject in READ_BUILDING


def _has_risen(odds: Odds, state: CurrentState) -> bool:
    """Tell whether the plates pass clearly more than the yardstick says, which no deposit does."""
    clean = state.cleanliness_factor
    return bool(clean is not None and clean.low > 1 + SMALL_LOSS and _wandered(odds))


def _has_fallen(state: CurrentState) -> bool:
    """Tell whether a loss worth a word is there for sure, though no cause of it is established."""
    clean = state.cleanliness_factor
    return bool(clean is not None and clean.high < 1 - SMALL_LOSS)


def _risen(state: CurrentState) -> Remark:
    assert state.cleanliness_factor is not None
    clean = state.cleanliness_factor
    return Remark(code="risen_unexplained", numbers={"low": clean.low - 1, "high": clean.high - 1})


def _undecided(
    odds: Odds, ranked: list[Cause], state: CurrentState, health: DataHealth
) -> Verdict | None:
    """Say that something moved which may be one cause or another, where that would matter.

    Below what establishes a cause the odds still tell whether all is as it was; to say "leave it" would
    then claim more than they do.
    """
    if odds.share[0] > 1 - CREDIBLE:
        return None
    deposit = next(c for c in ranked if c.kind is CauseKind.DEPOSIT)
    instruments = [
        c
        for c in ranked
        if c.kind in (CauseKind.THERMOMETER, CauseKind.FLOW_METER) and c.chances > LEAST_CHANCE
    ]
    clean = state.cleanliness_factor
    lost = clean is not None and clean.value < 1 - SMALL_LOSS
    if instruments and _any_instrument(odds) > 0.5 + odds.share[1] / 2:
        return unnamed(instruments[0], ranked, health)
    if instruments and lost:
        return either(deposit, instruments[0], state, health)
    if lost and deposit.chances > CREDIBLE and clean is not None:
        numbers = {"loss": 1 - clean.value, "low": 1 - clean.high, "high": 1 - clean.low}
        return cannot_tell(
            Remark(code="deposit_suspected", numbers=numbers), cause=deposit,
            runner_up=next_of(ranked, deposit),
        )  # fmt: skip
    return None


def _any_instrument(odds: Odds) -> float:
    """Return the chance that one instrument or another strayed and nothing else moved, whichever it was."""
    alone = (i for i, e in enumerate(odds.explanation) if len(e.moving) == 1)
    return float(sum(odds.share[i] for i in alone if odds.explanation[i].moving != (DEPOSIT,)))


def _wandered(odds: Odds) -> bool:
    """Tell whether something moved over the record, though no cause can be named for it."""
    return odds.share[0] < 1 - CREDIBLE and max(odds.evidence.values()) > 3 * INSTRUMENT_EVIDENCE


def _wandering(account: Account) -> Remark:
    deposit, _ = account.deposit()
    assert account.info is not None
    after = deposit[account.info.day >= (account.ready or 0)]
    low, high = (float(1 / (1 + np.quantile(after, q)) - 1) for q in (0.95, 0.05))
    return Remark(code="wandered", numbers={"low": low, "high": high})


def _days_off(account: Account) -> float:
    assert account.info is not None
    return float(account.table.day[-1] - account.info.day[-1])


def _is_fouled(
    account: Account, odds: Odds, state: CurrentState, alerts: tuple[AlertEvent, ...]
) -> bool:
    """Tell whether a deposit is established: alert standing, and a loss worth a word.

    The level counts from the reference period, whose film law, carried from mild weeks to cold ones, may
    be off by some percent; what came since an onset does not share that doubt. Either will do.
    """
    standing = any(a.kind is CauseKind.DEPOSIT and a.ended_utc is None for a in alerts)
    clean = state.cleanliness_factor
    if not standing or clean is None:
        return False
    by_level = odds.deposit.low > 0 and clean.value < 1 - SMALL_LOSS
    return bool(by_level or _grew(account, clean))


def _level_clear(odds: Odds, state: CurrentState, deposit: Cause) -> bool:
    """Tell whether a deposit is there by its level alone, as what grew back after a visit may be."""
    clean = state.cleanliness_factor
    return bool(
        clean is not None
        and deposit.chances > CREDIBLE
        and odds.deposit.low > 0
        and clean.high < CLEARLY_BELOW
        and clean.value < 1 - 2 * SMALL_LOSS
    )


def _by_deposit(cause: Cause) -> bool:
    """Tell whether a deposit brings the sign about: a risen pressure drop, a valve at its end.

    A supply that swings while the valve is within its travel is the loop's own doing.
    """
    risen = cause.magnitude
    if cause.kind is CauseKind.STRAINER:
        return bool(risen is not None and risen.value < RISEN_BY_DEPOSIT)
    loop = any(r.code in ("supply_swings", "steps_recur") for r in cause.speaks_for)
    return cause.kind is CauseKind.CONTROLS and not loop


def _by_pressure(listed: list[Cause]) -> Cause | None:
    """Return the single flow meter whose error both pressure drops show."""
    return next(
        (c for c in listed if any(r.code == "pressure_tells_meter" for r in c.speaks_for)), None
    )


def _beyond(meter: Cause, state: CurrentState) -> bool:
    """Tell whether more is lost for sure than a meter's error can feign, which is about its gain."""
    clean, gain = state.cleanliness_factor, meter.magnitude
    if clean is None or gain is None:
        return False
    return 1 - clean.high > FEIGNED * max(abs(gain.low), abs(gain.high))


def _grew(account: Account, clean: Estimate) -> bool:
    """Tell whether what came since the onset is for sure, and worth a word."""
    scores, row = account.scores, account.present_row()
    assert scores is not None
    threshold = account.alarm_threshold
    grown = account.loss_of(float(scores.size[row, 0]))
    worth_a_word = max(grown, 1 - clean.value) > SMALL_LOSS
    return bool(scores.ratio[row, 0] > threshold and worth_a_word)


def _temperatures_only(
    odds: Odds, listed: list[Cause], alarmed: set[str | None], effectiveness: Estimate | None
) -> Verdict:
    """Four temperatures cannot tell a deposit from a change of flow; say what they do tell."""
    suspect = off_beyond_flows(odds, listed, alarmed)
    if suspect is not None:
        return named(suspect, [c for c in listed if c.chances > 0])
    reasons = []
    deposit = odds.deposit
    low, high = (1 - 1 / (1 + max(x, -0.5)) for x in (deposit.low, deposit.high))
    if odds.evidence[1] > INSTRUMENT_EVIDENCE and low > SMALL_LOSS:
        reasons.append(
            Remark(code="transfer_fell_or_flow_rose", numbers={"low": low, "high": high})
        )
    elif odds.evidence[1] < INSTRUMENT_EVIDENCE:
        reasons.append(Remark(code="effectiveness_steady"))
    if effectiveness is None:
        reasons.append(Remark(code="temperatures_only"))
    else:
        numbers = {
            "effectiveness": effectiveness.value, "low": effectiveness.low, "high": effectiveness.high,
        }  # fmt: skip
        reasons.append(Remark(code="effectiveness_only", numbers=numbers))
    quiet = (
        odds.evidence[1] < INSTRUMENT_EVIDENCE and max(odds.evidence.values()) < QUIET_WITHOUT_FLOW
    )
    if quiet and low <= SMALL_LOSS:
        return Verdict(
            kind=VerdictKind.LEAVE,
            cause=None,
            runner_up=None,
            since_utc=None,
            reasons=tuple(reasons),
        )
    return cannot_tell(*reasons)
