"""Which hours carry evidence on the heat transfer, and why the others do not.

UA is never formed minute by minute: the model predicts the outlets from an hour's means, which is right
to first order in what varies inside the hour. The limits keep the second order small. They are those
that experiments found to matter; the floor on the load matters more than the
limits on steadiness. Every reason uses the hour itself and the one before, nothing later.
"""

import numpy as np
from numpy.typing import NDArray

from analytics.trends.hours import T1_IN, T1_OUT, T2_IN, T2_OUT, HourTable
from analytics.trends.model import hourly_slope
from analytics.vocabulary.quantities import REASON_BITS
from analytics.vocabulary.records import Instrumentation

LEAST_FLOW = 0.15  # of nominal
LEAST_PRIMARY_FALL_K = 3.0
LEAST_SECONDARY_RISE_K = 1.5
STEADY_DEVIATION_K = (1.2, np.inf, 1.0, 1.0)  # inside the hour: primary supply, -, secondary pair
# UA of an hour's means is below the mean of its UA by about 1.2 times the variance of ln flow inside the
# hour (quasi-steady counterflow, all else steady; inlet temperatures alone leave none): 1.2 % at this
# limit, 4.5 % at twice it, 0.03 % in half of the hours of simulated plants.
STEADY_FLOW_DEVIATION = 0.10
STEADY_STEP_K = 1.5  # secondary supply against the hour before
STEADY_VALVE_STEP = 0.06  # mean move of the valve from one logged point to the next
STEADY_FLOW_STEP = 0.5  # ln primary flow against the hour before
CROSSING_K = 4.0  # more than thermometers on pipes disagree


def set_aside(
    table: HourTable, nominal: tuple[float, float], least: tuple[float, float] = (0.0, 0.0)
) -> NDArray[np.int64]:
    """Return a bit mask per hour (see ``SET_ASIDE_REASONS``); 0: the hour carries evidence.

    Parameters
    ----------
    nominal : (primary, secondary)
        Nominal flows, m3/s.
    least : (primary, secondary), optional
        Flows below which the meters show nothing that can be used, m3/s.
    """
    bits = table.reasons.copy()
    t = table.temperature
    missing = ~np.isfinite(t).all(axis=1) | _flow_missing(table)
    # a refused sample explains the gap it leaves; where the rest of the hour suffices it is no reason
    bits[~missing] = 0
    bits[missing] |= REASON_BITS["gap"]
    stopped = _stopped(table, nominal)
    bits[stopped] |= REASON_BITS["stopped"]
    with np.errstate(invalid="ignore"):
        low = (t[:, T1_IN] - t[:, T1_OUT] < LEAST_PRIMARY_FALL_K) | (
            t[:, T2_OUT] - t[:, T2_IN] < LEAST_SECONDARY_RISE_K
        )
        floor = np.maximum(LEAST_FLOW * np.array(nominal), least)
        low |= (table.flow < floor).any(axis=1)
        crossed = (t[:, T1_OUT] < t[:, T2_IN] - CROSSING_K) | (
            t[:, T2_OUT] > t[:, T1_IN] + CROSSING_K
        )
    bits[low & ~stopped] |= REASON_BITS["low_load"]
    bits[crossed & ~stopped] |= REASON_BITS["crossed"]
    bits[_transient(table, stopped) & ~stopped] |= REASON_BITS["transient"]
    return bits


def _flow_missing(table: HourTable) -> NDArray[np.bool_]:
    """An hour needs every flow that the exchanger has; none where nothing measures one."""
    if table.instrumentation in (Instrumentation.TEMPERATURES_ONLY, Instrumentation.INCOMPLETE):
        return np.zeros(len(table), dtype=bool)
    return np.asarray(~np.isfinite(table.flow).any(axis=1))


def _stopped(table: HourTable, nominal: tuple[float, float]) -> NDArray[np.bool_]:
    t = table.temperature
    with np.errstate(invalid="ignore"):
        still = (table.flow <= 0.01 * np.array(nominal)).any(axis=1)
        still |= table.pump < 0.99
        still |= table.power_W == 0.0
        cold = t[:, T1_IN] - t[:, T2_IN] < LEAST_PRIMARY_FALL_K  # nothing to give
    return np.asarray(still | cold)


def _transient(table: HourTable, stopped: NDArray[np.bool_]) -> NDArray[np.bool_]:
    with np.errstate(invalid="ignore", divide="ignore"):
        moving = (table.temperature_deviation > np.array(STEADY_DEVIATION_K)).any(axis=1)
        moving |= table.primary_flow_deviation > STEADY_FLOW_DEVIATION
        moving |= table.valve_step > STEADY_VALVE_STEP
        moving |= np.abs(hourly_slope(table.temperature)[:, T2_OUT]) > STEADY_STEP_K
        moving |= np.abs(hourly_slope(np.log(table.flow))[:, 0]) > STEADY_FLOW_STEP
    just_started = np.zeros(len(table), dtype=bool)
    just_started[1:] = stopped[:-1]
    return np.asarray(moving | just_started)
