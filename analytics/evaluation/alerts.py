"""Alerts by the day on which they were raised, from each day's own knowledge alone."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.decisions.building_side import BuildingSide
from analytics.evaluation.accused import BEYOND_FLOWS, COLD_END
from analytics.evaluation.health import last_reading, silent_roles
from analytics.trends.account import Account, accusable
from analytics.trends.model import INSTRUMENTS, Array
from analytics.trends.reference_condition import NINE_IN_TEN, days_to_index
from analytics.trends.tracking import Tracks, matters
from analytics.vocabulary.quantities import TEMPERATURES
from analytics.vocabulary.records import AlertEvent, CauseKind, Remark

QUIET_DAYS = 14  # with evidence, below half the threshold, before an alert ends
LEAST_LEVEL = 0.01  # times U0, for sure: a deposit that stands
RETURNED_K = 0.75  # half of what a secondary return must exceed its curve by
INSTRUMENT_MARGIN = 5.0
INSTRUMENT_EVIDENCE = 10.0


def latched(
    raised: NDArray[np.bool_], calm: NDArray[np.bool_], ends: NDArray[np.bool_]
) -> list[tuple[int, int | None]]:
    """Return (first, last or None) rows of alerts: raised, then on until calm for long or ended."""
    found: list[tuple[int, int | None]] = []
    since, quiet = None, 0
    for i in range(len(raised)):
        if since is not None:
            quiet = quiet + 1 if calm[i] else 0
            if ends[i] or quiet >= QUIET_DAYS:
                found.append((since, i))
                since, quiet = None, 0
        if since is None and raised[i]:
            since, quiet = i, 0
    if since is not None:
        found.append((since, None))
    return found


def fouling_spans(
    raised: NDArray[np.bool_], quiet: NDArray[np.bool_], visited: NDArray[np.bool_],
    deposit: Array, sd: Array, least: float,
) -> list[tuple[int, int | None]]:  # fmt: skip
    """Return (first, last or None) rows of fouling alerts.

    Scores look back to where a drift began and go on speaking of a deposit that has gone since, as
    one does that was taken off without a line in the log. So an alert is calm as well while the
    deposit that stood is gone for sure; and after it ended so, the level itself must be above nought.

    Parameters
    ----------
    raised, quiet, visited : (d,) days of alarm, of small evidence, of visits
    deposit, sd : (d,) the account's level, times U0
    least : deposit that is worth an alert, times U0
    """
    low, high = deposit - NINE_IN_TEN * sd, deposit + NINE_IN_TEN * sd
    found: list[tuple[int, int | None]] = []
    since, calm, stood, gone, went = None, 0, -np.inf, False, False
    for i in range(len(raised)):
        if visited[i]:
            went = False
        if since is not None:
            stood = max(stood, low[i])
            gone = bool(high[i] < stood and deposit[i] < least)
            calm = calm + 1 if quiet[i] or gone else 0
            if visited[i] or calm >= QUIET_DAYS:
                found.append((since, i))
                went |= gone
                since = None
        if since is None and raised[i] and (not went or low[i] > LEAST_LEVEL):
            since, calm, stood = i, 0, low[i]
    if since is not None:
        found.append((since, None))
    return found


def fouling_alerts(
    account: Account, daily: pd.DataFrame, with_building: NDArray[np.bool_]
) -> list[AlertEvent]:
    """Drift alerts for deposit; a visit to the plates ends them.

    ``with_building``: (d,) days on which the drift is the building's (see ``coincidence``).
    """
    info, scores = account.info, account.scores
    assert info is not None
    assert scores is not None
    assert account.alarm is not None
    threshold = account.alarm_threshold
    visited = np.zeros(len(info.day), dtype=bool)
    for visit in account.surface_days:
        later = np.flatnonzero(info.day >= visit)
        if len(later):
            visited[later[0]] = True
    deposit, sd = account.deposit()
    # small evidence since the onset and a level that can be nought, on days that would show it
    quiet = (scores.ratio[:, 0] < threshold / 2) & (deposit - NINE_IN_TEN * sd < LEAST_LEVEL)
    quiet &= account.well_known()
    # a fall from better than clean is a drift, but no reason to call anybody to the plates
    raised = account.alarm & ~visited & (deposit > 0) & ~with_building
    spans = fouling_spans(raised, quiet, visited, deposit, sd, account.least_deposit)
    index = pd.DatetimeIndex(days_to_index(info.day)).tz_localize("UTC")
    return [
        AlertEvent(
            kind=CauseKind.DEPOSIT, subject=None, raised_utc=index[a].to_pydatetime(),
            ended_utc=None if b is None else index[b].to_pydatetime(),
            remark=Remark(
                code="drift_alert",
                numbers={
                    "approach_K": float(daily["approach_reference_K"].get(index[a], np.nan)),
                    "clean_K": float(daily["approach_clean_K"].get(index[a], np.nan)),
                },
            ),
        )
        for a, b in spans
    ]  # fmt: skip


def instrument_alerts(account: Account) -> list[AlertEvent]:
    """Alerts for instruments that explain the days clearly better than a deposit does, and matter."""
    info, tracks = account.info, account.tracks
    assert info is not None
    assert tracks is not None
    assert account.scores is not None
    evidence = tracks.evidence
    count = (len(tracks.explanations) - 2) // 2
    best = np.maximum(evidence[:, 2 : 2 + count], evidence[:, 2 + count :])
    index = pd.DatetimeIndex(days_to_index(info.day)).tz_localize("UTC")
    found = []
    roles = dict(INSTRUMENTS)
    since = account.scores.onset[:, 1:] >= (account.ready or 0)  # earlier: the yardstick's own
    leader = best.argmax(axis=1)
    meters = [j for j in range(count) if tracks.explanations[2 + j].moving[0] >= 4]
    named = np.array(
        [tracks.explanations[2 + j].moving[0] in accusable(account.table) for j in range(count)]
    )
    # what may not be named can still be it: an instrument must explain clearly more than that does
    unnamed = np.where(named, -np.inf, best).max(axis=1, initial=-np.inf)
    for j in range(count):
        unknown = tracks.explanations[2 + j].moving[0]
        if unknown not in accusable(account.table):
            continue
        # beside a deposit the instrument alone would have to explain the deposit as well
        beside = evidence[:, 2 + count + j] > evidence[:, 2 + j]
        size = np.where(beside, tracks.moved[:, 2 + count + j, 1], tracks.moved[:, 2 + j, 0])
        size_sd = np.where(
            beside, tracks.moved_sd[:, 2 + count + j, 1], tracks.moved_sd[:, 2 + j, 0]
        )
        raised = (
            (leader == j)
            & (np.abs(size) > np.maximum(matters(unknown), NINE_IN_TEN * size_sd))
            & (best[:, j] > evidence[:, 1] + INSTRUMENT_MARGIN)
            & (best[:, j] > unnamed + INSTRUMENT_MARGIN)
            & (best[:, j] > INSTRUMENT_EVIDENCE)
            & since[:, j]
        )
        if account.assumed_secondary_m3_s is not None:
            raised &= _beyond_flows(tracks, best, j)
        if account.denied is not None:
            raised &= ~account.denied[:, j]
        for otherwise in (account.parallel, account.exchanged):
            if otherwise is not None:
                raised &= ~otherwise
        twice = raised.copy()
        twice[1:] &= raised[:-1]
        twice[:1] = False
        # an error is gone when it cannot be what matters, not when it is no longer known
        calm = np.abs(size) + size_sd < matters(unknown)
        ends = np.zeros(len(size), dtype=bool) if account.denied is None else account.denied[:, j]
        # two meters share the blame for their ratio: one taking over from the other ends nothing
        other = np.isin(leader, meters) if j in meters else leader == j
        for a, b in latched(twice, calm | ~other, ends):
            role = roles[unknown]
            thermometer = role in TEMPERATURES
            numbers = (
                {"offset_K": float(size[a])} if thermometer else {"gain": float(np.expm1(size[a]))}
            )
            found.append(
                AlertEvent(
                    kind=CauseKind.THERMOMETER if thermometer else CauseKind.FLOW_METER, subject=role,
                    raised_utc=index[a].to_pydatetime(),
                    ended_utc=None if b is None else index[b].to_pydatetime(),
                    remark=Remark(
                        code="thermometer_alert" if thermometer else "flow_meter_alert",
                        numbers=numbers, words={"role": role},
                    ),
                )
            )  # fmt: skip
    return found


def _beyond_flows(tracks: Tracks, best: Array, j: int) -> NDArray[np.bool_]:
    """Days on which an error at the cold end beats all that flows nobody measures could bring about."""
    index = [e.moving[0] for e in tracks.explanations[2 : 2 + best.shape[1]]]
    if index[j] not in COLD_END:
        return np.zeros(len(best), dtype=bool)
    elsewhere = [i for i, unknown in enumerate(index) if unknown not in COLD_END]
    others = best[:, elsewhere].max(axis=1, initial=0.0)
    return np.asarray(best[:, j] > others + BEYOND_FLOWS)


def piping_alerts(account: Account) -> list[AlertEvent]:
    """Alerts for days that parallel flow explains far better than counterflow."""
    info, parallel = account.info, account.parallel
    assert info is not None
    assert parallel is not None
    twice = parallel.copy()
    twice[1:] &= parallel[:-1]
    twice[:1] = False
    twice &= info.day >= (account.ready or 0)
    index = pd.DatetimeIndex(days_to_index(info.day)).tz_localize("UTC")
    return [
        AlertEvent(
            kind=CauseKind.PIPING, subject=None, raised_utc=index[a].to_pydatetime(),
            ended_utc=None if b is None else index[b].to_pydatetime(),
            remark=Remark(code="piping_alert"),
        )
        for a, b in latched(twice, ~parallel, np.zeros(len(parallel), dtype=bool))
    ]  # fmt: skip


def building_alerts(building: BuildingSide | None) -> list[AlertEvent]:
    """Alerts for a secondary return above its own curve."""
    if building is None:
        return []
    active = building.active_by_day
    days = pd.DatetimeIndex(building.days.astype("datetime64[s]")).tz_localize("UTC")
    never = np.zeros(len(active), dtype=bool)
    # mild days show less of a by-pass; only one whose return is back on its curve speaks against it
    with np.errstate(invalid="ignore"):
        calm = (building.excess_by_day_K < RETURNED_K) & ~active & building.cold_by_day
    return [
        AlertEvent(
            kind=CauseKind.BUILDING_SIDE, subject=None, raised_utc=days[a].to_pydatetime(),
            ended_utc=None if b is None else days[b].to_pydatetime(),
            remark=Remark(
                code="building_alert",
                numbers={"excess_K": float(np.nanmedian(building.excess_by_day_K[max(a - 9, 0) : a + 1]))},
            ),
        )
        for a, b in latched(active, calm, never)
    ]  # fmt: skip


def silence_alerts(trends: pd.DataFrame) -> list[AlertEvent]:
    """Alerts for readings that stopped coming while others still do."""
    end = trends.index[-1]
    found = []
    for role in silent_roles(trends):
        last = last_reading(trends, role)
        if last is None:
            continue
        days = float((end - last) / pd.Timedelta(days=1))
        found.append(
            AlertEvent(
                kind="data stopped", subject=role,
                raised_utc=(last + pd.Timedelta(days=3)).to_pydatetime(), ended_utc=None,
                remark=Remark(
                    code="data_stopped_alert", numbers={"days": np.floor(days)}, words={"role": role}
                ),
            )
        )  # fmt: skip
    return found
