"""From causes, money and health to one verdict: what to do and why."""

from datetime import UTC, datetime, timedelta
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
from analytics.evaluation.changed_thermometer import changed_thermometer
from analytics.trends.account import Account
from analytics.trends.clean_reference import REFERENCE_DAYS, evidence_days
from analytics.trends.drift import alarm_threshold
from analytics.vocabulary.quantities import (
    PRIMARY_RETURN,
    PRIMARY_SUPPLY,
    REASON_BITS,
    SECONDARY_RETURN,
    SECONDARY_SUPPLY,
    TEMPERATURES,
)
from analytics.vocabulary.records import (
    AlertEvent,
    Cause,
    CauseKind,
    CurrentState,
    DataHealth,
    Estimate,
    Forecast,
    Instrumentation,
    MoneyAccount,
    Remark,
    Verdict,
    VerdictKind,
)

LEAST_CHANCE = 0.05  # of a cause that is named beside another
LEAST_DAYS = 20  # with evidence after the reference, before a verdict is given
SOON_DAYS = 60
SWAPPED_K, SWAPPED_SHARE = 5.0, 0.9  # no plant warms the network or cools the building that much
WOULD_HELP = ("would_help_most", "would_help_and_give_U", "would_let_tell")
PAYS = 0.8  # chance that a visit pays, for "clean it"
# From four temperatures: log evidence below which nothing is to be seen (by simulation).
QUIET_WITHOUT_FLOW = 25.0
CLEARLY_BELOW = 0.99  # upper bound of the cleanliness factor of plates that are not clean
CHANGE_EVIDENCE = (
    20.0  # log likelihood ratio from which the change of an instrument is known by size
)

DEED_OF: dict[CauseKind, VerdictKind] = {
    CauseKind.THERMOMETER: VerdictKind.CHECK_INSTRUMENT,
    CauseKind.FLOW_METER: VerdictKind.CHECK_INSTRUMENT,
    CauseKind.BUILDING_SIDE: VerdictKind.BUILDING_SIDE,
    CauseKind.CONTROLS: VerdictKind.CHECK_CONTROLS,
    CauseKind.CAPACITY: VerdictKind.ADD_PLATES,
    CauseKind.PIPING: VerdictKind.CHECK_PIPING,
    CauseKind.STRAINER: VerdictKind.RINSE_STRAINER,
}
# Rules come in this order before the likelihoods; a later one may be the consequence of an earlier.
RULE_ORDER = (CauseKind.PIPING, CauseKind.STRAINER, CauseKind.CONTROLS)
AFTER_ORDER = (CauseKind.CAPACITY, CauseKind.BUILDING_SIDE)


def cannot_tell(
    *reasons: Remark, cause: Cause | None = None, runner_up: Cause | None = None
) -> Verdict:
    """Return the verdict that nothing can be said, and why."""
    return Verdict(
        kind=VerdictKind.CANNOT_TELL,
        cause=cause,
        runner_up=runner_up,
        since_utc=None,
        reasons=reasons,
    )


def early_verdict(account: Account | None, health: DataHealth) -> Verdict | None:
    """Return the verdict where the data ends the matter before any odds; else ``None``."""
    if account is None:
        return cannot_tell(Remark(code="stopped", numbers={}))
    missing = [r for r in health.missing_roles if r in TEMPERATURES]
    if health.instrumentation is Instrumentation.INCOMPLETE:
        said = [Remark(code="missing_role", words={"role": r}) for r in missing]
        return cannot_tell(*said, *(r for r in health.consequences if r.code in WOULD_HELP))
    units = [r for r in health.consequences if r.code == "flow_unit"]
    if units:  # whatever else is concluded rests on a flow that is wrong by a factor
        return cannot_tell(*units)
    if account.period is None:
        return cannot_tell(*_too_few(account))
    assert account.info is not None
    after = int((account.info.day >= (account.ready or 0)).sum())
    if after < LEAST_DAYS and not bool(account.alarm is not None and account.alarm.any()):
        first = int((account.info.day < (account.ready or 0)).sum())
        few = {"days": after, "needed": LEAST_DAYS, "before": first}
        return cannot_tell(Remark(code="few_days", numbers=few))
    return None


def _too_few(account: Account) -> list[Remark]:
    usable = account.set_aside == 0
    days = int(evidence_days(account.table.day, usable)[1].sum())
    swapped = _swapped(account)
    if swapped:
        return swapped
    needed = {"needed": REFERENCE_DAYS + LEAST_DAYS, "yardstick": REFERENCE_DAYS}
    reasons = [Remark(code="few_days", numbers={"days": days, **needed})]
    low = (account.set_aside & REASON_BITS["low_load"]) != 0
    runs = (account.set_aside & (REASON_BITS["stopped"] | REASON_BITS["gap"])) == 0
    if runs.any() and (low & runs).sum() > 0.5 * runs.sum():
        reasons.append(
            Remark(code="quiet_low_load", numbers={"share": float((low & runs).sum() / runs.sum())})
        )
    return reasons


def _swapped(account: Account) -> list[Remark]:
    """Say which side's supply and return are the wrong way round nearly all the time."""
    t = account.table.temperature
    found = []
    for role, falls in (
        (PRIMARY_SUPPLY, t[:, 0] - t[:, 1]),
        (SECONDARY_SUPPLY, t[:, 2] - t[:, 3]),
    ):
        apart = falls[np.abs(falls) > SWAPPED_K]
        share = float((apart < 0).mean()) if len(apart) >= 24 * LEAST_DAYS else 0.0
        if share > SWAPPED_SHARE:
            found.append(
                Remark(code="points_swapped", numbers={"share": share}, words={"role": role})
            )
    return found


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
        return cannot_tell(*stopped, cause=ranked[0], runner_up=_next(ranked, ranked[0]))
    if account.exchanged is not None and account.exchanged[-1]:
        return _exchanged(account)
    fouled = not with_building and _is_fouled(account, odds, state, alerts)
    for kind in RULE_ORDER:
        cause = by_kind.get((kind, None))
        if cause is None or cause.chances <= 0.5 or (fouled and _by_deposit(cause)):
            continue
        return _named(cause, ranked)
    meter = _by_pressure(listed)
    if meter is not None:
        return _named(meter, ranked)
    alarmed = alarmed_instruments(alerts)
    changed = changed_thermometer(account)
    if account.assumed_secondary_m3_s is not None:
        return changed or _temperatures_only(odds, listed, alarmed, effectiveness)
    accused = accused_instrument(account, odds, listed, alarmed)
    deposit = by_kind[CauseKind.DEPOSIT, None]
    fouled = fouled or (not with_building and _level_clear(odds, state, deposit))
    after = {kind: by_kind.get((kind, None)) for kind in AFTER_ORDER}
    for kind in AFTER_ORDER:
        cause = after[kind]
        if cause is None or cause.chances <= 0.5 or fouled or accused is not None:
            continue
        if kind is CauseKind.BUILDING_SIDE and _reads_building(changed):
            return changed
        return _named(cause, ranked)
    if accused is not None and fouled and deposit.chances > CREDIBLE:
        return _both(accused, deposit)
    if accused is not None:
        return _named(accused, ranked)
    if fouled:
        rivals = [
            c
            for c in ranked
            if c.kind in (CauseKind.THERMOMETER, CauseKind.FLOW_METER) and c.chances > 0.05
        ]
        if deposit.chances < CREDIBLE and rivals:
            return _either(deposit, rivals[0], state, health)
        return _fouling_verdict(account, deposit, ranked, state, forecast, money, alerts)
    if changed is not None:
        return changed
    hidden = off_for_sure(odds, listed, alarmed)
    if hidden:  # something is off that these points cannot pin down
        return _unnamed(hidden[0], ranked, health)
    if _has_risen(odds, state):
        return cannot_tell(_risen(state), cause=None, runner_up=None)
    if _has_fallen(state):
        return cannot_tell(_wandering(account), cause=deposit, runner_up=_next(ranked, deposit))
    open_ = _undecided(odds, ranked, state, health)
    if open_ is not None:
        return open_
    moved = _wandered(odds)
    reasons = [_wandering(account)] if moved else [Remark(code="within_limits")]
    if health.grade == "off season":
        reasons = [Remark(code="off_season", numbers={"days": _days_off(account)}), *reasons]
    nothing = by_kind[CauseKind.NOTHING, None]
    return Verdict(
        kind=VerdictKind.LEAVE,
        cause=None if moved else nothing,
        runner_up=None if moved else _next(ranked, nothing),
        since_utc=None,
        reasons=tuple(reasons),
    )


def _reads_building(changed: Verdict | None) -> TypeGuard[Verdict]:
    """Tell whether a thermometer was changed by which the building's return is judged."""
    cause = None if changed is None else changed.cause
    return cause is not None and cause.subject in (SECONDARY_SUPPLY, SECONDARY_RETURN)


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
    if instruments and instruments[0].chances > deposit.chances and deposit.chances < LEAST_CHANCE:
        return _unnamed(instruments[0], ranked, health)
    if instruments and lost:
        return _either(deposit, instruments[0], state, health)
    if lost and deposit.chances > CREDIBLE and clean is not None:
        numbers = {"loss": 1 - clean.value, "low": 1 - clean.high, "high": 1 - clean.low}
        return cannot_tell(
            Remark(code="deposit_suspected", numbers=numbers), cause=deposit,
            runner_up=_next(ranked, deposit),
        )  # fmt: skip
    return None


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


def _next(ranked: list[Cause], leader: Cause) -> Cause | None:
    return next((c for c in ranked if c is not leader and c.chances > 0), None)


def _named(cause: Cause, ranked: list[Cause]) -> Verdict:
    return Verdict(
        kind=DEED_OF[cause.kind], cause=cause, runner_up=_next(ranked, cause),
        since_utc=cause.since_utc, reasons=cause.speaks_for[:2],
    )  # fmt: skip


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


def _exchanged(account: Account) -> Verdict:
    """Return the verdict that the two return temperatures are taken for each other."""
    assert account.info is not None
    assert account.exchanged is not None
    gone = np.flatnonzero(~account.exchanged)
    first = int(account.info.day[gone[-1] + 1 if len(gone) else 0])
    since = datetime.fromtimestamp(first * 86400.0, tz=UTC)
    remark = Remark(code="returns_exchanged", words={"since": f"{since:%-d %B %Y}"})
    cause = Cause(
        kind=CauseKind.THERMOMETER, subject=PRIMARY_RETURN, chances=1.0, times_less_likely=1.0,
        since_utc=since, speaks_for=(remark,),
    )  # fmt: skip
    return Verdict(
        kind=VerdictKind.CHECK_INSTRUMENT, cause=cause, runner_up=None, since_utc=since,
        reasons=(remark,),
    )  # fmt: skip


def _grew(account: Account, clean: Estimate) -> bool:
    """Tell whether what came since the onset is for sure, and worth a word."""
    scores, row = account.scores, account.present_row()
    assert scores is not None
    threshold = alarm_threshold(account.exchanger.limits.false_alerts_per_year)
    grown = account.loss_of(float(scores.size[row, 0]))
    worth_a_word = max(grown, 1 - clean.value) > SMALL_LOSS
    return bool(scores.ratio[row, 0] > threshold and worth_a_word)


def _either(deposit: Cause, rival: Cause, state: CurrentState, health: DataHealth) -> Verdict:
    loss = 1 - (state.cleanliness_factor.value if state.cleanliness_factor else 1.0)
    return cannot_tell(
        Remark(
            code="deposit_or_instrument",
            numbers={"loss": loss},
            words={"role": rival.subject or ""},
        ),
        *(_settled_by(rival, health)),
        cause=deposit,
        runner_up=rival,
    )


def _unnamed(suspect: Cause, ranked: list[Cause], health: DataHealth) -> Verdict:
    """Say that an instrument seems off, which cannot be told for sure: with a single meter, never."""
    two = health.instrumentation is Instrumentation.BOTH_FLOWS
    return cannot_tell(
        *suspect.speaks_for[:1],
        *(() if two else (Remark(code="one_meter_ambiguous"),)),
        *_settled_by(suspect, health),
        cause=suspect,
        runner_up=_next(ranked, suspect),
    )


def _both(instrument: Cause, deposit: Cause) -> Verdict:
    """Name an instrument that has strayed and the deposit beside it: the first is the cheaper to check."""
    return Verdict(
        kind=DEED_OF[instrument.kind], cause=instrument, runner_up=deposit,
        since_utc=instrument.since_utc,
        reasons=(*instrument.speaks_for[:1], *deposit.speaks_for[:1]),
    )  # fmt: skip


def _settled_by(rival: Cause, health: DataHealth) -> list[Remark]:
    """Say what would tell the deposit from the instrument: one more instrument, or a calibration."""
    found = [r for r in health.consequences if r.code in WOULD_HELP]
    checked = Remark(code="calibration_would_settle", words={"role": rival.subject or ""})
    return [checked, *found[:1]]


def _fouling_verdict(
    account: Account,
    deposit: Cause,
    ranked: list[Cause],
    state: CurrentState,
    forecast: Forecast | None,
    money: MoneyAccount | None,
    alerts: tuple[AlertEvent, ...],
) -> Verdict:
    """Say clean it where a visit pays now or the limit is near, else clean later."""
    clean = state.cleanliness_factor
    loss = 1 - clean.value if clean is not None else 0.0
    now = state.as_of_utc if forecast is None else forecast.made_utc  # from which its dates count
    due = (
        forecast is not None
        and forecast.date_50 is not None
        and forecast.date_50 <= now + timedelta(days=SOON_DAYS)
    )
    pays = bool(
        money is not None
        and money.best_visit_utc is not None
        and money.best_visit_utc <= now + timedelta(days=SOON_DAYS)
        and (money.chance_visit_pays or 0.0) >= PAYS
    )
    reasons = list(deposit.speaks_for[:1])
    if due and forecast is not None and forecast.date_50 is not None and forecast.date_50 <= now:
        reasons.append(
            Remark(code="limit_passed", numbers={"limit_K": state.approach_limit_K or np.nan})
        )
    elif due:
        reasons.append(
            Remark(code="limit_near", numbers={"limit_K": state.approach_limit_K or np.nan})
        )
    if pays:
        reasons.append(Remark(code="visit_pays"))
    elif not due:
        reasons.append(Remark(code="mild", numbers={"loss": loss}))
        if money is not None and money.visit_price is not None and money.best_visit_utc is None:
            reasons.append(Remark(code="visit_does_not_pay"))
    raised = [a.raised_utc for a in alerts if a.kind is CauseKind.DEPOSIT and a.ended_utc is None]
    since = deposit.since_utc or (max(raised) if raised else None)
    return Verdict(
        kind=VerdictKind.CLEAN_NOW if due or pays else VerdictKind.CLEAN_LATER,
        cause=deposit, runner_up=_next(ranked, deposit), since_utc=since, reasons=tuple(reasons),
    )  # fmt: skip


def _temperatures_only(
    odds: Odds, listed: list[Cause], alarmed: set[str | None], effectiveness: Estimate | None
) -> Verdict:
    """Four temperatures cannot tell a deposit from a change of flow; say what they do tell."""
    suspect = off_beyond_flows(odds, listed, alarmed)
    if suspect is not None:
        return _named(suspect, [c for c in listed if c.chances > 0])
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
