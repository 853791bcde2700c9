"""How good the data is, and what follows from what is missing."""

from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.decisions.flow_units import flow_unit_remarks
from analytics.decisions.instrument_worth import most_helpful
from analytics.decisions.insulation import insulation_remark
from analytics.evaluation.changed_thermometer import changed_remark
from analytics.trends.account import Account
from analytics.trends.evidence import CROSSING_K
from analytics.trends.hours import T1_OUT, T2_IN, T2_OUT
from analytics.trends.model import Array
from analytics.trends.reference_condition import NINE_IN_TEN
from analytics.vocabulary.quantities import (
    PRIMARY_FLOW,
    REASON_BITS,
    SECONDARY_FLOW,
    TEMPERATURES,
)
from analytics.vocabulary.records import DataHealth, Instrumentation, Remark

COLD_END = np.array([0.0, 1.0, 0.0, -1.0])  # primary return minus secondary return
RECENT_DAYS = 30
QUIET_REASONS = ("low_load", "crossed", "transient", "unbalanced")  # an hour counts under the first
SILENT_DAYS = 3  # without a needed reading while others still come
OFF_SEASON_HOURS = 24
THIN_HOURS = 60
DOUBTFUL_SHARE = 0.3
OFTEN_CROSSED = 0.1  # share of the running hours from which on it is told
OUTSIDE_SHARE = 0.01  # of the readings beyond the liquid's range
COARSE_SHARE = 0.05  # of the hours with a flow
Grade = Literal["good", "thin", "doubtful", "stopped", "off season", "none"]
METER_ROLES = ("heat_power", "heat_energy", "heat_volume")


def last_reading(trends: pd.DataFrame, role: str) -> pd.Timestamp | None:
    """Return the stamp of the last reading of a role."""
    there = trends.index[trends[role].notna()]
    return pd.Timestamp(there[-1]) if len(there) else None


def silent_roles(trends: pd.DataFrame) -> tuple[str, ...]:
    """Return needed roles that were logged once but not in the last days of the record."""
    end = trends.index[-1]
    silent = []
    for role in (*TEMPERATURES, PRIMARY_FLOW, SECONDARY_FLOW, *METER_ROLES):
        if role not in trends.columns:
            continue
        last = last_reading(trends, role)
        if last is not None and end - last > pd.Timedelta(days=SILENT_DAYS):
            silent.append(role)
    # a register that rests says nothing new while the meter's power still comes, and the reverse
    meters = [r for r in METER_ROLES if r in trends.columns]
    if any(r not in silent for r in meters):
        silent = [r for r in silent if r not in meters]
    return tuple(silent)


def missing_roles(trends: pd.DataFrame, kind: Instrumentation) -> tuple[str, ...]:
    """Return the roles that never came, or stopped, and would help."""
    never = [r for r in TEMPERATURES if r not in trends.columns or trends[r].notna().sum() == 0]
    if kind is Instrumentation.TEMPERATURES_ONLY:
        never.append(PRIMARY_FLOW)
    if kind in (Instrumentation.PRIMARY_FLOW, Instrumentation.PRIMARY_POWER):
        never.append(SECONDARY_FLOW)
    if kind is Instrumentation.SECONDARY_FLOW:
        never.append(PRIMARY_FLOW)
    return (*never, *silent_roles(trends))


def consequences(account: Account) -> tuple[Remark, ...]:
    """Say what cannot be told, and why."""
    exchanger, table = account.exchanger, account.table
    said = [*flow_unit_remarks(account)]
    if table.instrumentation is Instrumentation.TEMPERATURES_ONLY:
        said += [Remark(code="temperatures_only"), Remark(code="assumed_constant_secondary_flow")]
    if table.instrumentation in (
        Instrumentation.PRIMARY_FLOW, Instrumentation.PRIMARY_POWER, Instrumentation.SECONDARY_FLOW
    ):  # fmt: skip
        said.append(Remark(code="one_meter_ambiguous"))
    helpful = most_helpful(account)
    if helpful is not None:
        said.append(helpful)
    if exchanger.area_m2 is None:
        said.append(Remark(code="no_area"))
    if exchanger.primary.design_inlet_degC is None or exchanger.secondary.design_inlet_degC is None:
        said.append(Remark(code="no_design"))
    if account.period is not None and account.period.basis == "first weeks":
        said.append(Remark(code="first_weeks_yardstick"))
    bare = insulation_remark(account)
    if bare is not None:
        said.append(bare)
    if not np.isfinite(table.outdoor_degC).any():
        said.append(Remark(code="no_outdoor"))
    elif exchanger.design_outdoor_degC is None:
        said.append(Remark(code="no_design_outdoor"))
    said += outside_liquid(account)
    if too_coarse(account):
        said.append(Remark(code="registers_too_coarse"))
    said += crossing_remarks(account)
    said += [changed_remark(step) for step in account.steps]
    quiet = _quiet_hours(account)
    return (*said, quiet) if quiet is not None else tuple(said)


def outside_liquid(account: Account) -> list[Remark]:
    """Say of each side whose readings often lie where its liquid has no properties."""
    bit = REASON_BITS["outside_liquid"]
    said = []
    for i, side in enumerate(("primary", "secondary")):
        roles = [r for r in TEMPERATURES[2 * i : 2 * i + 2] if r in account.reasons.columns]
        outside = ((account.reasons[roles].to_numpy(dtype=np.int64) & bit) != 0).any(axis=1)
        share = float(outside.mean()) if len(outside) else 0.0
        if share > OUTSIDE_SHARE:
            liquid = account.fluids[i]
            table = liquid.fluid.table
            said.append(
                Remark(
                    code="liquid_out_of_range",
                    numbers={
                        "share": share, "low_degC": liquid.low_degC, "high_degC": liquid.high_degC
                    },
                    words={
                        "side": side,
                        "liquid": liquid.fluid.kind if table is None else f"the liquid of {table.name}",
                    },
                )
            )  # fmt: skip
    return said


def too_coarse(account: Account) -> bool:
    """Tell whether registers count days but hardly an hour, and nothing else gives that side's flow."""
    days = account.table.day_heat_J, account.table.day_volume_m3
    if all(d is None or d.dropna().empty for d in days):
        return False
    known = np.isfinite(account.table.flow[:, 0]) & (account.table.flow[:, 0] > 0)
    return bool(known.mean() < COARSE_SHARE)


def _quiet_hours(account: Account) -> Remark | None:
    """Say how many of the last 30 days' running hours carry no evidence, and why."""
    recent = account.table.day > account.table.day[-1] - RECENT_DAYS
    bits = account.set_aside[recent]
    runs = (bits & (REASON_BITS["stopped"] | REASON_BITS["gap"])) == 0
    quiet = runs & (bits != 0)
    if not quiet.any():
        return None
    # each hour under its first reason: too little load explains an unsteady hour, not the reverse
    numbers = {"running": float(runs.sum()), "quiet": float(quiet.sum())}
    left = quiet.copy()
    for reason in QUIET_REASONS:
        here = left & ((bits & REASON_BITS[reason]) != 0)
        if here.any():
            numbers[reason] = float(here.sum())
        left &= ~here
    return Remark(code="quiet_hours", numbers=numbers)


def crossing_remarks(account: Account) -> list[Remark]:
    """Say of streams that often seem to cross at the cold end what that comes of.

    Either an error between the two return thermometers explains it; or it lies within what is known of them
    and goes with little load, at which both streams leave as good as equally warm; or neither.
    """
    crossing = crossing_share(account)
    if crossing <= OFTEN_CROSSED or account.offsets is None:
        return []
    offset, sd = account.offsets.pair(COLD_END, int(account.table.day[-1]))
    low, high = offset - NINE_IN_TEN * sd, offset + NINE_IN_TEN * sd
    left = crossing_share(account, corrected=True)
    t = running_degC(account)
    gap, rise = t[:, T1_OUT] - t[:, T2_IN], t[:, T2_OUT] - t[:, T2_IN]
    depth = float(np.quantile(-gap[gap < 0], 0.9))
    # the rise of the building's water goes with the load, whatever is metered
    loaded = float((gap[rise > np.nanmedian(rise)] < 0).mean())
    if high < 0 and left < 0.5 * crossing:
        code = "crossing_explained"
    elif depth <= -low and loaded < 0.5 * crossing:
        code = "crossing_small"
    else:
        code = "crossing_unexplained"
    numbers = {
        "share": crossing, "left": left, "offset_K": offset, "low_K": low, "high_K": high,
        "depth_K": depth, "loaded": loaded, "aside_K": CROSSING_K,
    }  # fmt: skip
    return [Remark(code=code, numbers=numbers)]


def running_degC(account: Account, *, corrected: bool = False) -> Array:
    """Return the four temperatures of the hours that ran, shape (n, 4). [degC]

    ``corrected``: after the thermometers' errors as they were known at the time.
    """
    t = account.table.temperature
    if corrected and account.offsets is not None:
        t = t - account.offsets.on(account.table.day)
    runs = (account.set_aside & (REASON_BITS["stopped"] | REASON_BITS["gap"])) == 0
    return np.asarray(t[runs])


def crossing_share(account: Account, *, corrected: bool = False) -> float:
    """Share of running hours in which the primary seems to leave colder than the secondary enters.

    ``corrected``: after the thermometers' errors as they were known at the time.
    """
    t = running_degC(account, corrected=corrected)
    with np.errstate(invalid="ignore"):
        return float((t[:, T1_OUT] < t[:, T2_IN]).mean()) if len(t) else 0.0


def data_health(account: Account, trends: pd.DataFrame) -> DataHealth:
    """Describe the data of the last 30 days, and the whole record's instruments."""
    table = account.table
    recent = table.day > table.day[-1] - RECENT_DAYS
    bits = account.set_aside[recent]
    halted = REASON_BITS["stopped"] | REASON_BITS["gap"]
    logged = float(np.isfinite(table.temperature[recent]).any(axis=1).sum())
    running = float(((bits & halted) == 0).sum())
    evidence = float((bits == 0).sum())
    missing = missing_roles(trends, table.instrumentation)
    return DataHealth(
        instrumentation=table.instrumentation,
        first_utc=trends.index[0].to_pydatetime(),
        last_utc=trends.index[-1].to_pydatetime(),
        hours_logged_30d=logged,
        hours_running_30d=running,
        hours_evidence_30d=evidence,
        set_aside_30d={
            name: float(((bits & bit) != 0).sum())
            for name, bit in REASON_BITS.items()
            if ((bits & bit) != 0).any()
        },
        missing_roles=missing,
        consequences=consequences(account),
        grade=_grade(account, trends, logged, running, evidence, bits),
    )


def _grade(
    account: Account,
    trends: pd.DataFrame,
    logged: float,
    running: float,
    evidence: float,
    bits: NDArray[np.int64],
) -> Grade:
    if logged == 0:
        return "none"
    if silent_roles(trends) and needed_is_silent(account, trends):
        return "stopped"
    if running < OFF_SEASON_HOURS:
        return "off season"
    wrong = REASON_BITS["out_of_range"] | REASON_BITS["crossed"] | REASON_BITS["flat_lined"]
    if float(((bits & wrong) != 0).sum()) > DOUBTFUL_SHARE * max(running, 1.0):
        return "doubtful"
    return "thin" if evidence < THIN_HOURS else "good"


def needed_is_silent(account: Account, trends: pd.DataFrame) -> bool:
    """Tell whether what stopped coming takes the verdict's ground away."""
    silent = set(silent_roles(trends))
    if silent & set(TEMPERATURES):
        return True
    flows = {
        r for r in (PRIMARY_FLOW, SECONDARY_FLOW, *METER_ROLES)
        if r in trends.columns and trends[r].notna().any()
    }  # fmt: skip
    return bool(flows) and flows <= silent


def empty_health() -> DataHealth:
    """Health of an exchanger that has no reading."""
    return DataHealth(
        instrumentation=Instrumentation.INCOMPLETE, first_utc=None, last_utc=None,
        hours_logged_30d=0.0, hours_running_30d=0.0, hours_evidence_30d=0.0, set_aside_30d={},
        missing_roles=TEMPERATURES, consequences=(), grade="none",
    )  # fmt: skip
