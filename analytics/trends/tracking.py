"""Competing explanations, each tracked day by day: nothing moves, one unknown moves, or two.

Each is a Kalman filter over days in which some unknowns walk at random from the end of the reference
period; its log evidence against "nothing moves" adds up day by day, so every day has its own
verdict from that day's knowledge alone. A random walk is fair to every shape of change. All filters
are advanced together.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analytics.trends.daily import DailyInformation
from analytics.trends.drift import DriftScores, twice_running
from analytics.trends.model import DEPOSIT, Array
from analytics.trends.wander import Wandering

# Step per root day: deposit (times U0), thermometers (K), meters (ln).
DEPOSIT_STEPS = (0.001, 0.004, 0.015)
TEMPERATURE_STEPS = (0.01, 0.04, 0.15)
METER_STEPS = (0.0005, 0.002, 0.01)
TEMPER_STEPS = 0.5
# A moving deposit has a growth that changes slowly and dies away: a walk alone lags behind a steady
# growth by some days of it, and would read each loss low while it grows.
# The calmest of the three filters has little of it: a deposit that grows by a hundredth a month is one
# too, and must not be held against what would have to leap about.
GROWTH_STEPS = (1e-4, 6e-4, 6e-4)  # times U0 per day, per root day
GROWTH_MEMORY_DAYS = 30.0
# An instrument's error must also matter before it has a say in the account or the verdict.
MATTERS_K = 0.5
MATTERS_METER = 0.04
# For an alarm on a deposit beside an instrument's error: log evidence beyond the threshold, and standard
# deviations (no false one on 228 simulated exchangers; 3 beyond gave one).
BESIDE_MARGIN, BESIDE_SURE = 8.0, 2.5
BESIDE_MISFIT = (
    0.03  # of what a single cause explains, left over by the model itself (by simulation)
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """The unknowns that move; empty: none."""

    moving: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tracks:
    """The filters' results by day and explanation.

    Attributes
    ----------
    explanations : (k,) the first is "nothing moves"
    evidence : (d, k) log evidence against "nothing moves", averaged over onsets (``by_onset``)
    deposit, deposit_sd : (d, k) of the account's step size
    state, covariance : (k, s), (k, s, s) at the last day, account's step size
    moved, moved_sd : (d, k, 2) the moving unknowns (NaN where fewer than two move)
    thermometers : (d, k, 4) errors against the reference's, renewals included, K
    thermometers_cov : (d, k, 4, 4)
    whole : (d, k) log evidence for a movement since the reference period, averaged over three step sizes
    """

    explanations: tuple[Explanation, ...]
    evidence: Array
    deposit: Array
    deposit_sd: Array
    moved: Array
    moved_sd: Array
    thermometers: Array
    thermometers_cov: Array
    state: Array
    covariance: Array
    whole: Array


def explanations(instruments: tuple[int, ...]) -> tuple[Explanation, ...]:
    """List the explanations: nothing, deposit, each instrument, deposit with each instrument."""
    alone = [Explanation(moving=(i,)) for i in instruments]
    pairs = [Explanation(moving=(DEPOSIT, i)) for i in instruments]
    return (Explanation(moving=()), Explanation(moving=(DEPOSIT,)), *alone, *pairs)


def step_sizes(index: int) -> tuple[float, float, float]:
    """Return the three step sizes of an unknown's random walk, per root day."""
    if index == DEPOSIT:
        return DEPOSIT_STEPS
    return TEMPERATURE_STEPS if index < 4 else METER_STEPS


def track(
    info: DailyInformation,
    candidates: tuple[Explanation, ...],
    ready: int,
) -> Tracks:
    """Run all filters over all days.

    Parameters
    ----------
    ready : int
        First day after the reference period: nothing walks before it.
    """
    d, k = len(info.day), len(candidates)
    wandering = Wandering.beside(info.size)
    s = wandering.size + 1  # the growth is the last
    walk = _walk_variances(candidates, s)  # (k, 3, s)
    P, x = np.zeros((k, 3, s, s)), np.zeros((k, 3, s))
    x[..., :-1], P[..., :-1, :-1] = wandering.start(info.prior_matrix, info.prior_vector)
    turn = np.pad(wandering.turn, ((0, 0), (0, 1)))
    log_evidence = np.zeros((k, 3))
    evidence = np.zeros((d, k))
    deposit, deposit_sd = np.zeros((d, k)), np.zeros((d, k))
    moved, moved_sd = np.full((d, k, 2), np.nan), np.full((d, k, 2), np.nan)
    thermometers, thermometers_cov = np.zeros((d, k, 4)), np.zeros((d, k, 4, 4))
    eye, each = np.eye(s), np.arange(k)
    diagonal = np.arange(s)
    for i in range(d):
        L = turn.T @ (info.matrix[i] / info.scale[i]) @ turn
        E = turn.T @ (info.vector[i] / info.scale[i])
        if i:
            gap = float(info.day[i] - info.day[i - 1])
            F, added = _passing(wandering, gap, walks=bool(info.day[i] >= ready))
            x, P = x @ F.T, F @ P @ F.T
            P[:, :, diagonal, diagonal] += added
            if info.day[i] >= ready:
                P[:, :, diagonal, diagonal] += walk * min(gap, float(info.day[i] - ready + 1))
        M = eye + L @ P
        g = E - np.einsum("ij,klj->kli", L, x)
        _, log_det = np.linalg.slogdet(M)
        P_new = np.swapaxes(np.linalg.solve(np.swapaxes(M, 2, 3), P), 2, 3)
        P = (P_new + np.swapaxes(P_new, 2, 3)) / 2
        Pg = np.einsum("klij,klj->kli", P, g)
        quadratic = np.einsum("kli,kli->kl", g, Pg)
        Lx = np.einsum("ij,klj->kli", L, x)
        log_evidence += x @ E - np.einsum("kli,kli->kl", x, Lx) / 2 + quadratic / 2 - log_det / 2
        x = x + Pg
        evidence[i] = _log_mean(log_evidence - log_evidence[:1, :])
        shares = _shares(log_evidence)
        row = info.total_row(DEPOSIT, int(info.day[i])) @ turn
        deposit[i], deposit_sd[i] = _mixed(x @ row, np.einsum("a,klab,b->kl", row, P, row), shares)
        four = np.array([info.total_row(t, int(info.day[i])) for t in range(4)]) @ turn
        best = shares.argmax(axis=1)
        thermometers[i] = x[each, best] @ four.T
        thermometers_cov[i] = four @ P[each, best] @ four.T
        for j, candidate in enumerate(candidates):
            for m, unknown in enumerate(candidate.moving):
                moved[i, j, m], moved_sd[i, j, m] = _mixed(
                    x[j, :, unknown], P[j, :, unknown, unknown], shares[j]
                )
    return Tracks(
        explanations=candidates, evidence=by_onset(evidence), whole=evidence, deposit=deposit, deposit_sd=deposit_sd,
        moved=moved, moved_sd=moved_sd, thermometers=thermometers,
        thermometers_cov=thermometers_cov, state=x[each, shares.argmax(axis=1), : info.size],
        covariance=P[each, shares.argmax(axis=1), : info.size, : info.size],
    )  # fmt: skip


def by_onset(whole: Array) -> Array:
    """Return the log evidence for a movement that began on any day so far, each as likely.

    A filter that lets an unknown walk since the reference period pays for every quiet day; what began
    late would have to earn back months of it. Up to its onset such a movement is "nothing moves", so that its
    evidence is what the filter gained since: the mean over onsets of a change-point model with one change
    (the filter's own width at the onset stands for the fresh one's).

    Parameters
    ----------
    whole : ndarray, shape (d, k)
        Log evidence against "nothing moves" of a movement from the first day on.
    """
    before = np.vstack([np.zeros((1, whole.shape[1])), whole[:-1]])
    onsets = np.arange(1, len(whole) + 1)[:, None]
    return np.asarray(whole + np.logaddexp.accumulate(-before, axis=0) - np.log(onsets))


def with_onsets(tracks: Tracks, scores: DriftScores) -> Tracks:
    """Let each single unknown move by a walk or by one ramp or step, either as likely.

    What begins on one day and goes straight is found by its onset far sooner than by a walk, and its
    size is known without the doubt about the error that was there before.
    """
    evidence, moved, moved_sd = tracks.evidence.copy(), tracks.moved.copy(), tracks.moved_sd.copy()
    for j, candidate in enumerate(tracks.explanations):
        if len(candidate.moving) != 1:
            continue
        column = scores.index.index(candidate.moving[0])
        straight = scores.evidence[:, column]
        better = straight > evidence[:, j]
        moved[better, j, 0] = scores.size[better, column]
        moved_sd[better, j, 0] = scores.size_sd[better, column]
        evidence[:, j] = np.logaddexp(evidence[:, j], straight) - np.log(2.0)
    return replace(tracks, evidence=evidence, moved=moved, moved_sd=moved_sd)


def _passing(wandering: Wandering, gap_days: float, *, walks: bool) -> tuple[Array, Array]:
    """Return transition and added variance over a gap: wander is forgotten, growth dies away."""
    keep, added = wandering.forget(gap_days)
    F = np.diag(np.append(keep, 1.0))
    if walks:
        left = float(np.exp(-gap_days / GROWTH_MEMORY_DAYS))
        F[DEPOSIT, -1], F[-1, -1] = GROWTH_MEMORY_DAYS * (1.0 - left), left
    return F, np.append(added, 0.0)


def _walk_variances(candidates: tuple[Explanation, ...], size: int) -> Array:
    walk = np.zeros((len(candidates), 3, size))
    for j, candidate in enumerate(candidates):
        for unknown in candidate.moving:
            walk[j, :, unknown] = np.square(step_sizes(unknown))
        if DEPOSIT in candidate.moving:
            walk[j, :, -1] = np.square(GROWTH_STEPS)
    return walk


def matters(index: int) -> float:
    """Return how large an instrument's error must be to count, K or ln."""
    return MATTERS_K if index < 4 else MATTERS_METER


def _shares(log_evidence: Array) -> Array:
    """Weights of the step sizes by their evidence, (k, 3); tempered, as no walk is the truth."""
    tempered = TEMPER_STEPS * (log_evidence - log_evidence[:, 1:].max(axis=1, keepdims=True))
    weights = np.exp(tempered)
    weights[:, 0] = 0.0  # the smallest would hold on to clean plates until the deposit is proven
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def _mixed(value: Array, variance: Array, shares: Array) -> tuple[Array, Array]:
    """Mean and standard deviation of a mixture over the last axis."""
    mean = (shares * value).sum(axis=-1)
    second = (shares * (variance + value**2)).sum(axis=-1)
    return mean, np.sqrt(np.maximum(second - mean**2, 0.0))


def _log_mean(log_values: Array) -> Array:
    top = log_values.max(axis=1, keepdims=True)
    return np.asarray(top[:, 0] + np.log(np.mean(np.exp(log_values - top), axis=1)))


def deposit_beside_instrument_days(
    tracks: Tracks, threshold: float, least: float
) -> NDArray[np.bool_]:
    """Days, twice running, that only a deposit and a strayed instrument together explain.

    Where an instrument strays as well, no ratio of the deposit alone exceeds that of the instrument. Both
    together must then beat every single explanation by far more than an alarm asks for, the more so the
    more is explained, since no model fits to the last; and the deposit beside the instrument's error be there
    for sure.

    Parameters
    ----------
    threshold : float
        Log likelihood that an alarm asks for.
    least : float
        Deposit that is worth an alarm, times U0.
    """
    count = (len(tracks.explanations) - 2) // 2
    pairs = tracks.evidence[:, 2 + count :]
    best, row = pairs.argmax(axis=1), np.arange(len(pairs))
    deposit = tracks.moved[row, 2 + count + best, 0]
    doubt = tracks.moved_sd[row, 2 + count + best, 0]
    alone = tracks.evidence[:, : 2 + count].max(axis=1)
    margin = threshold + BESIDE_MARGIN + BESIDE_MISFIT * np.maximum(alone, 0.0)
    found = (pairs.max(axis=1) - alone > margin) & (deposit - BESIDE_SURE * doubt > least)
    return twice_running(found)


def leading(
    tracks: Tracks,
    accusable: tuple[int, ...],
    denied: NDArray[np.bool_] | None = None,
    *,
    instrument_margin: float = 5.0,
    least: float = 10.0,
) -> NDArray[np.int64]:
    """Return, for each day, the explanation whose filter keeps the account of the deposit.

    That of the deposit, unless an instrument that may be named explains the day clearly better; then
    deposit and instrument together, so that the instrument's error does not pass for a deposit.
    ``denied`` (d, instruments): by day, those that something else acquits.
    """
    k = len(tracks.explanations)
    instruments = (k - 2) // 2
    alone, pairs = slice(2, 2 + instruments), slice(2 + instruments, k)
    limits = np.array(
        [
            matters(e.moving[0]) if e.moving[0] in accusable else np.inf
            for e in tracks.explanations[alone]
        ]
    )
    large = np.abs(tracks.moved[:, pairs, 1]) > limits
    if denied is not None:
        large &= ~denied
    best = np.where(
        large, np.maximum(tracks.evidence[:, alone], tracks.evidence[:, pairs]), -np.inf
    )
    chosen = best.argmax(axis=1)
    beats = best.max(axis=1)
    use = (beats > tracks.evidence[:, 1] + instrument_margin) & (beats > least)
    return np.where(use, 2 + instruments + chosen, 1)
