"""The answers that a verdict may give, and what each is said to rest on.

Lives here: how an answer is put together. Not here: which of them is given (``verdict``).
"""

from datetime import UTC, datetime, timedelta

import numpy as np

from analytics.trends.account import Account
from analytics.vocabulary.quantities import PRIMARY_RETURN
from analytics.vocabulary.records import (
    BESIDE_THE_PLATES,
    AlertEvent,
    Cause,
    CauseKind,
    CurrentState,
    DataHealth,
    Forecast,
    Instrumentation,
    MoneyAccount,
    Remark,
    Verdict,
    VerdictKind,
)

SOON_DAYS = 60
WOULD_HELP = ("would_help_most", "would_help_and_give_U", "would_let_tell")
PAYS = 0.8  # chance that a visit pays, for "clean it"
DEED_OF: dict[CauseKind, VerdictKind] = {
    CauseKind.THERMOMETER: VerdictKind.CHECK_INSTRUMENT,
    CauseKind.FLOW_METER: VerdictKind.CHECK_INSTRUMENT,
    CauseKind.BUILDING_SIDE: VerdictKind.BUILDING_SIDE,
    CauseKind.CONTROLS: VerdictKind.CHECK_CONTROLS,
    CauseKind.CAPACITY: VerdictKind.ADD_PLATES,
    CauseKind.PIPING: VerdictKind.CHECK_PIPING,
    CauseKind.STRAINER: VerdictKind.RINSE_STRAINER,
}


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


def next_of(ranked: list[Cause], leader: Cause) -> Cause | None:
    """Return the likeliest rival of the leader.

    What shows beside the plates' account (the building, the load, a strainer) is no rival of what shows in
    it: both may be so.
    """
    if leader.kind in BESIDE_THE_PLATES:
        return None
    ranked = [c for c in ranked if c.kind not in BESIDE_THE_PLATES]
    return next((c for c in ranked if c is not leader and c.chances > 0), None)


def named(cause: Cause, ranked: list[Cause]) -> Verdict:
    """Return the verdict that goes with a cause."""
    return Verdict(
        kind=DEED_OF[cause.kind], cause=cause, runner_up=next_of(ranked, cause),
        since_utc=cause.since_utc, reasons=cause.speaks_for[:2],
    )  # fmt: skip


def exchanged_returns(first: int) -> Verdict:
    """Return the verdict that the two return temperatures are taken for each other since a day."""
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


def either(deposit: Cause, rival: Cause, state: CurrentState, health: DataHealth) -> Verdict:
    """Say that a loss is a deposit or an instrument's error, and what would settle it."""
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


def unnamed(suspect: Cause, ranked: list[Cause], health: DataHealth) -> Verdict:
    """Say that an instrument seems off, which cannot be told for sure: with a single meter, never."""
    two = health.instrumentation is Instrumentation.BOTH_FLOWS
    return cannot_tell(
        *suspect.speaks_for[:1],
        *(() if two else (Remark(code="one_meter_ambiguous"),)),
        *_settled_by(suspect, health),
        cause=suspect,
        runner_up=next_of(ranked, suspect),
    )


def both(instrument: Cause, deposit: Cause) -> Verdict:
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


def fouling(
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
        cause=deposit, runner_up=next_of(ranked, deposit), since_utc=since, reasons=tuple(reasons),
    )  # fmt: skip
