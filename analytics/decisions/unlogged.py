"""What somebody did and nobody logged: found in the readings, never assumed.

Lives here: which steps (``trends.steps``) are told, as what, and since when they are known. Not here: what
becomes of a proposal; until a person enters it in the log it changes nothing in the account.

A *visit to the plates* is a sudden, lasting fall of a deposit that was established before, larger than
the wander of the days and its own uncertainty, and likelier than a step of any instrument that may be
named. *Plates added* (or a reference that was not clean) is such a fall to below clean, for which no
deposit is there to vouch: it must end there for sure. An *instrument* that was touched is a step of its error
that matters and that nothing else explains nearly as well; or one that idle hours show between two
summers. *Streams reversed* are days as if in parallel flow. Whatever the log has on the same thing within
three weeks is no news. Each is dated by what was known on the day it was first made, and not revised.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from analytics.trends.account import (
    Account,
    accusable,
    day_number,
    instrument_index,
    instruments_in_play,
)
from analytics.trends.model import DEPOSIT
from analytics.trends.piping import BETTER, LEAST_MISS_K, misses_K
from analytics.trends.reference_condition import NINE_IN_TEN
from analytics.trends.steps import StepScores, reference_knowledge, step_scores
from analytics.trends.tracking import matters
from analytics.vocabulary.records import Deed

FALL_SURE, FALL_AHEAD = 6.0, 1.5  # where a deposit is established, log likelihood ratios
BETTER_SURE, BETTER_AHEAD = 6.0, 2.5  # to clearly better than clean, which no wander reaches
SURE, AHEAD = 12.0, 8.0  # of an instrument, for which nothing vouches
LEAST_FALL = 0.02  # times U0
LEAST_SHARE = 0.35  # of the deposit there was
BELOW_CLEAN = 0.04  # times U0, for sure
STOOD_DAYS = 14  # with evidence before the step, in which the deposit's alarm must have stood
WEEK = 7  # days with evidence before a fall
ESTABLISHED, LEAST_LEVEL = 2.5, 0.03  # standard deviations and level, where no alarm stood
QUIET_DAYS = 21  # around a log entry on the same thing, and after a step that was told
MOST = 15.0  # times what matters: beyond it no swap of an instrument, but of pipes or points
LEAST_REVERSED_K = 3.0  # by which counterflow must miss: a thermometer's error misses by less
SERVICE_DAYS = 30  # a logged visit so long before explains streams that are reversed

Kind = Literal["visit", "plates", "instrument", "piping"]

RECUR, RECUR_DAYS = 3, 200  # so many steps of instruments within so many days: none was exchanged


@dataclass(frozen=True, slots=True, kw_only=True)
class Unlogged:
    """One thing that nobody logged. Days are days since 1970.

    Attributes
    ----------
    index : the unknown that stepped; that of the deposit for a visit, plates and piping
    day : the likeliest day, between ``earliest`` and ``latest`` nine times in ten
    known : the day whose readings made it known
    size, sd : deposit (times U0), K, ln meter; for piping by how much counterflow and parallel flow
        miss the primary return, K
    ahead : log likelihood ratio to the next best step; NaN where none competed
    before : last day with evidence before it
    """

    kind: Kind
    index: int
    day: int
    earliest: int
    latest: int
    known: int
    size: float
    sd: float
    ahead: float
    before: int


def recurring(found: Sequence[Unlogged]) -> Sequence[Unlogged]:
    """Return the steps of instruments, if they come more often than anybody exchanges instruments.

    A logger in step with a hunting loop meets it at another place every few weeks: readings then jump to
    and fro, each time as if a meter or a thermometer had been changed.
    """
    steps = sorted((f for f in found if f.kind == "instrument"), key=lambda f: f.day)
    often = any(b.day - a.day < RECUR_DAYS for a, b in zip(steps, steps[RECUR - 1 :], strict=False))
    return steps if often else ()


def unlogged_changes(account: Account) -> list[Unlogged]:
    """Return what nobody logged, by the day it became known; none from four temperatures alone."""
    if account.info is None or account.assumed_secondary_m3_s is not None:
        return []
    by_step = _by_step(account)
    found = [*by_step, *_between_summers(account, by_step), *_reversed(account)]
    return sorted(found, key=lambda f: f.known)


# --- steps in operation ----------------------------------------------------------------------------


def _by_step(account: Account) -> list[Unlogged]:
    info, parallel = account.info, account.parallel
    assert info is not None
    assert parallel is not None
    ready = account.ready or 0
    index = (DEPOSIT, *instruments_in_play(account.table))
    loose: dict[int, float] = {}
    known = reference_knowledge(info, ready, loose)
    found: list[Unlogged] = []
    since = 0
    for row in range(int(np.searchsorted(info.day, ready)), len(info.day)):
        if parallel[row]:
            since = int(info.day[row]) + 1
            continue
        scores = step_scores(info, index, row, known, since=since, ready=ready)
        step = None if scores is None else _told(account, scores, row)
        if step is not None and not _is_no_news(account, step, found):
            found.append(step)
            since = step.day
            if step.kind == "instrument":
                loose[step.index] = 3.0 * abs(step.size)
                known = reference_knowledge(info, ready, loose)
    return found


def _told(account: Account, scores: StepScores, row: int) -> Unlogged | None:
    """Return the step of a window that is worth telling, if there is one."""
    may_be_named = np.isin(scores.index, accusable(account.table))
    best = scores.ratio.max(axis=0)
    falls = np.where(scores.size[:, 0] < 0, scores.ratio[:, 0], 0.0)
    j = int(falls.argmax())
    # with a single meter its own change looks alike; whoever reads the proposal is told so
    ahead = float(falls[j] - best[may_be_named].max(initial=0.0))
    kind = _fall_kind(account, scores, j, falls[j], ahead, row)
    if kind is not None:
        return _unlogged(account, scores, kind, j, 0, ahead, row)
    leader = int(best.argmax())
    # two meters show in their ratio alone: they share the blame, and the proposal says so
    meters = np.array([4 <= i <= 5 for i in scores.index])
    rivals = ~meters if meters[leader] else np.arange(len(best)) != leader
    ahead = float(best[leader] - best[rivals].max(initial=0.0))
    if not may_be_named[leader] or best[leader] < SURE or ahead < AHEAD:
        return None
    j = int(scores.ratio[:, leader].argmax())
    size, sd = abs(scores.size[j, leader]), scores.sd[j, leader]
    matter = matters(scores.index[leader])
    if (
        j == len(scores.row) - 1
        or size > MOST * matter
        or size < matter
        or size - NINE_IN_TEN * sd < matter / 2
    ):
        return None
    return _unlogged(account, scores, "instrument", j, leader, ahead, row)


def _fall_kind(
    account: Account, scores: StepScores, j: int, ratio: float, ahead: float, row: int
) -> Kind | None:
    assert account.alarm is not None
    deposit, deposit_sd = account.deposit()
    if j == len(scores.row) - 1:  # it may lie later still: wait a day
        return None
    first = int(scores.row[j])
    fall, before, sd = -float(scores.size[j, 0]), float(deposit[first - 1]), deposit_sd[first - 1]
    if fall < max(LEAST_FALL, 2.0 * float(scores.sd[j, 0])) or not _fell(account, first, row, fall):
        return None
    stood = bool(account.alarm[max(first - STOOD_DAYS, 0) : first].any())
    stood |= before > max(ESTABLISHED * sd, LEAST_LEVEL)
    if stood and ratio > FALL_SURE and ahead > FALL_AHEAD and fall > LEAST_SHARE * before:
        return "visit"
    below = fall - before - NINE_IN_TEN * float(np.hypot(sd, scores.sd[j, 0]))
    better = below > BELOW_CLEAN and ratio > BETTER_SURE and ahead > BETTER_AHEAD
    return "plates" if better else None


def _fell(account: Account, first: int, row: int, fall: float) -> bool:
    """Tell whether the days' own deposits, the week before and since, differ by half of a fall at least.

    A deposit that came at one stroke is no bend; the search mimics it by a steep one and a fall after it.
    """
    info = account.info
    assert info is not None

    def mean(rows: slice) -> float:
        weight = np.maximum(info.deposit_se[rows], 1e-9) ** -2.0
        return float(weight @ info.deposit[rows] / weight.sum())

    return mean(slice(max(first - WEEK, 0), first)) - mean(slice(first, row + 1)) > fall / 2


def _unlogged(
    account: Account, scores: StepScores, kind: Kind, j: int, k: int, ahead: float, row: int
) -> Unlogged:
    assert account.info is not None
    day = account.info.day
    first, (low, high) = int(scores.row[j]), scores.near(j, k)
    gap = int(day[first] - day[first - 1])
    return Unlogged(
        kind=kind, index=scores.index[k], day=int(day[first]) - (gap // 2 if gap > 2 else 0),
        earliest=int(day[low - 1]), latest=int(day[high]), known=int(day[row]),
        size=float(scores.size[j, k]), sd=float(scores.sd[j, k]), ahead=ahead,
        before=int(day[first - 1]),
    )  # fmt: skip


def _is_no_news(account: Account, step: Unlogged, found: Sequence[Unlogged]) -> bool:
    """Tell whether the log, as it was on that day, or an earlier proposal has the step already."""
    assert account.info is not None
    known = [r.day for r in account.info.renewals if r.index == step.index and r.day <= step.known]
    known += [f.day for f in found if f.index == step.index]
    span = range(step.earliest - QUIET_DAYS, step.latest + QUIET_DAYS + 1)
    return any(d in span for d in known)


# --- between summers, and reversed streams ---------------------------------------------------------


def _between_summers(account: Account, by_step: Sequence[Unlogged]) -> list[Unlogged]:
    """Return thermometers that idle hours show to read otherwise than the summer before."""
    assert account.info is not None
    found = []
    for step in account.steps:
        logged = any(
            e.deed is Deed.THERMOMETER_CALIBRATED
            and instrument_index(e.role) == step.index
            and step.after - QUIET_DAYS <= day_number(e.at_utc) <= step.known + QUIET_DAYS
            for e in account.events
        )
        seen = any(
            f.index == step.index and f.earliest >= step.after and f.latest <= step.known
            for f in by_step
        )
        later = account.info.day[account.info.day > step.known]
        if logged or seen or not len(later):
            continue
        found.append(
            Unlogged(
                kind="instrument", index=step.index, day=(step.after + step.known) // 2,
                earliest=step.after, latest=step.known, known=int(later[0]), size=step.size_K,
                sd=step.sd_K, ahead=float("nan"), before=step.after,
            )
        )  # fmt: skip
    return found


def _reversed(account: Account) -> list[Unlogged]:
    """Return the services after which the streams run in parallel, each by its first such day."""
    info, parallel = account.info, account.parallel
    assert info is not None
    assert parallel is not None
    ready = account.ready or 0
    begins = parallel & (info.day >= ready)
    begins[1:] &= parallel[:-1]
    begins[:1] = False
    begins &= ~np.concatenate([[False], begins[:-1]])
    rows = np.flatnonzero(begins)
    if not len(rows):
        return []
    assert account.fit is not None
    assert account.hours is not None
    assert account.hour_rows is not None
    counter, along = misses_K(account.fit, account.hours)
    by_day = pd.DataFrame({"counter": counter, "along": along}).groupby(
        account.table.day[account.hour_rows]
    )
    miss = by_day.median().reindex(info.day)
    own = ((miss["counter"] > LEAST_MISS_K) & (miss["along"] < BETTER * miss["counter"])).to_numpy()
    logged = [day_number(e.at_utc) for e in account.events]
    found: list[Unlogged] = []
    for row in map(int, rows):
        first = row
        while first > 0 and own[first - 1] and info.day[first - 1] >= ready:
            first -= 1
        day = int(info.day[first])
        if any(day - SERVICE_DAYS <= d <= info.day[row] for d in logged):
            continue
        if miss["counter"].iloc[first : row + 1].median() < LEAST_REVERSED_K:
            continue
        if found and day - found[-1].day < SERVICE_DAYS:
            continue
        found.append(
            Unlogged(
                kind="piping", index=DEPOSIT, day=day, earliest=int(info.day[max(first - 1, 0)]),
                latest=day, known=int(info.day[row]),
                size=float(miss["counter"].iloc[first : row + 1].median()),
                sd=float(miss["along"].iloc[first : row + 1].median()), ahead=float("nan"),
                before=int(info.day[max(first - 1, 0)]),
            )
        )  # fmt: skip
    return found
