"""A flow logged in another unit than its register says: what the ratio to other evidence gives away.

Each flow is held against the heat meter's power, the other side's duty and the design flow, in that order.
A median ratio beside a factor between two units in use is told; the readings are left as they are.
"""

from dataclasses import dataclass

import numpy as np

from analytics.trends.account import Account
from analytics.trends.hours import T1_IN, T1_OUT, T2_IN, T2_OUT
from analytics.trends.model import Array
from analytics.vocabulary.quantities import PRIMARY_FLOW, SECONDARY_FLOW
from analytics.vocabulary.records import Remark

LEAST_HOURS = 24
LEAST_CHANGE_K = 3.0
CLOSE = 1.15  # times either way: meters differ by less, factors of units by more
# A plant may run at a fifth of its design flow all winter, or at twice; only what lies beyond is told
# by the design flow, which knows the load no better.
DESIGN_LOW, DESIGN_HIGH, NEAR_DESIGN = 0.15, 2.5, 2.0

# Too large by; the unit that it is in; the unit that it was taken for.
FACTORS: tuple[tuple[float, str, str], ...] = (
    (3.6, "m3/h", "l/s"), (1 / 3.6, "l/s", "m3/h"),
    (1000.0, "l/h", "m3/h"), (1e-3, "m3/h", "l/h"),
    (60.0, "l/h", "l/min"), (1 / 60.0, "l/min", "l/h"),
    (1000.0 / 60.0, "l/min", "m3/h"), (60.0 / 1000.0, "m3/h", "l/min"),
    (3600.0, "l/h", "l/s"), (1 / 3600.0, "l/s", "l/h"),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Comparison:
    against: str
    ratio: float
    close: float


def flow_unit_remarks(account: Account) -> list[Remark]:
    """Return a remark for each flow whose size is that of another unit."""
    found = []
    duties = _duties(account)
    for side, role in enumerate((PRIMARY_FLOW, SECONDARY_FLOW)):
        if not np.isfinite(account.table.flow[:, side]).any():
            continue
        for seen in _comparisons(account, duties, side):
            said = _named(role, seen)
            if said is not None:
                found.append(said)
            break  # the first comparison there is decides
    return found


def _duties(account: Account) -> tuple[Array, Array]:
    t, flow = account.table.temperature, account.table.flow
    fall, rise = t[:, T1_IN] - t[:, T1_OUT], t[:, T2_OUT] - t[:, T2_IN]
    loads = []
    for side, change in enumerate((fall, rise)):
        fluid = account.fluids[side]
        middle = t[:, :2].mean(axis=1) if side == 0 else t[:, 2:].mean(axis=1)
        with np.errstate(invalid="ignore"):
            usable = (change > LEAST_CHANGE_K) & (flow[:, side] > 0)
        heat = flow[:, side] * fluid.density(middle) * fluid.heat_capacity(middle) * change
        loads.append(np.where(usable, heat, np.nan))
    return loads[0], loads[1]


def _ratio(one: Array, other: Array) -> float | None:
    with np.errstate(invalid="ignore", divide="ignore"):
        good = np.isfinite(one) & np.isfinite(other) & (other > 0)
    if good.sum() < LEAST_HOURS:
        return None
    return float(np.median(one[good] / other[good]))


def _comparisons(account: Account, duties: tuple[Array, Array], side: int) -> list[_Comparison]:
    found = []
    power = account.table.power_W
    # a flow that was worked out from the power agrees with it by construction
    derived = side == 0 and "primary_flow" not in _logged(account)
    by_power = None if derived else _ratio(duties[side], power)
    if by_power is not None:
        found.append(_Comparison(against="the heat meter's power", ratio=by_power, close=CLOSE))
    elif not derived:
        stream = (account.exchanger.primary, account.exchanger.secondary)[side]
        flow = account.table.flow[:, side]
        running = flow[np.isfinite(flow) & (flow > 0)]
        if stream.design_flow_m3_s is not None and len(running) >= LEAST_HOURS:
            ratio = float(np.quantile(running, 0.9)) / stream.design_flow_m3_s
            if not DESIGN_LOW < ratio < DESIGN_HIGH:
                found.append(_Comparison(against="the design flow", ratio=ratio, close=NEAR_DESIGN))
        else:
            between = _ratio(duties[side], duties[1 - side])
            if between is not None and side == 1:
                found.append(
                    _Comparison(against="the other side's heat", ratio=between, close=CLOSE)
                )
    return found


def _logged(account: Account) -> set[str]:
    return {str(c) for c in account.reasons.columns}


def _named(role: str, seen: _Comparison) -> Remark | None:
    """Return the remark where the ratio is that of two units; None where it is as it should be."""
    if 1 / max(seen.close, 1.4) < seen.ratio < max(seen.close, 1.4):
        return None
    apart = [abs(np.log(seen.ratio / factor)) for factor, _, _ in FACTORS]
    best = int(np.argmin(apart))
    if apart[best] > np.log(min(seen.close, 1.5)):
        return None
    _, unit, registered = FACTORS[best]
    return Remark(
        code="flow_unit", numbers={"factor": seen.ratio},
        words={"role": role, "unit": unit, "registered": registered, "against": seen.against},
    )  # fmt: skip
