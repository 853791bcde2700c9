"""Whether the stamps of some points run ahead of, or behind, those of others of the same exchanger.

Found by the cross-correlation of what moves in both; proposed, never applied. A mean that is stamped
at the end of its interval seems half an interval late, one stamped at the start half an interval early.
"""

from dataclasses import dataclass
from datetime import tzinfo
from itertools import product

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.localtime import clock_changes, offset_text

# Pairs that answer each other within minutes; what passes through the building takes longer.
_QUICK = (
    {"primary_flow", "secondary_flow", "heat_power", "valve_position", "primary_pressure_drop",
     "secondary_pressure_drop"},
    {"primary_flow", "heat_power", "valve_position", "secondary_supply_temperature",
     "primary_return_temperature"},
    {"secondary_supply_temperature", "secondary_supply_set_point"},
)  # fmt: skip
_STEP = "5min"
_STEP_S = 300.0
_LAG_MOST_S = 3.0 * 3600.0
_DAY = 288  # steps
_DAYS_LEAST = 4
_PEAK_LEAST = 0.25  # correlation of the changes at the best lag
_ABOVE_ZERO = 0.06  # by which it must exceed that at no lag
WEATHER = "outdoor_temperature"
# The day's swing outdoors before and after a change of the clock. At two real plants in four years its peak
# came 6 to 51 min earlier in UTC after spring's change (days lengthen), and 5 min earlier to 25 later after
# autumn's; a clock that does not change moves it by an hour more. Minutes within which that is said.
_WINDOW_DAYS = 30
_SWING_DAYS_LEAST = 20
_PEAK_DOUBT_MOST_MIN = 18.0
_STAYS_SPRING_MIN = (-125.0, -64.0)
_STAYS_AUTUMN_MIN = (42.0, 105.0)
_JUMP_S = 1800.0
_JUMP_PEAK_LEAST = 0.5  # a few days tell less than the whole


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """By how much the new stamps are late (early: negative), and since when if not all along."""

    late_s: float
    correlation: float
    pair: tuple[str, str]
    since_utc: pd.Timestamp | None = None


def clock_offset(new: pd.DataFrame, stored: pd.DataFrame) -> ClockOffset | None:
    """Compare new readings of an exchanger with stored ones of other roles.

    Parameters
    ----------
    new, stored : DataFrame
        Trend frames, a column a role, indexed by UTC stamps.

    Returns
    -------
    ClockOffset or None
        ``None`` where they agree, or where too little moves in both to tell.
    """
    pairs = [
        (a, b)
        for a, b in product(new.columns, stored.columns)
        if a != b and any({a, b} <= quick for quick in _QUICK)
    ]
    found = [c for a, b in pairs if (c := _compare(new[a], stored[b], (a, b))) is not None]
    if not found:
        return None
    best = max(found, key=lambda c: c.correlation)
    # one pair may share a swing by chance; where there are several most must say the same
    agreeing = [c for c in found if abs(c.late_s - best.late_s) <= 900.0]
    if 2 * len(agreeing) <= len(found) or best.late_s == 0.0:
        return None
    return best


def _compare(new: pd.Series, stored: pd.Series, pair: tuple[str, str]) -> ClockOffset | None:
    a, b = _even(new), _even(stored)
    start, end = max(a.index[0], b.index[0]), min(a.index[-1], b.index[-1])
    a, b = a[start:end], b[start:end]
    days = len(a) // _DAY
    if days < _DAYS_LEAST:
        return None
    span = max(_spacing_s(new), _spacing_s(stored))
    x, y = _changes(a.to_numpy(), span), _changes(b.to_numpy(), span)
    jump = _jump(x, y, a.index)
    if jump is not None:
        return ClockOffset(jump[0], jump[1], pair, jump[2])
    lags, correlation = _correlate(x, y)
    late_s, peak = _peak(lags, correlation)
    at_zero = float(abs(correlation[lags == 0][0]))
    if peak < _PEAK_LEAST:
        return None
    if abs(late_s) < 0.4 * span or peak - at_zero < _ABOVE_ZERO:
        return ClockOffset(0.0, peak, pair)
    return ClockOffset(late_s, peak, pair)


def _even(series: pd.Series) -> pd.Series:
    """Return the series on an even grid, straight between its stamps, gaps beyond two hours kept."""
    mean = series.dropna().resample(_STEP).mean()
    return mean.interpolate(limit=24, limit_area="inside") if len(mean) else pd.Series([np.nan], index=pd.DatetimeIndex(["1970-01-01"], tz="UTC"))  # fmt: skip


def _spacing_s(series: pd.Series) -> float:
    steps = np.diff(pd.DatetimeIndex(series.dropna().index).as_unit("s").asi8)
    return max(_STEP_S, float(np.median(steps))) if len(steps) else _STEP_S


def _changes(values: NDArray[np.float64], span_s: float) -> NDArray[np.float64]:
    """Return the changes over one spacing, without the swing of the day, cut where they are rare."""
    step = max(1, round(span_s / _STEP_S))
    change = np.full(len(values), np.nan)
    change[step:] = values[step:] - values[:-step]
    whole = change[: len(change) // _DAY * _DAY].reshape(-1, _DAY)
    with np.errstate(all="ignore"):
        usual = np.nan_to_num(np.array([np.mean(c[np.isfinite(c)]) if np.isfinite(c).any() else 0.0 for c in whole.T]))  # fmt: skip
        change -= np.tile(usual, len(change) // _DAY + 1)[: len(change)]
        scale = float(np.nanstd(change))
    if not scale > 0.0:
        return np.zeros(len(change))
    return np.clip(np.nan_to_num(change / scale), -4.0, 4.0)


def _correlate(
    x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return lags in steps and the correlation of ``x`` later by each with ``y``."""
    most = int(_LAG_MOST_S / _STEP_S)
    lags = np.arange(-most, most + 1)
    middle = slice(most, len(x) - most)
    norm = float(np.sqrt(np.sum(x[middle] ** 2) * np.sum(y[middle] ** 2))) or 1.0
    y_middle = y[middle]
    found = [float(np.dot(x[most + k : len(x) - most + k], y_middle)) / norm for k in lags]
    return lags, np.array(found)


def _peak(lags: NDArray[np.int64], correlation: NDArray[np.float64]) -> tuple[float, float]:
    size = np.abs(correlation)
    at = int(np.argmax(size))
    shift = 0.0
    if 0 < at < len(size) - 1:
        left, middle, right = size[at - 1 : at + 2]
        bend = left - 2.0 * middle + right
        shift = 0.0 if bend == 0.0 else float(0.5 * (left - right) / bend)
    return (float(lags[at]) + shift) * _STEP_S, float(size[at])


def _jump(
    x: NDArray[np.float64], y: NDArray[np.float64], index: pd.Index
) -> tuple[float, float, pd.Timestamp] | None:
    """Return lag, correlation and day where the stamps agree at first and are late from then on."""
    length = _DAYS_LEAST * _DAY
    windows = range(0, len(x) - length + 1, length)
    peaks = [_peak(*_correlate(x[i : i + length], y[i : i + length])) for i in windows]
    # the window in which the clock jumps shows little of either lag
    if len(peaks) < 4 or sorted(p[1] for p in peaks)[1] < _JUMP_PEAK_LEAST:
        return None
    late = np.array([p[0] for p in peaks])
    for split in range(1, len(late)):
        before, after = late[:split], late[split:]
        late_s = float(np.median(after))
        steady = np.ptp(before) < _JUMP_S / 2 and np.ptp(np.append(after, late_s)) < _JUMP_S / 2
        if steady and abs(np.median(before)) < _JUMP_S / 2 and abs(late_s) >= _JUMP_S:
            day = pd.Timestamp(index[windows[split]])
            return late_s, float(np.median([p[1] for p in peaks])), day
    return None


def offset_sentence(found: ClockOffset, new: pd.DataFrame, stored: pd.DataFrame) -> str | None:
    """Return what to ask about a clock offset; ``None`` where means stamped at the start explain it.

    A stamp at the start of its interval is what an average is expected to have.
    """
    a, b = found.pair
    spacing_s, other_s = _spacing_s(new[a]), _spacing_s(stored[b])
    half_s = max(spacing_s, other_s) / 2.0
    minutes = abs(round(found.late_s / 60.0))
    means = spacing_s != other_s and abs(abs(found.late_s) - half_s) < 0.35 * half_s
    if means and found.since_utc is None:
        ours = spacing_s > other_s
        if ours != (found.late_s > 0.0):
            return None
        whose = "this file" if ours else "the readings stored before"
        advice = "--stamp end" if ours else "import them again with --stamp end"
        return (
            f"{a} here against the stored {b}: the stamps of {whose} seem to mark the end of each "
            f"interval of {max(spacing_s, other_s) / 60.0:.0f} min (they lag by half of one). "
            f"If so: {advice}."
        )
    way = "late" if found.late_s > 0.0 else "early"
    since = (
        "" if found.since_utc is None else f" from about {found.since_utc:%Y-%m-%d} on, not before"
    )
    return (
        f"{a} here against the stored {b}: the stamps of this file seem about {minutes} min {way}{since} "
        f"(correlation {found.correlation:.2f}). Is one of the two clocks on another zone or summer time? "
        "Nothing was moved; give --time-zone for the clock that is off."
    )


def stays_on_one_offset(outdoor: pd.Series, stored: pd.Series, zone: tzinfo) -> str | None:
    """Return a sentence where the day outdoors seems to jump with the clock, which the sun does not do.

    For a file that lies on one side of a change of the site's clock, beside stored readings of the
    other side: the hour of the day's peak outdoors, in UTC, hardly moves over the change.

    Parameters
    ----------
    outdoor, stored : Series
        Outdoor temperature of the file and of the store, by UTC stamp; hourly or closer.
    zone : tzinfo
        The site's, in which the file was read.

    Returns
    -------
    str or None
        ``None`` where nothing is odd, or too few whole days lie on either side to tell.
    """
    outdoor, stored = outdoor.dropna(), stored.dropna()
    if not len(outdoor) or not len(stored):
        return None
    ends = (min(outdoor.index[0], stored.index[0]), max(outdoor.index[-1], stored.index[-1]))
    first, last = (np.datetime64(e.tz_convert(None), "us") for e in ends)
    days = pd.Timedelta(days=_WINDOW_DAYS)
    for change in clock_changes(zone, first, last)[1]:
        if abs(change.after_s - change.before_s) != 3600:
            continue
        at = pd.Timestamp(change.time_utc, tz="UTC")
        for before, after in ((stored, outdoor), (outdoor, stored)):
            first_peak, second_peak = (
                _peak_h(before[at - days : at]),
                _peak_h(after[at : at + days]),
            )
            if first_peak is None or second_peak is None:
                continue
            (early_h, doubt_h), (late_h, other_h) = first_peak, second_peak
            moved_min = ((late_h - early_h + 12.0) % 24.0 - 12.0) * 60.0
            spring = change.after_s > change.before_s
            low, high = _STAYS_SPRING_MIN if spring else _STAYS_AUTUMN_MIN
            sure = 60.0 * float(np.hypot(doubt_h, other_h)) < _PEAK_DOUBT_MOST_MIN
            if sure and low < moved_min < high:
                return _stays_sentence(moved_min, at, min(change.before_s, change.after_s))
    return None


def _stays_sentence(moved_min: float, at: pd.Timestamp, standard_s: int) -> str:
    standard = offset_text(standard_s)
    return (
        f"the outdoor temperature peaks {abs(moved_min):.0f} min {'earlier' if moved_min < 0 else 'later'} in the day "
        f"after clocks changed on {at:%Y-%m-%d} than before, in UTC, more than the season explains: the logger seems to "
        f"stay on one offset, in this file or in those stored before. Nothing was moved; if so, give --time-zone "
        f'{standard}, or logger_time_zone = "{standard}" below [plant] in plant.toml.'
    )


def _peak_h(series: pd.Series) -> tuple[float, float] | None:
    """Return the hour of the day, in UTC, at which a swing of a day peaks, and its standard error.

    The first harmonic of what stands out of the day around each hour, which weather that comes and goes
    does not move; days weigh by how much they swing.
    """
    if not len(series):
        return None
    hourly = series.resample("1h").mean().interpolate(limit=2, limit_area="inside")
    around = (hourly.rolling(24).mean() + hourly.rolling(24).mean().shift(-1)).shift(-11) / 2.0
    flat = (hourly - around)[hourly.index[0].ceil("D") :].to_numpy(dtype=float)
    days = flat[: len(flat) // 24 * 24].reshape(-1, 24)
    days = days[np.isfinite(days).all(axis=1)]
    if len(days) < _SWING_DAYS_LEAST:
        return None
    swing = days @ np.exp(-2j * np.pi * np.arange(24) / 24.0)
    total = swing.sum()
    peak = (
        -np.angle(total) * 24.0 / (2.0 * np.pi) + 0.5
    )  # a mean over an hour stands for its middle
    without_one = -np.angle((total - swing) / total) * 24.0 / (2.0 * np.pi)
    n = len(days)
    error = float(np.sqrt((n - 1) / n * np.sum((without_one - without_one.mean()) ** 2)))
    return float(peak % 24.0), error
