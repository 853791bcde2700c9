"""Proposals for the maintenance log: what ``decisions.unlogged`` found, in the figures people read."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd

from analytics.decisions.unlogged import Unlogged, unlogged
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
    Deed,
    Estimate,
    Instrumentation,
    Proposal,
    Remark,
    Verdict,
    VerdictKind,
)

_DEED = {"visit": Deed.OPENED_AND_CLEANED, "plates": Deed.PLATES_CHANGED, "piping": Deed.OTHER}
_CODE = {"visit": "visit_unlogged", "plates": "plates_unlogged", "piping": "service_unlogged"}
_ON_THE_PLATES = frozenset({"visit_unlogged", "plates_unlogged"})
_LARGEST_LOG = 6.9  # "over 1,000 times": more no likelihood can bear


def proposals_of(account: Account, at: ReferencePoint, daily: pd.DataFrame) -> tuple[Proposal, ...]:
    """Return the log entries that seem to be missing, by the day they became known."""
    return tuple(_proposal(account, at, daily, found) for found in unlogged(account))


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
    common = {
        "at_utc": _moment(found.day), "earliest_utc": _moment(found.earliest),
        "latest_utc": _moment(found.latest), "known_utc": _moment(found.known),
    }  # fmt: skip
    if found.kind == "instrument":
        return Proposal(**common, **_instrument(found))  # type: ignore[arg-type]
    words = {"day": _words(found.day), "earliest": _words(found.earliest)}
    if found.kind == "piping":
        remark = Remark(
            code="service_unlogged", numbers={"counter_K": found.size, "along_K": found.sd},
            words=words,
        )  # fmt: skip
        size = Estimate(value=found.size, low=found.size, high=found.size)
        return Proposal(deed=Deed.OTHER, role=None, size=size, unit="K", remark=remark, **common)
    gain = _gain(account, at, found)
    approach = daily["approach_reference_K"]
    remark = Remark(
        code=_CODE[found.kind],
        numbers={
            "gain": gain.value, "low": gain.low, "high": gain.high,
            "before_K": float(approach.get(pd.Timestamp(_moment(found.before)), np.nan)),
            "after_K": float(approach.get(pd.Timestamp(_moment(found.known)), np.nan)),
        },
        words={**words, "before": _words(found.before), "after": _words(found.known)},
    )  # fmt: skip
    return Proposal(
        deed=_DEED[found.kind], role=None, size=gain, unit="", remark=remark,
        evidence=_rivals(account, found), **common,
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
    times = float(np.exp(min(found.ahead, _LARGEST_LOG)))
    said = [Remark(code="step_ahead", numbers={"times": times})] if times > 1.5 else []
    if account.table.instrumentation is not Instrumentation.BOTH_FLOWS:
        said.append(Remark(code="one_meter_step"))
    return tuple(said)


def _instrument(found: Unlogged) -> dict[str, object]:
    role = dict(INSTRUMENTS)[found.index]
    thermometer = role in TEMPERATURES
    size = estimate(found.size, found.sd)
    if not thermometer:
        size = ordered(*(float(np.expm1(v)) for v in (size.value, size.low, size.high)))
    name = "step_K" if thermometer else "step"
    numbers = {name: size.value, "low" + name[4:]: size.low, "high" + name[4:]: size.high}
    remark = Remark(
        code="thermometer_unlogged" if thermometer else "meter_unlogged", numbers=numbers,
        words={
            "role": role, "day": _words(found.day), "earliest": _words(found.earliest),
            "latest": _words(found.latest),
        },
    )  # fmt: skip
    evidence: tuple[Remark, ...] = ()
    if np.isfinite(found.ahead):
        times = float(np.exp(min(found.ahead, _LARGEST_LOG)))
        evidence = (Remark(code="step_ahead", numbers={"times": times}),)
    else:
        evidence = (Remark(code="step_at_rest"),)
    return {
        "deed": Deed.THERMOMETER_CALIBRATED if thermometer else Deed.METER_CHANGED, "role": role,
        "size": size, "unit": "K" if thermometer else "", "remark": remark, "evidence": evidence,
    }  # fmt: skip


def _moment(day: int) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=day)


def _words(day: int) -> str:
    moment = _moment(day)
    return f"{moment.day} {moment:%B %Y}"
