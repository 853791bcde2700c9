"""One case of the wide fleet: simulated, registered as its owner would, assessed, held to the truth.

Truth comes from the simulator alone; of the analysis, only ``evaluate`` and its records are used.
"""

import json
import time
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from analytics.evaluation import evaluate
from analytics.vocabulary.quantities import TEMPERATURES
from analytics.vocabulary.records import (
    CauseKind,
    Deed,
    Evaluation,
    Exchanger,
    Fluid,
    MaintenanceEvent,
    Stream,
    VerdictKind,
)  # fmt: skip
from demo_data.simulator import Scenario, simulate
from demo_data.simulator.design_state import design_states
from demo_data.simulator.wide_fleet import Case, draw_case
from tests.benchmarks.asked import (
    DESIGN_OUTDOOR_degC,
    asked_of,
    category_of,
    last_working_day,
    right_verdicts,
)
from tests.benchmarks.yardsticks import floor_scores, plain_scores

ORIGIN_DAYS, AHEAD_DAYS = 45, 90
UNWORTHY = 0.005  # of UA: an alert on less is a false one
CAUSAL_SHARE = 10  # one case in so many is assessed on a shorter record too
PROPOSED_WITHIN = timedelta(days=10)
FORTNIGHT = 14  # days that show the plates, on either side of a visit
METERS = ("primary_flow", "secondary_flow")
_PLATES = (Deed.OPENED_AND_CLEANED, Deed.PLATES_CHANGED)
V = VerdictKind
_FLUID = {"water": "water", "MEG": "ethylene glycol", "MPG": "propylene glycol"}
_DEED_OF = {
    CauseKind.DEPOSIT: V.CLEAN_LATER, CauseKind.THERMOMETER: V.CHECK_INSTRUMENT,
    CauseKind.FLOW_METER: V.CHECK_INSTRUMENT, CauseKind.BUILDING_SIDE: V.BUILDING_SIDE,
    CauseKind.CONTROLS: V.CHECK_CONTROLS, CauseKind.CAPACITY: V.ADD_PLATES,
    CauseKind.PIPING: V.CHECK_PIPING, CauseKind.STRAINER: V.RINSE_STRAINER,
    CauseKind.NOTHING: V.LEAVE,
}  # fmt: skip


def exchanger_of(scenario: Scenario) -> Exchanger:
    """Register an exchanger as its owner would: nameplate, nothing about its instruments."""
    unit = scenario.unit
    hot_in, hot_out = unit.design_primary_degC
    cold_in, cold_out = unit.design_secondary_degC
    liquid = unit.secondary_fluid
    return Exchanger(
        tag="HX", plates=unit.plates, area_m2=float(unit.area_m2),
        design_duty_W=float(unit.design_duty_W), service=scenario.load.service,
        primary=Stream(design_inlet_degC=hot_in, design_outlet_degC=hot_out),
        secondary=Stream(
            design_inlet_degC=cold_in, design_outlet_degC=cold_out, passes=unit.secondary_passes,
            fluid=Fluid(kind=_FLUID[liquid.kind], fraction=liquid.fraction),
        ),
        design_outdoor_degC=DESIGN_OUTDOOR_degC,
    )  # fmt: skip


def maintenance_of(case: Case) -> tuple[MaintenanceEvent, ...]:
    """Return the maintenance log of a case."""
    return tuple(
        MaintenanceEvent(
            tag="HX", at_utc=v.at, deed=Deed(v.deed), role=v.role, plates_after=v.plates_after
        )
        for v in case.hidden.visits
    )


def answer_of(found: Evaluation, right: frozenset[VerdictKind]) -> str:
    """Return right, second (the runner-up is right), cannot tell, or wrong."""
    verdict = found.verdict
    if verdict.kind in right:
        return "right"
    named = [c.kind for c in (verdict.cause, verdict.runner_up) if c is not None]
    second = any(_DEED_OF[k] in right for k in named)
    if verdict.kind is V.CANNOT_TELL:
        return "cannot tell, right one named" if second else "cannot tell"
    return "second" if second else "wrong"


class Truth:
    """The true state at the design condition, by day."""

    def __init__(self, case: Case) -> None:
        days = pd.date_range(
            case.start, case.end + pd.Timedelta(days=3 * AHEAD_DAYS), freq="D"
        ).tz_convert("UTC")
        self.at = design_states(case.scenario, days)
        self.at["cleanliness"] = self.at["UA_W_K"] / self.at["UA_clean_W_K"]

    def value(self, column: str, when: datetime | pd.Timestamp) -> float:
        """Return a column on a day, by the last midnight of the simulation's clock before it."""
        row = int(self.at.index.searchsorted(pd.Timestamp(when), side="right")) - 1
        return float(self.at[column].iloc[max(row, 0)])


def fouling_alerts(found: Evaluation) -> list[datetime]:
    """Return the days of the fouling alerts, in order."""
    return sorted(a.raised_utc for a in found.alerts if a.kind is CauseKind.DEPOSIT)


def _alerts(found: Evaluation, case: Case, truth: Truth) -> dict[str, object]:
    raised = fouling_alerts(found)
    # an alert is dated by its day and known at the end of it
    losses = [1 - truth.value("cleanliness", a + pd.Timedelta(days=1)) for a in raised]
    since = case.hidden.since
    real = [a for a, loss in zip(raised, losses, strict=True) if loss >= UNWORTHY]
    row: dict[str, object] = {
        "fouling_alerts": len(raised), "false_alerts": len(raised) - len(real),
        "alert_utc": real[0] if real else None, "delay_days": None, "loss_at_alert": None,
    }  # fmt: skip
    if category_of(case.kind) == "deposit" and real and since is not None:
        row["delay_days"] = (real[0] - since) / pd.Timedelta(days=1) + 1.0
        row["loss_at_alert"] = 1 - truth.value("cleanliness", real[0] + pd.Timedelta(days=1))
    return row


def _intervals(found: Evaluation, case: Case, truth: Truth) -> dict[str, object]:
    row: dict[str, object] = {}
    state, reference = found.state, found.reference
    if state is None or reference is None or case.kind in ("reversed piping",):
        return row
    pairs = [
        ("cleanliness", state.cleanliness_factor, truth.value("cleanliness", state.as_of_utc)),
        ("approach", state.approach_reference_K, truth.value("approach_K", state.as_of_utc)),
        ("UA_clean", reference.UA_W_K, float(truth.at["UA_clean_W_K"].iloc[0])),
    ]
    for name, told, true in pairs:
        if told is not None and reference.condition.source == "design":
            row[f"{name}_value"], row[f"{name}_true"] = told.value, true
            row[f"{name}_held"] = told.low <= true <= told.high
            row[f"{name}_width"] = told.high - told.low
    return row


def unlogged_truth(case: Case) -> list[tuple[datetime, str]]:
    """Return what happened to the case that its log does not have: the day, and plates or a role."""
    logged = [v.at for v in case.hidden.visits]
    days = timedelta(days=3)
    happened = [(c.at, "plates") for c in case.scenario.cleanings]
    role = next((r for r in (*TEMPERATURES, *METERS) if case.kind == f"{r} step"), None)
    if role is not None and case.hidden.since is not None:
        happened.append((case.hidden.since, role))
    return [(at, what) for at, what in happened if all(abs(at - v) > days for v in logged)]


def _proposals(found: Evaluation, case: Case) -> dict[str, object]:
    """Return the proposals made, those that are right by date and subject, and what they missed."""
    truth = unlogged_truth(case)
    made = [
        (p.at_utc, "plates" if p.deed in _PLATES else p.role or str(p.deed))
        for p in found.proposals
    ]
    off = [
        min((abs(at - then) for then, which in truth if _alike(which, what)), default=None)
        for at, what in made
    ]
    right = [o for o in off if o is not None and o <= PROPOSED_WITHIN]
    visits = [o for o, (_, what) in zip(off, made, strict=True) if what == "plates"]
    return {
        "proposals": len(made), "proposals_right": len(right),
        "proposals_false": len(made) - len(right),
        "visits_false": sum(o is None or o > PROPOSED_WITHIN for o in visits),
        "unlogged": len(truth), "unlogged_visit": sum(what == "plates" for _, what in truth),
        "proposal_days_off": None if not right else max(right) / timedelta(days=1),
    }  # fmt: skip


def _alike(one: str, other: str) -> bool:
    return one == other or {one, other} <= set(METERS)


def _proof(found: Evaluation, case: Case, truth: Truth) -> dict[str, object]:
    if case.hidden.proof is None or not found.proofs:
        return {}
    proof = found.proofs[-1]
    row: dict[str, object] = {"proof_outcome": proof.outcome}
    visit = pd.Timestamp(proof.event.at_utc).floor("D")
    day = pd.Timedelta(days=1)
    shown = [pd.Timestamp(d) for d in found.daily.index[found.daily["cleanliness_factor"].notna()]]
    fortnights = (
        [d for d in shown if d < visit][-FORTNIGHT:],
        [d for d in shown if d > visit][:FORTNIGHT],
    )
    for name, compared, sides in (
        ("visit", proof.at_visit, ([visit - day], [visit + day])),
        ("fortnight", proof.measured, fortnights),
    ):
        if compared is not None and all(sides):
            before, after = (np.mean([_on_day(truth, d) for d in side]) for side in sides)
            true, gain = after / before - 1, compared.gain
            row |= {
                f"proof_{name}_true": true, f"proof_{name}_gain": gain.value,
                f"proof_{name}_held": gain.low <= true <= gain.high,
                f"proof_{name}_half": (gain.high - gain.low) / 2,
            }  # fmt: skip
    return row


def _on_day(truth: Truth, midnight: pd.Timestamp) -> float:
    """Return the cleanliness factor in the middle of a day, between its two midnights."""
    ends = (midnight, midnight + pd.Timedelta(days=1))
    return float(np.mean([truth.value("cleanliness", at) for at in ends]))


def _rolling(case: Case, logged: pd.DataFrame, truth: Truth) -> list[dict[str, object]]:
    """Forecasts of a deposit nobody cleans, made every 45 days, against what came."""
    rows: list[dict[str, object]] = []
    if category_of(case.kind) != "deposit" or case.scenario.cleanings or case.hidden.since is None:
        return rows
    exchanger, log = exchanger_of(case.scenario), maintenance_of(case)
    origin = pd.Timestamp(case.hidden.since) + pd.Timedelta(days=ORIGIN_DAYS)
    assert case.scenario.deposit is not None
    limit = exchanger.limits.cleanliness_factor
    passed = truth.at.index[truth.at["cleanliness"] <= limit]
    while origin < case.end:
        found = evaluate(exchanger, logged[logged.index < origin], log)
        fan = None if found.forecast is None else found.forecast.cleanliness_fan
        if found.forecast is not None and fan is not None:
            row: dict[str, object] = {
                "law": case.scenario.deposit.law,
                "origin": str(origin.date()),
            }
            ahead = origin + pd.Timedelta(days=AHEAD_DAYS)
            at = fan.index.get_indexer([ahead.floor("D")], method="nearest")[0]
            day = pd.Timestamp(fan.index[at])
            true = truth.value("cleanliness", day)
            row |= {"true": true, "middle": float(fan["q50"].iloc[at]), "held": bool(
                fan["q05"].iloc[at] <= true <= fan["q95"].iloc[at]
            ), "width": float(fan["q95"].iloc[at] - fan["q05"].iloc[at])}  # fmt: skip
            if len(passed) and passed[0] > origin + pd.Timedelta(days=7):
                lead = (passed[0] - origin) / pd.Timedelta(days=1)
                told = found.forecast.date_50
                row["date_error"] = (
                    None
                    if told is None
                    else (pd.Timestamp(told) - passed[0]) / pd.Timedelta(days=lead)
                )
                row["date_told"] = told is not None
            rows.append(row)
        origin += pd.Timedelta(days=ORIGIN_DAYS)
    return rows


def _causal(case: Case, logged: pd.DataFrame, found: Evaluation) -> bool:
    """Tell whether a record cut at two thirds raises the same fouling alerts up to there."""
    cut = pd.Timestamp(case.start + (case.end - case.start) * 0.67).floor("D")
    shorter = evaluate(
        exchanger_of(case.scenario), logged[logged.index < cut], maintenance_of(case)
    )
    last = cut - pd.Timedelta(days=1)
    full = [a for a in fouling_alerts(found) if a < last]
    return full == [a for a in fouling_alerts(shorter) if a < last]


def judge(of_set: str, group: str, number: int) -> dict[str, object]:
    """Draw, simulate, assess and compare one case; a row of the bench's table."""
    began, worked = time.perf_counter(), time.process_time()
    case = draw_case(of_set, group, number)
    run = simulate(case.scenario, case.start, case.end)
    simulated = time.perf_counter()
    log = maintenance_of(case)
    found = evaluate(exchanger_of(case.scenario), run.logged, log)
    assessed = time.perf_counter()
    truth = Truth(case)
    final_loss = 1 - truth.value("cleanliness", last_working_day(case, run.truth))
    right = asked_of(case, final_loss)
    strictly = right_verdicts(case.kind, final_loss)
    cause = found.verdict.cause
    at_fault = case.kind.rsplit(" ", 1)[0] if case.kind.endswith((" drift", " step")) else None
    row: dict[str, object] = {
        "name": case.name, "set": of_set, "group": group, "number": number, "kind": case.kind,
        "category": category_of(case.kind), "instrumentation": case.instrumentation,
        "logging": case.logging, "service": case.service, "fluid": case.fluid, "passes": case.passes,
        "years": (case.end - case.start).days / 365.25, "since_utc": case.hidden.since,
        "verdict": found.verdict.kind.value, "answer": answer_of(found, right),
        "answer_strictly": answer_of(found, strictly),
        "named": None if cause is None else " ".join(filter(None, (cause.kind.value, cause.subject))),
        "exactly": None if at_fault is None or found.verdict.kind is not V.CHECK_INSTRUMENT
        else bool(cause is not None and cause.subject == at_fault),
        "final_loss": final_loss, "grade": found.health.grade,
        "reference": None if found.reference is None else found.reference.basis,
        "law": None if case.scenario.deposit is None else case.scenario.deposit.law,
        "proof_expected": case.hidden.proof, "causal": None,
    }  # fmt: skip
    row |= _alerts(found, case, truth) | _intervals(found, case, truth) | _proof(found, case, truth)
    row |= _proposals(found, case)
    row["forecasts"] = json.dumps(_rolling(case, run.logged, truth))
    if number % CAUSAL_SHARE == 0:
        row["causal"] = _causal(case, run.logged, found)
    visits = [v.at for v in case.hidden.visits]
    period = None if found.reference is None else found.reference.period
    row["floor_records"] = json.dumps(floor_scores(case.scenario, run.logged, run.truth, visits))
    row["plain_records"] = json.dumps(
        plain_scores(run.logged, None if period is None else period.end_utc, visits)
    )
    row["seconds_simulated"] = simulated - began
    row["seconds_assessed"] = assessed - simulated
    row["seconds"] = time.perf_counter() - began
    row["cpu_seconds"] = time.process_time() - worked
    return row
