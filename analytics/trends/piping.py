"""Streams in parallel flow, or returns taken for each other, after a service.

Lives here: the two predictions of the primary return, side by side, hour by hour and day by day.
Causal: a day is judged by itself and the two days with evidence before it.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.physics.effectiveness import COUNTERFLOW, PARALLEL_FLOW, temperature_effectiveness
from analytics.trends.clean_reference import CleanFit
from analytics.trends.hours import T1_IN, T1_OUT, T2_IN, T2_OUT
from analytics.trends.model import Array, ModelHours, film_temperatures

LEAST_MISS_K = 1.5  # of the counterflow prediction: more than thermometers are off
BETTER = 0.5  # parallel flow must miss by less than this share of it
DAYS = 3
BEFORE_DAYS = 10  # with evidence, that tell what the counterflow prediction missed by before
SERVICE_DAYS = 14  # after a service, within which its mistakes show
# An approach that changes its sign: more than thermometers stray within days, and than days differ.
TURNED_K, TURNED_TIMES = 0.3, 3.0
MIRRORED = 2.0  # times the approach, or one of so many parts: as it may differ with the load, its sign turned
ABRUPT = 2.5  # times that: pipes are not exchanged by and by


def misses_K(fit: CleanFit, hours: ModelHours) -> tuple[Array, Array]:
    """Return by how much counterflow and parallel flow miss the primary return, K, each (n,)."""
    model, p = fit.model, fit.point
    t, mass = model.streams(p, hours)
    capacity = mass * hours.heat_capacity
    means = film_temperatures(t)
    UA = model.conductance(
        p, mass, means, (hours.ln_conductivity, hours.ln_heat_capacity, hours.ln_viscosity),
        hours.area_ratio, hours.channel_ratio,
    )  # fmt: skip
    with np.errstate(invalid="ignore", divide="ignore"):
        reached = temperature_effectiveness(
            UA / capacity[:, 0], capacity[:, 0] / capacity[:, 1], PARALLEL_FLOW
        )
    along = t[:, T1_IN] - reached * (t[:, T1_IN] - t[:, T2_IN])
    return np.abs(model.residuals(p, hours)[:, 0]), np.abs(t[:, T1_OUT] - along)


def can_be_reversed(arrangement: str) -> bool:
    """Tell whether pipes the other way round make parallel flow of it."""
    return arrangement == COUNTERFLOW


def parallel_days(
    fit: CleanFit, hours: ModelHours, day: NDArray[np.int64], days: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Tell for each of ``days`` whether parallel flow explains it and the days just before.

    Never where one stream passes once and the other several times: it then meets them in both
    directions by turns, and pipes the other way round change nothing.
    """
    if not can_be_reversed(fit.model.arrangement):
        return np.zeros(len(days), dtype=bool)
    return _explained_better(*misses_K(fit, hours), day, days)


def exchanged_days(
    fit: CleanFit, hours: ModelHours, day: NDArray[np.int64], days: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Tell for each of ``days`` whether the two return temperatures were taken for each other.

    As read, the network's water then leaves colder than the building's comes in; the other way round
    all is as it was.
    """
    other_way = hours.temperature[:, [T1_IN, T2_IN, T2_OUT, T1_OUT]]
    exchanged = replace(hours, temperature=other_way)
    as_read = np.abs(fit.model.residuals(fit.point, hours)[:, 0])
    return _explained_better(
        as_read, np.abs(fit.model.residuals(fit.point, exchanged)[:, 0]), day, days
    )


def exchanged_after_service(
    day: NDArray[np.int64], cold_end_K: Array, services: Sequence[int], days: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Tell for each of ``days`` whether the cold end has turned its sign at a service, and kept it.

    An exchanger whose returns are taken for each other shows its approach with the other sign from one
    day to the next; this needs no hours with evidence, which crossing streams may leave none of.

    Parameters
    ----------
    day, cold_end_K : (n,) by running hour: primary return minus secondary return
    services : days on which somebody worked on the exchanger
    """
    daily = pd.Series(cold_end_K).groupby(day).median()
    recent = daily.rolling(DAYS, min_periods=1).median()
    turned = np.zeros(len(daily), dtype=bool)
    at = daily.index.to_numpy()
    for service in services:
        first = int(np.searchsorted(at, service))
        lately = daily.iloc[max(first - BEFORE_DAYS, 0) : first]
        before = lately.median()
        least = max(TURNED_K, TURNED_TIMES * (lately - before).abs().median())
        after = daily.iloc[first : first + SERVICE_DAYS]
        soon = after[1:].rolling(DAYS).median()
        turned_now = (soon < -max(least, before / MIRRORED)) & (soon > -MIRRORED * before)
        if not before > least or not turned_now.any():
            continue
        row = first + 1 + int(np.flatnonzero(turned_now)[0])
        back = np.flatnonzero(recent.to_numpy()[row:] > before / 2)
        turned[row : row + int(back[0]) if len(back) else None] = True
    known = np.searchsorted(at, days, side="right") - 1
    return np.asarray((known >= 0) & turned[np.maximum(known, 0)] if len(at) else known > 0)


def _explained_better(
    as_was: Array, otherwise: Array, day: NDArray[np.int64], days: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Tell the days from which on the old prediction misses by far more than the other does."""
    daily = pd.DataFrame({"as_was": as_was, "otherwise": otherwise}).groupby(day).median()
    recent = daily.rolling(DAYS, min_periods=1).median().reindex(days)
    found = (recent["as_was"] > LEAST_MISS_K) & (recent["otherwise"] < BETTER * recent["as_was"])
    before = recent["as_was"].shift(DAYS).rolling(BEFORE_DAYS, min_periods=1).median()
    abrupt = (recent["as_was"] > ABRUPT * before.fillna(0.0)).to_numpy()
    return _from_abrupt(found.to_numpy(), abrupt)


def _from_abrupt(found: NDArray[np.bool_], abrupt: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Keep the runs of days that begin abruptly, from the first such day of theirs on."""
    kept, going = np.zeros(len(found), dtype=bool), False
    for i in np.flatnonzero(found):
        going = (going and bool(found[i - 1])) or bool(abrupt[i])
        kept[i] = going
    return kept
