"""A thermometer that idle hours show to read otherwise than in the reference period.

The account allows for its step, so that the odds since then no longer speak of it; whoever reads it
still reads it wrong, until it is calibrated. Here it gets its name and its verdict.
"""

from datetime import UTC, datetime

import numpy as np
import pandas as pd

from analytics.decisions.causes import onset_day
from analytics.trends.account import Account, day_number
from analytics.trends.reference_condition import NINE_IN_TEN, estimate
from analytics.trends.thermometer_steps import ThermometerStep
from analytics.trends.tracking import matters
from analytics.vocabulary.quantities import TEMPERATURES
from analytics.vocabulary.records import Cause, CauseKind, Deed, Remark, Verdict, VerdictKind


def changed_remark(step: ThermometerStep) -> Remark:
    """Say that idle hours show a thermometer to have been changed or moved."""
    after, known = (pd.Timestamp(d, unit="D") for d in (step.after, step.known))
    half = NINE_IN_TEN * step.sd_K
    return Remark(
        code="thermometer_changed",
        numbers={"step_K": step.size_K, "low_K": step.size_K - half, "high_K": step.size_K + half},
        words={
            "role": TEMPERATURES[step.index], "after": f"{after:%B %Y}", "known": f"{known:%B %Y}",
        },
    )  # fmt: skip


def changed_thermometer(account: Account) -> Verdict | None:
    """Return the verdict on the thermometer that is off by most; None: none is by what matters."""
    standing = [s for s in account.steps if not _calibrated_since(account, s)]
    total, variance = np.zeros(4), np.zeros(4)
    for step in standing:
        total[step.index] += step.size_K
        variance[step.index] += step.sd_K**2
    index = int(np.abs(total).argmax())
    if abs(total[index]) <= matters(index):
        return None
    own = [s for s in standing if s.index == index]
    # idle hours know the season; if the days in operation saw it begin in between, they know the day
    seen = onset_day(account, index)
    within = seen is not None and own[0].after < seen <= own[-1].known
    first = seen if seen is not None and within else own[0].after + 1
    since = datetime.fromtimestamp(first * 86400.0, tz=UTC)
    remarks = tuple(changed_remark(s) for s in own)
    cause = Cause(
        kind=CauseKind.THERMOMETER, subject=TEMPERATURES[index], chances=1.0, times_less_likely=1.0,
        magnitude=estimate(float(total[index]), float(np.sqrt(variance[index]))), magnitude_unit="K",
        since_utc=since, speaks_for=remarks,
    )  # fmt: skip
    return Verdict(
        kind=VerdictKind.CHECK_INSTRUMENT, cause=cause, runner_up=None, since_utc=since,
        reasons=remarks[:2],
    )  # fmt: skip


def _calibrated_since(account: Account, step: ThermometerStep) -> bool:
    return any(
        e.deed is Deed.THERMOMETER_CALIBRATED
        and e.role == TEMPERATURES[step.index]
        and day_number(e.at_utc) > step.after
        for e in account.events
    )
