"""The verdict where the data ends the matter before any odds."""

import numpy as np

from analytics.evaluation.answers import WOULD_HELP, cannot_tell
from analytics.trends.account import Account
from analytics.trends.clean_reference import REFERENCE_DAYS, evidence_days
from analytics.vocabulary.quantities import (
    PRIMARY_SUPPLY,
    REASON_BITS,
    SECONDARY_SUPPLY,
    TEMPERATURES,
)
from analytics.vocabulary.records import DataHealth, Instrumentation, Remark, Verdict

LEAST_DAYS = 20  # with evidence after the reference, before a verdict is given
SWAPPED_K, SWAPPED_SHARE = 5.0, 0.9  # no plant warms the network or cools the building that much


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
