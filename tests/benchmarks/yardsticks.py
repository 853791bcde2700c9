"""Two detectors to measure against: one that knows everything but the deposit, and a plain one.

Neither shares code with ``analytics``; both give a score for each day, and their thresholds are set
afterwards to the same false-alarm rate on the clean cases (``report.py``).

**The floor** knows the film laws, the plates fitted, every visit and every error of the instruments
(offsets, gains, curves, faults, nonsense readings) but two things that nobody can know: their noise
and their slow wander, of which it knows the statistics. It knows neither when a deposit begins nor its
size or shape: it takes the best of ramps and steps by onset. It is linear, takes all running hours
with one noise for each instrument and no account of lags, so that it is a guide to what these
instruments allow and no strict bound, least of all for hot water. Four temperatures without any
flow have no floor here.

**The plain one** regresses ln UA of hourly means on ln flows and mean temperature over the same
reference weeks, and sums the standardised daily residuals (CUSUM, allowance half a deviation).
"""

from collections.abc import Sequence
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from demo_data.simulator import Scenario
from demo_data.simulator.scenario import TEMPERATURES, MeterError, ThermometerError

Array = NDArray[np.float64]
_FLOWS = ("primary_flow", "secondary_flow")
_SENSED = (*TEMPERATURES, *_FLOWS)
_WANDER_DAYS = 20.0
_ONSET_EVERY = 3
_FIRST_DAY = 21
_FILM_SHARE = 0.31  # of a flow's relative change in that of UA: exponent 0.68, films about equal
_ALIKE = 4.0  # hours of a day resemble each other: their information counts a quarter
_VOLUME_HEAT = 4.1e6  # of water, J/(m3 K)
_LEAST_HOURS = 4


def _hourly(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.resample("h").mean()


def _held(logged: pd.DataFrame) -> pd.DataFrame:
    """Return the readings with those logged on change held for four hours."""
    spacing = (logged.index[1] - logged.index[0]) / pd.Timedelta(hours=1)
    moving = [c for c in logged.columns if c not in ("heat_energy", "heat_volume")]
    return logged.assign(**logged[moving].ffill(limit=int(4 / spacing)).to_dict("series"))


def _rate(register: pd.Series) -> pd.Series:
    """Return the mean rate of a register by hour."""
    by_hour = register.resample("h").first()
    rise = by_hour.shift(-1) - by_hour
    return rise.where(rise >= 0) / 3600.0


def _series(days: pd.DatetimeIndex, scores: Array) -> dict[str, object]:
    return {"first": str(days[0].date()), "scores": [round(float(s), 2) for s in scores]}


# --- the plain one ---------------------------------------------------------------------------------


def plain_scores(
    logged: pd.DataFrame, reference_end: datetime | None, visits: Sequence[datetime]
) -> dict[str, object] | None:
    """Return the plain detector's score by day, ``None`` where it cannot work."""
    held = _held(logged)
    h = _hourly(held)
    hot_in, hot_out, cold_out, cold_in = (h[r] for r in TEMPERATURES)
    fall, rise = hot_in - hot_out, cold_out - cold_in
    if "primary_flow" in h:
        heat = h["primary_flow"] * _VOLUME_HEAT * fall
    elif "heat_power" in h:
        heat = h["heat_power"]
    elif "heat_energy" in h:
        heat = _rate(logged["heat_energy"]).reindex(h.index)
    elif "secondary_flow" in h:
        heat = h["secondary_flow"] * _VOLUME_HEAT * rise
    else:
        return None
    first, second = hot_in - cold_out, hot_out - cold_in
    with np.errstate(all="ignore"):
        lmtd = (first - second) / np.log(first / second)
        table = pd.DataFrame(
            {
                "UA": np.log(heat / lmtd), "one": 1.0, "primary": np.log(heat / fall),
                "secondary": np.log(heat / rise), "mean": 0.25 * (hot_in + hot_out + cold_in + cold_out),
            }
        )  # fmt: skip
    busy = heat > 0.15 * heat.quantile(0.98)
    table = table[(fall > 3) & (rise > 1.5) & busy].replace([np.inf, -np.inf], np.nan).dropna()
    start = logged.index[0]
    end = pd.Timestamp(reference_end) if reference_end else start + pd.Timedelta(days=42)
    known = table[table.index < end]
    if len(known) < 100:
        return None
    x = ["one", "primary", "secondary", "mean"]
    fit = np.linalg.lstsq(known[x].to_numpy(), known["UA"].to_numpy(), rcond=None)[0]
    residual = table["UA"] - table[x].to_numpy() @ fit
    grouped = residual.groupby(residual.index.floor("D"))
    daily = grouped.median()[grouped.count() >= _LEAST_HOURS]
    before = daily[daily.index < end]
    if len(before) < 10:
        return None
    usual = float(before.median())
    spread = max(1.4826 * float((before - usual).abs().median()), 1e-3)
    z = np.clip(-(daily - usual) / spread, -5, 5)
    days = pd.date_range(start.floor("D"), logged.index[-1].floor("D"), freq="D")
    shown, total = np.zeros(len(days)), 0.0
    emptied = {pd.Timestamp(v).floor("D") for v in visits}
    for i, day in enumerate(days):
        if day in emptied:
            total = 0.0
        if day >= end and day in z.index:
            total = max(0.0, total + float(z[day]) - 0.5)
        shown[i] = total
    return _series(days, shown)


# --- the floor -------------------------------------------------------------------------------------


def floor_scores(
    scenario: Scenario, logged: pd.DataFrame, truth: pd.DataFrame, visits: Sequence[datetime]
) -> dict[str, object] | None:
    """Return the score by day of the detector that knows all but the deposit."""
    off = _unknown_errors(logged, truth)
    flows = [r for r in _FLOWS if r in off]
    if not flows:
        return None
    off = off.reindex(columns=list(_SENSED))
    t = _hourly(truth)
    Z, J = _linear(t, off, flows)
    noise = np.array([_noise(off[r]) for r in _SENSED])
    sd = np.array([_wander_sd(scenario, r) for r in _SENSED])
    C = np.einsum("hij,j,hkj->hik", J[:, :, 1:], noise, J[:, :, 1:])
    C += 1e-6 * np.eye(Z.shape[1])
    good = np.isfinite(Z).all(axis=1) & np.isfinite(C).all(axis=(1, 2))
    weighed = np.linalg.solve(C[good], J[good]) / _ALIKE
    D = np.einsum("hki,hkj->hij", J[good], weighed)
    E = np.einsum("hki,hk->hi", weighed, Z[good])
    days = pd.date_range(t.index[0].floor("D"), t.index[-1].floor("D"), freq="D")
    day = np.asarray((t.index[good].floor("D") - days[0]).days)
    by_day_D, by_day_E = np.zeros((len(days), 7, 7)), np.zeros((len(days), 7))
    np.add.at(by_day_D, day, D)
    np.add.at(by_day_E, day, E)
    renewed = {int((pd.Timestamp(v).floor("D") - days[0]).days) for v in visits}
    return _series(days, _best_ratios(by_day_D, by_day_E, sd, renewed))


def _unknown_errors(logged: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
    """Return by hour what the readings are off beyond the known: kelvin, or ln of the flow."""
    held = _held(logged)
    off: dict[str, pd.Series] = {}
    known = {r: truth[f"error_{r}"] - truth[f"wander_{r}"] for r in _SENSED}
    for role in TEMPERATURES:
        e = held[role] - truth[role] - known[role]
        off[role] = e.where(e.abs() < 1.5).resample("h").mean()
    fall = truth[TEMPERATURES[0]] - truth[TEMPERATURES[1]]
    with np.errstate(all="ignore"):
        for role in _FLOWS:
            if role in held:
                e = np.log(held[role] / truth[role]) - known[role]
                off[role] = e.where(e.abs() < 0.1).resample("h").mean()
        heat = _hourly(truth["duty_primary_W"].to_frame()).iloc[:, 0]
        pair = _hourly(((known[TEMPERATURES[0]] - known[TEMPERATURES[1]]) / fall).to_frame()).iloc[
            :, 0
        ]
        gain = _hourly(known["primary_flow"].to_frame()).iloc[:, 0] + pair
        if "primary_flow" not in off and "heat_power" in held:
            power = held["heat_power"].resample("h").mean()
        elif "primary_flow" not in off and "heat_energy" in held:
            power = _rate(logged["heat_energy"])
        else:
            return pd.DataFrame(off)
        e = np.log(power / heat) - gain
        # the meter's own pair is that of the bus here: what is left is its flow part's
        e -= (off[TEMPERATURES[0]] - off[TEMPERATURES[1]]) / _hourly(fall.to_frame()).iloc[:, 0]
        off["primary_flow"] = e.where(e.abs() < 0.1)
    return pd.DataFrame(off)


def _linear(t: pd.DataFrame, off: pd.DataFrame, flows: list[str]) -> tuple[Array, Array]:
    """Return ln UA against clean and, with both flows, the heat balance; and their derivatives.

    ``Z`` has shape (hours, 1 or 2), ``J`` (hours, same, 7): by deposit, four thermometers, two flows.
    """
    hot_in, hot_out, cold_out, cold_in = (t[r].to_numpy() for r in TEMPERATURES)
    fall, rise = hot_in - hot_out, cold_out - cold_in
    first, second = hot_in - cold_out, hot_out - cold_in
    usable = (fall > 3) & (rise > 1.5) & (first > 0.5) & (second > 0.3)
    usable &= t["secondary_mass_flow_kg_s"].to_numpy() > 0
    n = len(t)
    with np.errstate(all="ignore"):
        apart = np.where(np.abs(first - second) < 1e-3, 1e-3, first - second)
        log = np.log(first / (first - apart))
        by_first, by_second = (
            1 / apart - 1 / (first * log),
            -1 / apart + 1 / ((first - apart) * log),
        )
        heat_1 = np.column_stack([1 / fall, -1 / fall, 0 * fall, 0 * fall, np.ones(n), np.zeros(n)])
        heat_2 = np.column_stack([0 * rise, 0 * rise, 1 / rise, -1 / rise, np.zeros(n), np.ones(n)])
        lmtd = np.column_stack([by_first, by_second, -by_first, -by_second, 0 * fall, 0 * fall])
        UA_clean = t["UA_clean_W_K"].to_numpy()
        fouled = np.log(t["UA_W_K"].to_numpy() / UA_clean)
        signal = -UA_clean / np.nanmedian(UA_clean)
    heat_1, heat_2, lmtd = (np.where(np.isfinite(x), x, 0.0) for x in (heat_1, heat_2, lmtd))
    flow = {r: np.zeros((n, 6)) for r in _FLOWS}
    flow["primary_flow"][:, 4] = flow["secondary_flow"][:, 5] = 1.0
    if "secondary_flow" not in flows:  # it follows from the balance
        flow["secondary_flow"] = heat_1 - heat_2
        flow["secondary_flow"][:, 5] = 0.0
    if "primary_flow" not in flows:
        flow["primary_flow"] = heat_2 - heat_1
        flow["primary_flow"][:, 4] = 0.0
    heat = heat_1 if "primary_flow" in flows else heat_2
    film = _FILM_SHARE * (flow["primary_flow"] + flow["secondary_flow"])
    rows = [(signal, heat - lmtd - film)]
    if len(flows) == 2:
        rows.append((np.zeros(n), heat_2 - heat_1))
    J = np.stack([np.column_stack([s, g]) for s, g in rows], axis=1)
    e = off.reindex(t.index).to_numpy(copy=True)
    unmeasured = [i for i, r in enumerate(_SENSED) if r in _FLOWS and r not in flows]
    e[:, unmeasured] = 0.0
    Z = np.einsum("hij,hj->hi", J[:, :, 1:], e)
    Z[:, 0] += fouled
    Z[~usable] = np.nan
    return Z, np.where(np.isfinite(J), J, 0.0)


def _noise(e: pd.Series) -> float:
    """Return the variance of an hour's mean, from how hours differ from those before."""
    steps = e.diff().dropna().to_numpy()
    if not len(steps):
        return 0.0
    return float((1.4826 * np.median(np.abs(steps))) ** 2 / 2 + 1e-9)


def _wander_sd(scenario: Scenario, role: str) -> float:
    held = scenario.instruments
    if role in TEMPERATURES:
        return held.thermometers.get(role, ThermometerError()).wander_K
    return held.meters.get(role, MeterError()).wander


def _best_ratios(D: Array, E: Array, wander_sd: Array, renewed: set[int]) -> Array:
    """Return by day the largest log likelihood ratio of a deposit: ramps and steps by onset."""
    n = len(D)
    onsets = np.arange(_FIRST_DAY, n, _ONSET_EVERY)
    onset = np.concatenate([onsets, onsets])
    steps = np.concatenate([np.ones(len(onsets), bool), np.zeros(len(onsets), bool)])
    still = np.diag(np.maximum(wander_sd, 1e-6) ** 2)
    keep = np.exp(-1.0 / _WANDER_DAYS)
    P, M = still.copy(), np.zeros((6, 1 + len(onset)))
    score, info = np.zeros(len(onset)), np.full(len(onset), 1e-12)
    allowed, best = np.ones(len(onset), bool), np.zeros(n)
    for d in range(n):
        if d in renewed:
            # the plates are not those of yesterday: what was learnt with them is let go
            P, M = still.copy(), np.zeros_like(M)
            allowed = onset >= d
            score[:], info[:] = 0.0, 1e-12
        size, axes = np.linalg.eigh(D[d])
        kept = size > 1e-9 * max(size.max(), 1e-300)
        if size.max() > 0:
            root = np.sqrt(size[kept])
            H = root[:, None] * axes[:, kept].T
            shape = np.where(steps, 1.0, (d - onset + 1.0) / 30.0) * (d >= onset)
            Y = np.column_stack([axes[:, kept].T @ E[d] / root, H[:, :1] * shape])
            V = Y - H[:, 1:] @ M
            S = H[:, 1:] @ P @ H[:, 1:].T + np.eye(len(root))
            weighed = np.linalg.solve(S, V)
            score += weighed[:, 0] @ V[:, 1:]
            info += np.einsum("ij,ij->j", weighed[:, 1:], V[:, 1:])
            M = M + P @ H[:, 1:].T @ weighed
            P = P - P @ H[:, 1:].T @ np.linalg.solve(S, H[:, 1:] @ P)
        ratio = np.where(allowed & (score > 0), score**2 / (2 * info), 0.0)
        best[d] = ratio.max()
        M, P = keep * M, keep**2 * P + (1 - keep**2) * still
    return best
