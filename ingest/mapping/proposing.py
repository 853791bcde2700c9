"""The mapping of points to roles that offends physics and names the least, with how sure that is.

Every choice of four temperatures, flows and power among the points of one exchanger is weighed; what
a role's share of the weights does not settle is asked.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import permutations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.vocabulary.errors import UnitError
from analytics.vocabulary.quantities import ROLES
from analytics.vocabulary.units import convert, is_unit
from ingest.guessing import Guess
from ingest.mapping.hours import common_hours
from ingest.mapping.scoring import (
    FLOWS,
    MAIN,
    POWER,
    balance_penalty,
    cold_end_penalty,
    order_penalty,
    relations,
)

SURE = 0.97  # below it a role is asked
_TEMPERATURES_MOST = 8
_FLOWS_MOST = 4
_KEPT = 14.0  # nats above the least at which a choice of temperatures is not pursued
_NAME_WEIGHT = 4.0
_IDLE = 3.0
_PURSUED_MOST = 60
# Names alone state nothing: physics must prefer what they say by half a nat, which is 0.8 K between
# the two returns. Thermometers disagree by as much, and names do get swapped.
_SUPPORT = 0.5
# Units where the file names none, and how improbable each is (nats); common practice.
_FLOW_UNITS = {"m3/h": 0.0, "l/s": 0.7, "l/min": 2.0, "l/h": 2.0, "gpm": 2.0, "m3/s": 3.0}
_POWER_UNITS = {"kW": 0.0, "W": 1.5, "MW": 1.5}
_TEMPERATURE_UNITS = {"degC": 0.0, "degF": 2.0}
_STATED_WRONG = 4.0  # that the file names another unit than it is logged in
_OFTEN_ALIKE_K = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A point that may be one of several roles; ``values`` as in the file, by UTC stamp."""

    heading: str
    values: pd.Series
    unit: str | None = None
    guess: Guess | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What one point probably is, in which unit, and why; ``sure`` says whether it need be asked."""

    heading: str
    role: str
    unit: str
    chance: float
    why: str
    sure: bool
    rival: str | None = None  # the next heading for this role, where it is asked
    unit_sure: bool = True


@dataclass(slots=True)
class _Pursued:
    """A choice of the four temperatures that is worth a look at the meters."""

    physics: float
    names: float
    roles: dict[str, str]
    unit: str
    values: dict[str, NDArray[np.float64]]
    running: NDArray[np.bool_]


@dataclass(slots=True)
class _Choice:
    roles: dict[str, str]  # role -> heading
    penalty: float
    physics: float  # the penalty without that of names
    units: dict[str, str] = field(default_factory=dict)  # role -> unit


def propose(candidates: Sequence[Candidate]) -> list[Proposal]:
    """Propose a role for the points of one exchanger.

    Returns
    -------
    list of Proposal
        Of the four temperatures, flows and power; empty where there are not four temperatures, too
        many, or too few hours with all of them.
    """
    hours = common_hours({c.heading: c.values for c in candidates})
    by_heading = {c.heading: c for c in candidates}
    warm = [c for c in candidates if _may_be(c, hours, "primary_supply_temperature")]
    if not 4 <= len(warm) <= _TEMPERATURES_MOST or len(hours) < 24:
        return []
    choices = list(_choices(hours, by_heading, warm))
    if not choices:
        return []
    weights = np.exp(-np.array([c.penalty for c in choices]) + min(c.penalty for c in choices))
    weights /= weights.sum()
    best = choices[int(np.argmax(weights))]
    return [_proposal(role, heading, best, choices, weights, by_heading, hours) for role, heading in best.roles.items()]  # fmt: skip


def _choices(
    hours: pd.DataFrame, by_heading: Mapping[str, Candidate], warm: Sequence[Candidate]
) -> Iterator[_Choice]:
    flows = [h for h, c in by_heading.items() if _may_be(c, hours, FLOWS[0])]
    powers = [h for h, c in by_heading.items() if _may_be(c, hours, POWER)]
    pursued: list[_Pursued] = []
    for unit, unlikely in _TEMPERATURE_UNITS.items():
        T = {c.heading: _as_degC(c, hours, unit) for c in warm}
        for four in permutations(T, 4):
            roles = dict(zip(MAIN, four, strict=True))
            values = {r: T[h] for r, h in roles.items()}
            penalty, running = order_penalty(values)
            stated = sum(_STATED_WRONG for h in four if _contradicts(by_heading[h].unit, unit))
            unnamed = all(not _is_known(by_heading[h].unit) for h in four)
            penalty += stated + (unlikely if unnamed else 0.0)
            if np.isfinite(penalty):
                named = _name_penalty(roles, by_heading, MAIN)
                pursued.append(_Pursued(penalty, named, roles, unit, values, running))
    least = min((p.physics + p.names for p in pursued), default=0.0)
    likely = sorted(pursued, key=lambda p: p.physics + p.names)[:_PURSUED_MOST]
    for chosen in (p for p in likely if p.physics + p.names <= least + _KEPT):
        for others in _meters(flows, powers, set(chosen.roles.values())):
            raw = {r: hours[h].to_numpy(dtype=float) for r, h in others.items()}
            found = relations(chosen.values, raw, chosen.running)
            factors = {r: _units_of(by_heading[h], r) for r, h in others.items()}
            more, units = balance_penalty(found, factors)
            named = _name_penalty(others, by_heading, (*FLOWS, POWER)) + chosen.names
            # a point that nothing is made of must be something else, which few are
            left = (set(flows) | set(powers)) - set(others.values()) - set(chosen.roles.values())
            physics = chosen.physics + more + cold_end_penalty(chosen.values, raw, chosen.running)
            yield _Choice(
                {**chosen.roles, **others}, physics + named + _IDLE * len(left), physics,
                {**dict.fromkeys(chosen.roles, chosen.unit), **units},
            )  # fmt: skip


def _meters(
    flows: Sequence[str], powers: Sequence[str], taken: set[str]
) -> Iterator[dict[str, str]]:
    free = [h for h in flows if h not in taken][:_FLOWS_MOST]
    for first in (None, *free):
        for second in (None, *free):
            if first is not None and first == second:
                continue
            for power in (None, *powers):
                if power is not None and power in (first, second, *taken):
                    continue
                chosen = zip((*FLOWS, POWER), (first, second, power), strict=True)
                yield {role: h for role, h in chosen if h is not None}


def _proposal(
    role: str, heading: str, best: _Choice, choices: Sequence[_Choice],
    weights: NDArray[np.float64], by_heading: Mapping[str, Candidate], hours: pd.DataFrame,
) -> Proposal:  # fmt: skip
    same = np.array([c.roles.get(role) == heading for c in choices])
    chance = float(weights[same].sum())
    unit = best.units[role]
    unit_chance = float(
        sum(w for w, c in zip(weights, choices, strict=True) if c.units.get(role) == unit)
    )
    rivals: dict[str, float] = {}
    for weight, choice in zip(weights, choices, strict=True):
        other = choice.roles.get(role)
        if other is not None and other != heading:
            rivals[other] = rivals.get(other, 0.0) + float(weight)
    decided = _decided_by_physics(role, best)
    guess = by_heading[heading].guess
    named = guess is not None and guess.role == role
    twin = _twin(role, heading, best, by_heading, hours)
    better = _not_ruled_out(role, heading, best, choices, by_heading)
    sure = chance >= SURE and (decided or named) and (twin is None or named) and better is None
    rival = better or twin or (max(rivals, key=rivals.__getitem__) if rivals else None)
    why = (
        _why(role, best)
        if better is None
        else f"by its name alone ({guess.why}); physics does not rule out {better!r}"
        if named and guess
        else f"physics does not rule out {better!r}"
    )
    if not sure and better is None and chance < SURE:
        why = "more than one choice of points explains the readings; this one does it best"
    stated = by_heading[heading].unit
    unit_sure = unit_chance >= SURE and (
        _same_unit(stated, unit) or role in MAIN or _unit_shows(role, best)
    )
    return Proposal(
        heading=heading, role=role, unit=unit, chance=round(min(chance, 0.99 if sure else 0.69), 2),
        why=why, sure=sure, rival=None if sure else rival, unit_sure=unit_sure,
    )  # fmt: skip


def _not_ruled_out(
    role: str, heading: str, best: _Choice, choices: Sequence[_Choice],
    by_heading: Mapping[str, Candidate],
) -> str | None:  # fmt: skip
    """Return a point that physics would as well, or rather, have for the role.

    Points whose names make them something else, as a set point, are no rivals.
    """

    def is_rival(choice: _Choice) -> bool:
        other = choice.roles.get(role)
        if other is None or other == heading or len(choice.roles) != len(best.roles):
            return False
        guess = by_heading[other].guess
        return guess is None or guess.role in (*MAIN, *FLOWS, POWER)

    rivals = [c for c in choices if is_rival(c)]
    first = min(rivals, key=lambda c: c.physics, default=None)
    if first is None or best.physics <= first.physics - _SUPPORT:
        return None
    return first.roles[role]


def _decided_by_physics(role: str, best: _Choice) -> bool:
    """Which two are the hottest and the coldest shows by itself; the rest shows by a balance."""
    metered = [r for r in (*FLOWS, POWER) if r in best.roles]
    if role == MAIN[0]:
        return True
    if role == MAIN[3]:
        return True
    return len(metered) >= 2


def _unit_shows(role: str, best: _Choice) -> bool:
    """Two flows share an unknown factor; with a power the absolute scale shows."""
    return POWER in best.roles and len([r for r in FLOWS if r in best.roles]) >= 1


def _twin(
    role: str, heading: str, best: _Choice, by_heading: Mapping[str, Candidate], hours: pd.DataFrame
) -> str | None:
    """Return a point that goes with the chosen one, as a set point does with what it governs."""
    if role not in MAIN:
        return None
    for other, candidate in by_heading.items():
        if other in best.roles.values() or not _may_be(candidate, hours, role):
            continue
        apart = (hours[other] - hours[heading]).abs()
        if float(apart.median()) < _OFTEN_ALIKE_K:
            return other
    return None


def _why(role: str, best: _Choice) -> str:
    metered = [ROLES[r].label for r in (*FLOWS, POWER) if r in best.roles]
    if role == MAIN[0]:
        return "the hottest while heat is moved"
    if role == MAIN[3]:
        return "the coldest of the streams while heat is moved"
    if len(metered) >= 2:
        return f"the heat balance closes with it ({' and '.join(metered)})"
    if role not in MAIN:
        return "its values could be that, and there is nothing to hold them against"
    return "fits between the hottest and the coldest, which does not tell it from its neighbour"


def _name_penalty(
    roles: Mapping[str, str], by_heading: Mapping[str, Candidate], among: Sequence[str]
) -> float:
    """Return what it costs to go against the names; a heading without a guess says nothing."""
    penalty = 0.0
    for role, heading in roles.items():
        guess = by_heading[heading].guess
        if guess is not None and guess.role != role:
            penalty += _NAME_WEIGHT * guess.chance
    used = set(roles.values())
    for heading, candidate in by_heading.items():
        guess = candidate.guess
        if guess is not None and guess.role in among and heading not in used:
            penalty += _NAME_WEIGHT * guess.chance
    return penalty


# --- what a point may be ---------------------------------------------------------------------------


def _is_known(unit: str | None) -> bool:
    return bool(unit) and is_unit(unit or "")


def _measures(unit: str | None, role: str) -> bool | None:
    if not _is_known(unit):
        return None
    try:
        convert(1.0, unit or "", ROLES[role].unit)
    except UnitError:
        return False
    return True


def _same_unit(stated: str | None, unit: str) -> bool:
    if not _is_known(stated):
        return False
    try:
        return bool(np.isclose(convert(7.0, stated or "", unit), 7.0))
    except UnitError:
        return False


def _contradicts(stated: str | None, unit: str) -> bool:
    return _is_known(stated) and not _same_unit(stated, unit)


def _may_be(candidate: Candidate, hours: pd.DataFrame, role: str) -> bool:
    fits = _measures(candidate.unit, role)
    if fits is False:
        return False
    values = (
        hours[candidate.heading].dropna() if candidate.heading in hours else pd.Series(dtype=float)
    )
    if len(values) < 24:
        return False
    low, middle, high = np.percentile(values, [2, 50, 98])
    if high - low < 1e-9 or len(np.unique(np.round(values, 6))) < 6:
        return False  # a switch, or a point that stands
    if values.is_monotonic_increasing and high > low:
        return False  # a register
    if role in MAIN:
        return bool(low > -50.0 and high < 310.0 and middle > 5.0)
    guess = candidate.guess
    if (
        fits is None
        and guess is not None
        and guess.chance >= 0.7
        and ROLES[guess.role].unit != ROLES[role].unit
    ):
        return False
    return bool(low >= 0.0) or bool(fits)


def _as_degC(candidate: Candidate, hours: pd.DataFrame, unit: str) -> NDArray[np.float64]:
    return np.asarray(convert(hours[candidate.heading].to_numpy(dtype=float), unit, "degC"))


def _units_of(candidate: Candidate, role: str) -> dict[str, tuple[float, float]]:
    usual = _POWER_UNITS if role == POWER else _FLOW_UNITS
    found = {u: (float(convert(1.0, u, ROLES[role].unit)), p) for u, p in usual.items()}
    stated = candidate.unit
    if not _is_known(stated):
        return found
    others = {u: (f, _STATED_WRONG + p) for u, (f, p) in found.items() if not _same_unit(stated, u)}
    return {stated or "": (float(convert(1.0, stated or "", ROLES[role].unit)), 0.0), **others}
