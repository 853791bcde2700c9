"""What a person should be told of a simulated case, from the simulator's truth alone."""

import numpy as np
import pandas as pd

from analytics.vocabulary.quantities import TEMPERATURES
from analytics.vocabulary.records import VerdictKind
from demo_data.simulator import Scenario
from demo_data.simulator.building import need_of
from demo_data.simulator.design_state import design_states
from demo_data.simulator.events import LoadChange, ThermometerFault
from demo_data.simulator.wide_fleet import Case
from demo_data.simulator.wide_kinds import CLEAN, DEPOSITS

WORKING = 0.15  # of the design duty, in the mean of a day on which the plates can be told
PEAK_SHARE = (
    1.05  # mean load of a design day over what clean plates deliver, from which they are too few
)
# Of duty and of UA at the design state: what an instrument's error may move without harm. A heat meter of
# class 2 or 3 may itself be out by as much (EN 1434-1, limits of a complete meter; from memory).
HARMLESS = 0.03
DESIGN_OUTDOOR_degC = -12.0
WEEK = pd.Timedelta(days=7)
WORTHY = 0.04  # of UA: a deposit that ought to be named at the end
V = VerdictKind
_CLEAN = frozenset({V.CLEAN_NOW, V.CLEAN_LATER})
# What a person should be told; kinds not listed: an instrument by its role, else leave it.
RIGHT: dict[str, frozenset[VerdictKind]] = {
    "load growth": frozenset({V.LEAVE, V.ADD_PLATES}),
    "disagreeing thermometers": frozenset({V.LEAVE, V.CHECK_INSTRUMENT}),
    "stuck thermometer": frozenset({V.LEAVE, V.CHECK_INSTRUMENT}),
    "hunting in step": frozenset({V.LEAVE, V.CHECK_CONTROLS}),
    "meter clock off": frozenset({V.LEAVE, V.CHECK_INSTRUMENT}),
    "building side": frozenset({V.BUILDING_SIDE}),
    "controls": frozenset({V.CHECK_CONTROLS}),
    "too few plates": frozenset({V.ADD_PLATES}),
    "reversed piping": frozenset({V.CHECK_PIPING}),
    "swapped thermometers": frozenset({V.CHECK_INSTRUMENT, V.CHECK_PIPING}),
    "blocked strainer": frozenset({V.RINSE_STRAINER}),
    "deposit and drifting thermometer": _CLEAN | {V.CHECK_INSTRUMENT},
}


def category_of(kind: str) -> str:
    """Return clean, deposit or other."""
    return "clean" if kind in CLEAN else "deposit" if kind in DEPOSITS else "other"


def right_verdicts(kind: str, final_loss: float) -> frozenset[VerdictKind]:
    """Return what a person should be told at the end of the record."""
    if kind in RIGHT:
        return RIGHT[kind]
    if kind in CLEAN:
        return frozenset({V.LEAVE})
    if kind in DEPOSITS:
        if final_loss > WORTHY:
            return _CLEAN
        return frozenset({V.LEAVE}) if final_loss < 0.01 else _CLEAN | {V.LEAVE}
    return frozenset({V.CHECK_INSTRUMENT})


def asked_of(case: Case, final_loss: float) -> frozenset[VerdictKind]:
    """Return what a person should be told of a case; what is just enough, or does no harm, may be left."""
    right = right_verdicts(case.kind, final_loss)
    if case.kind == "too few plates" and not _too_few_for_sure(case.scenario):
        return right | {V.LEAVE}
    if case.kind == "reversed piping" and case.passes == "two":
        return right | {V.LEAVE}  # two passes meet the other stream in both directions either way
    return right | {V.LEAVE} if harmless(case) else right


def harmless(case: Case) -> bool:
    """Tell whether a thermometer's error moves neither duty nor UA at the design state by what matters."""
    errors = {f.role: f.error_K for f in case.scenario.faults if isinstance(f, ThermometerFault)}
    if not case.kind.endswith((" drift", " step")) or not errors:
        return False
    unit = case.scenario.unit
    true = np.array([*unit.design_primary_degC, *reversed(unit.design_secondary_degC)])
    read = true + [errors.get(role, 0.0) for role in TEMPERATURES]
    # the duty is read off the metered side; a heat meter has thermometers of its own
    first = {"secondary flow": 2, "meter power": None, "registers": None}.get(
        case.instrumentation, 0
    )
    duty = 0.0 if first is None else float(np.log(np.diff(read)[first] / np.diff(true)[first]))
    span = log_mean(read) / log_mean(true)
    return bool(abs(duty) < HARMLESS and abs(duty - np.log(span)) < HARMLESS)


def log_mean(t: np.ndarray) -> float:
    """Return the logarithmic mean temperature difference of primary and secondary supply and return, K."""
    hot, cold = t[0] - t[2], t[1] - t[3]
    if min(hot, cold) <= 0:
        return 1e-9
    return float(hot if abs(hot - cold) < 1e-9 else (hot - cold) / np.log(hot / cold))


def _too_few_for_sure(scenario: Scenario) -> bool:
    """Tell whether the mean load of a week at the design outdoor temperature exceeds clean plates."""
    grown = max(f.full or f.start for f in scenario.faults if isinstance(f, LoadChange))
    step = pd.Timedelta(minutes=scenario.step_minutes)
    week = pd.date_range(pd.Timestamp(grown).ceil("D"), freq=step, periods=int(WEEK / step))
    need = need_of(scenario, week, np.full(len(week), DESIGN_OUTDOOR_degC))
    clean = design_states(scenario, week[:1])["duty_clean_W"].iloc[0]
    return bool(need.heating_W.mean() > PEAK_SHARE * clean)


def last_working_day(case: Case, truth: pd.DataFrame) -> pd.Timestamp:
    """Return the last day on which the exchanger had work enough to show its plates.

    What grows on through a summer's standstill shows with the first cold days, not before.
    """
    daily = truth["duty_primary_W"].resample("D").mean()
    worked = daily.index[daily > WORKING * case.scenario.unit.design_duty_W]
    return worked[-1] if len(worked) else truth.index[-1]
