"""Proposals for the maintenance log: what ``decisions.unlogged`` found, in the figures people read."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd

from analytics.decisions.unlogged import Unlogged
from analytics.evaluation.daily_frame import ratios_on
from analytics.trends.account import Account
from analytics.trends.model import INSTRUMENTS
from analytics.trends.reference_condition import (
    NINE_IN_TEN,
    WIDEN_DEPOSIT,
    ReferencePoint,
    estimate,
    ordered,
)
from analytics.vocabulary.quantities import TEMPERATURES
from analytics.vocabulary.records import (
    AlertEvent,
    Deed,
    Estimate,
    Instrumentation,
    Proposal,
    Remark,
    Verdict,
    VerdictKind,
)

_DEED = {"visit": Deed.OPENED_AND_CLEANED, "plates": Deed.PLATES_CHANGED}
_CODE = {"visit": "visit_unlogged", "plates": "plates_unlogged"}
_ON_THE_PLATES = frozenset({"visit_unlogged", "plates_unlogged"})
_LARGEST_LOG = 6.9  # a thousand times: more no likelihood can bear
WIDEN_INSTRUMENT = 2.0  # offsets of thermometers were stated too narrow by that


def proposals_of(
    account: Account, at: ReferencePoint, daily: pd.DataFrame, steps: Sequence[Unlogged],
    alerts: Sequence[AlertEvent],
) -> tuple[Proposal, ...]:  # fmt: skip
    """Return the log entries that seem to be missing, by the day they became known.

    An instrument that was alerted to before idle hours showed its error went astray; nobody exchanged it.
    """
    return tuple(
        _proposal(account, at, daily, found) for found in steps if not _strayed(found, alerts)
    )


def _strayed(found: Unlogged, alerts: Sequence[AlertEvent]) -> bool:
    at_rest = found.kind == "instrument" and not np.isfinite(found.ahead)
    return at_rest and any(
        a.subject == dict(INSTRUMENTS)[found.index] and a.raised_utc <= _moment(found.known)
        for a in alerts
    )


def with_proposals(verdict: Verdict, proposals: Sequence[Proposal]) -> Verdict:
    """Name the last unlogged visit as the first reason where nothing is to be done, or told."""
    if verdict.kind not in (VerdictKind.LEAVE, VerdictKind.CANNOT_TELL) or not proposals:
        return verdict
    last = max(proposals, key=lambda p: p.known_utc)
    visits = [p for p in proposals if p.remark.code in _ON_THE_PLATES]
    chosen = visits[-1] if visits else last
    return replace(verdict, reasons=(chosen.remark, *verdict.reasons))


def _proposal(
    account: Account, at: ReferencePoint, daily: pd.DataFrame, found: Unlogged
) -> Proposal:
    deed, size = _DEED.get(found.kind, Deed.OTHER), _miss(found)
    role: str | None = None
    evidence: tuple[Remark, ...] = ()
    if found.kind == "instrument":
        role = dict(INSTRUMENTS)[found.index]
        deed = Deed.THERMOMETER_CALIBRATED if role in TEMPERATURES else Deed.METER_CHANGED
        size, remark, evidence = _instrument(found, role)
    elif found.kind == "piping":
        numbers = {"counter_K": found.size, "along_K": found.sd}
        remark = Remark(code="service_unlogged", numbers=numbers, words={"day": _words(found.day)})
    else:
        size, evidence = _gain(account, at, found), _rivals(account, found)
        remark = _plates(daily, found, size)
    return Proposal(
        deed=deed, role=role, at_utc=_moment(found.day), earliest_utc=_moment(found.earliest),
        latest_utc=_moment(found.latest), known_utc=_moment(found.known), size=size,
        unit="" if found.kind in _CODE or deed is Deed.METER_CHANGED else "K", remark=remark,
        evidence=evidence,
    )  # fmt: skip


def _miss(found: Unlogged) -> Estimate:
    return Estimate(value=found.size, low=found.size, high=found.size)


def _plates(daily: pd.DataFrame, found: Unlogged, gain: Estimate) -> Remark:
    """Say it in the figures of the daily account: the approach before, and when it became known."""
    approach = daily["approach_reference_K"]
    before, after = (
        float(approach.get(pd.Timestamp(_moment(d)), np.nan)) for d in (found.before, found.known)
    )
    return Remark(
        code=_CODE[found.kind],
        numbers={
            "gain": gain.value, "low": gain.low, "high": gain.high, "before_K": before,
            "after_K": after,
        },
        words={
            "day": _words(found.day), "before": _words(found.before), "after": _words(found.known),
        },
    )  # fmt: skip


def _gain(account: Account, at: ReferencePoint, found: Unlogged) -> Estimate:
    """Return U after over U before at the reference condition, minus one."""
    info = account.info
    assert info is not None
    row = int(np.searchsorted(info.day, found.before))
    deposit, _ = account.deposit()
    area, channels = ratios_on(account, info.day[row : row + 1])
    UA_clean = at.UA_clean_W_K(at.point, area, channels)
    half = NINE_IN_TEN * WIDEN_DEPOSIT * found.sd

    def level(value: float) -> float:
        return float(at.cleanliness(np.array([value]), UA_clean, area)[0])

    before = level(float(deposit[row]))
    steps = [found.size, found.size - half, found.size + half]
    return ordered(*(level(float(deposit[row]) + s) / before - 1 for s in steps))


def _rivals(account: Account, found: Unlogged) -> tuple[Remark, ...]:
    said = _times(found)
    if account.table.instrumentation is not Instrumentation.BOTH_FLOWS:
        said.append(Remark(code="one_meter_step"))
    return tuple(said)


def _instrument(found: Unlogged, role: str) -> tuple[Estimate, Remark, tuple[Remark, ...]]:
    size = estimate(found.size, WIDEN_INSTRUMENT * found.sd)
    words = {"role": role, "day": _words(found.day)}
    if role in TEMPERATURES:
        code, numbers = "thermometer_unlogged", {"step_K": size.value}
        numbers |= {"low_K": size.low, "high_K": size.high}
    else:
        size = ordered(*(float(np.expm1(v)) for v in (size.value, size.low, size.high)))
        code, numbers = "meter_unlogged", {"step": size.value, "low": size.low, "high": size.high}
    evidence = [Remark(code="step_at_rest")] if not np.isfinite(found.ahead) else _times(found)
    if role not in TEMPERATURES:
        evidence.append(Remark(code="meters_alike"))
    return size, Remark(code=code, numbers=numbers, words=words), tuple(evidence)


def _times(found: Unlogged) -> list[Remark]:
    times = float(f"{np.exp(min(found.ahead, _LARGEST_LOG)):.1g}")  # no sharper than that
    return [Remark(code="step_ahead", numbers={"times": times})] if times > 1.5 else []


def _moment(day: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=day)


def _words(day: int) -> str:
    moment = _moment(day)
    return f"{moment.day} {moment:%B %Y}"
