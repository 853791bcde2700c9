"""What the cases of the wide fleet hide, by kind: deposits, instruments, building, controls, visits.

A kind is a function that changes the scenario and says what the maintenance log tells of it.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from demo_data.simulator.events import (
    BlockedStrainer,
    BuildingFault,
    ClockOff,
    Fault,
    Hunting,
    LoadChange,
    MeterFault,
    NetworkLowered,
    ParallelFlow,
    PlatesChanged,
    PointsExchanged,
    SetbackChange,
    SetPointChange,
    Shutdown,
    StuckPoint,
    ThermometerFault,
)
from demo_data.simulator.scenario import (
    PRIMARY_FLOW,
    PRIMARY_RETURN,
    SECONDARY_FLOW,
    SECONDARY_RETURN,
    TEMPERATURES,
    Cleaning,
    Deposit,
    Law,
    Scenario,
)


@dataclass(frozen=True, kw_only=True)
class LoggedVisit:
    """A line of the maintenance log, in plain words of the trade."""

    at: datetime
    deed: str
    role: str | None = None
    plates_after: int | None = None


@dataclass(frozen=True, kw_only=True)
class Hidden:
    """What is hidden since when, and what the log says."""

    since: datetime | None = None
    visits: tuple[LoggedVisit, ...] = ()
    proof: str | None = None  # of the visit: "worked", "in part" or "sham"


@dataclass(frozen=True, kw_only=True)
class Slot:
    """The record, and when something may begin in it."""

    start: datetime
    end: datetime
    begins: datetime
    working: tuple[datetime, ...]  # days after ``begins`` on which there is work to do


Maker = Callable[[np.random.Generator, Scenario, Slot], tuple[Scenario, Hidden]]
OPENED = "opened and cleaned"


def _event(make: Callable[[np.random.Generator, Slot], Fault]) -> Maker:
    def made(rng: np.random.Generator, s: Scenario, slot: Slot) -> tuple[Scenario, Hidden]:
        return replace(s, faults=(*s.faults, make(rng, slot))), Hidden(since=slot.begins)

    return made


def _sign(rng: np.random.Generator) -> float:
    return float(rng.choice([-1.0, 1.0]))


def _days(low: float, high: float, rng: np.random.Generator) -> timedelta:
    return timedelta(days=float(rng.uniform(low, high)))


# --- nothing to be found ---------------------------------------------------------------------------


def _plain(_rng: np.random.Generator, s: Scenario, _slot: Slot) -> tuple[Scenario, Hidden]:
    return s, Hidden()


def _offsets(rng: np.random.Generator, s: Scenario, _slot: Slot) -> tuple[Scenario, Hidden]:
    held = dict(s.instruments.thermometers)
    for role in rng.choice(TEMPERATURES, 2, replace=False):
        offset = _sign(rng) * float(rng.uniform(1.0, 2.5))
        held[str(role)] = replace(held[str(role)], offset_K=offset)
    return replace(s, instruments=replace(s.instruments, thermometers=held)), Hidden()


def _visit_on_clean(_r: np.random.Generator, s: Scenario, slot: Slot) -> tuple[Scenario, Hidden]:
    return s, Hidden(visits=(LoggedVisit(at=slot.begins, deed=OPENED),))


def _plates(rng: np.random.Generator, s: Scenario, slot: Slot) -> tuple[Scenario, Hidden]:
    after = s.unit.plates + 2 * int(np.ceil(s.unit.plates * rng.uniform(0.05, 0.15)))
    changed = PlatesChanged(at=slot.begins, plates_after=after)
    visit = LoggedVisit(at=slot.begins, deed="plates changed", plates_after=after)
    return replace(s, faults=(*s.faults, changed)), Hidden(visits=(visit,))


def _flow_roles(s: Scenario) -> list[str]:
    found = [r for r in (PRIMARY_FLOW, SECONDARY_FLOW) if r in s.logger.roles]
    return found or [PRIMARY_FLOW]


def _meter_swap(rng: np.random.Generator, s: Scenario, slot: Slot) -> tuple[Scenario, Hidden]:
    role = str(rng.choice(_flow_roles(s)))
    fault = MeterFault(role=role, start=slot.begins, gain=float(rng.normal(0.0, 0.02)))
    visit = LoggedVisit(at=slot.begins, deed="meter changed", role=role)
    return replace(s, faults=(*s.faults, fault)), Hidden(visits=(visit,))


def _recalibrated(rng: np.random.Generator, s: Scenario, slot: Slot) -> tuple[Scenario, Hidden]:
    role = str(rng.choice(TEMPERATURES))
    fault = ThermometerFault(role=role, start=slot.begins, error_K=float(rng.normal(0.0, 0.8)))
    visit = LoggedVisit(at=slot.begins, deed="thermometer calibrated", role=role)
    return replace(s, faults=(*s.faults, fault)), Hidden(visits=(visit,))


def _hunts_in_step(rng: np.random.Generator, s: Scenario, slot: Slot) -> tuple[Scenario, Hidden]:
    period = float(s.logger.interval_minutes if s.logger.interval_minutes == 15 else 15)
    fault = Hunting(
        start=slot.begins,
        amplitude=float(rng.uniform(0.15, 0.35)),
        period_minutes=period,
        unsteadiness=0.002,
    )
    return replace(s, faults=(*s.faults, fault), step_minutes=5), Hidden(since=slot.begins)


CLEAN: dict[str, Maker] = {
    "plain": _plain,
    "load growth": _event(
        lambda rng, t: LoadChange(
            start=t.begins, factor=float(rng.uniform(1.1, 1.25)), full=t.begins + _days(1, 90, rng)
        )
    ),
    "network lowered": _event(
        lambda rng, t: NetworkLowered(start=t.begins, shift_K=-float(rng.uniform(3.0, 6.0)))
    ),
    "set point changed": _event(
        lambda rng, t: SetPointChange(
            start=t.begins, shift_K=_sign(rng) * float(rng.uniform(3.0, 6.0))
        )
    ),
    "set back changed": _event(
        lambda rng, t: SetbackChange(start=t.begins, setback_K=float(rng.uniform(0.0, 10.0)))
    ),
    "cleaned and logged": _visit_on_clean,
    "plates added": _plates,
    "meter changed": _meter_swap,
    "thermometer calibrated": _recalibrated,
    "summer shutdown": _event(
        lambda _rng, _t: Shutdown(
            start=datetime(2026, 5, 5, tzinfo=UTC), end=datetime(2026, 9, 10, tzinfo=UTC)
        )
    ),
    "disagreeing thermometers": _offsets,
    "hunting in step": _hunts_in_step,
    "stuck thermometer": _event(
        lambda rng, t: StuckPoint(
            role=str(rng.choice(TEMPERATURES)), start=t.begins, end=t.begins + _days(3, 30, rng)
        )
    ),
    "clock off": _event(
        lambda rng, t: ClockOff(start=t.begins, end=t.begins + _days(30, 120, rng), minutes=60)
    ),
    "meter clock off": _event(
        lambda rng, t: ClockOff(
            start=t.begins,
            end=t.begins + _days(30, 120, rng),
            minutes=60,
            roles=("primary_flow", "heat_power", "heat_energy", "heat_volume"),
        )
    ),
}


# --- deposits --------------------------------------------------------------------------------------


def _deposit(
    law: Law, rng: np.random.Generator, slot: Slot, monthly: float | None = None
) -> Deposit:
    """Return a deposit; ``monthly`` is the share of UA lost in a month, where that is given."""
    share = float(rng.uniform(0.12, 0.30)) if monthly is None else 0.2
    days = float(rng.uniform(90.0, 150.0)) if monthly is None else share / monthly * 30.4
    warm = float(rng.uniform(0.01, 0.04)) if rng.random() < 0.3 else 0.0
    return Deposit(
        law=law,
        start=slot.begins,
        reached=slot.begins + timedelta(days=days),
        share_lost=share,
        time_constant_days=float(rng.uniform(25.0, 90.0)),
        power=float(rng.uniform(0.4, 0.7)),
        unevenness=float(rng.uniform(0.0, 0.8)),
        per_kelvin=warm,
        seasonal=float(rng.uniform(0.2, 0.6)) if rng.random() < 0.3 else 0.0,
    )


def _grows(law: Law, monthly: tuple[float, float] | None = None) -> Maker:
    def made(rng: np.random.Generator, s: Scenario, slot: Slot) -> tuple[Scenario, Hidden]:
        rate = None if monthly is None else float(rng.uniform(*monthly))
        return replace(s, deposit=_deposit(law, rng, slot, rate)), Hidden(since=slot.begins)

    return made


def _visited(proof: str, share: tuple[float, float], *, logged: bool = True) -> Maker:
    """A deposit, and a visit 30 to 40 working days after it began."""

    def made(rng: np.random.Generator, s: Scenario, slot: Slot) -> tuple[Scenario, Hidden]:
        visit = slot.working[int(rng.integers(30, 41))]
        law: Law = "falling" if rng.random() < 0.5 else "asymptotic"
        deposit = Deposit(
            law=law,
            start=slot.begins,
            reached=visit,
            share_lost=float(rng.uniform(0.10, 0.22)),
            time_constant_days=float(rng.uniform(25.0, 50.0)),
            unevenness=float(rng.uniform(0.0, 0.8)),
        )
        cleaning = Cleaning(at=visit, share_recovered=float(rng.uniform(*share)))
        visits = (LoggedVisit(at=visit, deed=OPENED),) if logged else ()
        hidden = Hidden(since=slot.begins, visits=visits, proof=proof if logged else None)
        return replace(s, deposit=deposit, cleanings=(cleaning,)), hidden

    return made


# --- instruments and the rest ----------------------------------------------------------------------


def _thermometer(role: str, *, drifts: bool) -> Maker:
    return _event(
        lambda rng, t: ThermometerFault(
            role=role,
            start=t.begins,
            error_K=_sign(rng) * float(rng.uniform(1.0, 2.5)),
            full=t.begins + _days(40, 100, rng) if drifts else None,
        )
    )


def _meter(role: str, *, drifts: bool) -> Maker:
    return _event(
        lambda rng, t: MeterFault(
            role=role,
            start=t.begins,
            gain=_sign(rng) * float(rng.uniform(0.06, 0.15)),
            full=t.begins + _days(40, 100, rng) if drifts else None,
        )
    )


def _two_at_once(rng: np.random.Generator, s: Scenario, slot: Slot) -> tuple[Scenario, Hidden]:
    s = replace(s, deposit=_deposit("linear", rng, slot))
    role = str(rng.choice(TEMPERATURES))
    s, _ = _thermometer(role, drifts=True)(rng, s, slot)
    return s, Hidden(since=slot.begins)


def _after_service(make: Callable[[np.random.Generator, Slot], Fault]) -> Maker:
    def made(rng: np.random.Generator, s: Scenario, slot: Slot) -> tuple[Scenario, Hidden]:
        visit = LoggedVisit(at=slot.begins, deed="gaskets changed")
        hidden = Hidden(since=slot.begins, visits=(visit,))
        return replace(s, faults=(*s.faults, make(rng, slot))), hidden

    return made


def _too_few(rng: np.random.Generator, s: Scenario, slot: Slot) -> tuple[Scenario, Hidden]:
    s = replace(s, load=replace(s.load, share_at_design=0.85))
    fault = LoadChange(start=slot.begins, factor=float(rng.uniform(1.4, 1.6)))
    return replace(s, faults=(*s.faults, fault)), Hidden(since=slot.begins)


DEPOSITS: dict[str, Maker] = {
    "linear deposit": _grows("linear"),
    "slow deposit": _grows("linear", (0.008, 0.014)),
    "falling deposit": _grows("falling"),
    "asymptotic deposit": _grows("asymptotic"),
    "step deposit": _grows("step"),
    "deposit that stops": _grows("stops"),
    "fast deposit": _grows("linear", (0.06, 0.10)),
    "deposit, worked visit": _visited("worked", (0.85, 1.0)),
    "deposit, visit in part": _visited("in part", (0.3, 0.6)),
    "deposit, sham visit": _visited("sham", (0.0, 0.0)),
    "deposit, unlogged cleaning": _visited("worked", (0.85, 1.0), logged=False),
    "deposit and drifting thermometer": _two_at_once,
}
OTHER: dict[str, Maker] = {
    **{f"{r} drift": _thermometer(r, drifts=True) for r in TEMPERATURES},
    **{f"{r} step": _thermometer(r, drifts=False) for r in TEMPERATURES},
    **{f"{r} drift": _meter(r, drifts=True) for r in (PRIMARY_FLOW, SECONDARY_FLOW)},
    **{f"{r} step": _meter(r, drifts=False) for r in (PRIMARY_FLOW, SECONDARY_FLOW)},
    "building side": _event(
        lambda rng, t: BuildingFault(start=t.begins, bypass_share=float(rng.uniform(0.3, 0.6)))
    ),
    "controls": _event(
        lambda rng, t: Hunting(
            start=t.begins,
            amplitude=float(rng.uniform(0.25, 0.5)),
            period_minutes=float(rng.uniform(12.0, 40.0)),
        )
    ),
    "too few plates": _too_few,
    "reversed piping": _after_service(lambda _rng, t: ParallelFlow(start=t.begins)),
    "swapped thermometers": _after_service(
        lambda _rng, t: PointsExchanged(start=t.begins, roles=(PRIMARY_RETURN, SECONDARY_RETURN))
    ),
    "blocked strainer": _event(
        lambda rng, t: BlockedStrainer(
            start=t.begins,
            full=t.begins + timedelta(days=60),
            pressure_factor=float(rng.uniform(2.5, 5.0)),
        )
    ),
}
# The plain exchanger is the commonest; every other kind comes as often.
CLEAN_KINDS: tuple[str, ...] = tuple(k for kind in CLEAN for k in ("plain", kind))[1:]
# Deposits and other causes by turns.
FAULTY_KINDS: tuple[str, ...] = tuple(
    kind
    for i in range(max(len(DEPOSITS), len(OTHER)) * 2)
    for kinds in (tuple(DEPOSITS), tuple(OTHER))
    for kind in (kinds[i % len(kinds)],)
)
_MAKERS: dict[str, Maker] = {**CLEAN, **DEPOSITS, **OTHER}
_NEEDS: dict[str, tuple[str, ...]] = {
    "blocked strainer": ("primary_pressure_drop",),
    "swapped thermometers": (SECONDARY_RETURN,),
}


def hide(
    rng: np.random.Generator, kind: str, scenario: Scenario, slot: Slot
) -> tuple[Scenario, Hidden]:
    """Return the scenario with a kind hidden in it, logged points added that it shows on."""
    missing = tuple(r for r in _NEEDS.get(kind, ()) if r not in scenario.logger.roles)
    logger = replace(scenario.logger, roles=(*scenario.logger.roles, *missing))
    return _MAKERS[kind](rng, replace(scenario, logger=logger), slot)
