"""A blind fleet: simulated exchangers with hidden faults, assessed as a user would have them.

    python -m tests.benchmarks.fleet --first-seed 1000 --count 20

Prints false fouling alerts per exchanger-year, delay and loss at the alert, verdicts against the
truth, and interval coverage. The simulator shares no code with the analysis; seeds decide everything.
"""

import argparse
import dataclasses
import time
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from analytics.evaluation import evaluate
from analytics.vocabulary.records import CauseKind, Evaluation, Exchanger, Stream, VerdictKind
from demo_data.simulator import Scenario, Simulation, at_design, random_scenario, simulate

START, END = datetime(2025, 9, 15, tzinfo=UTC), datetime(2026, 5, 1, tzinfo=UTC)
KINDS: tuple[str | None, ...] = (
    None, "deposit", "thermometer", "flow meter", "building side", "controls",
    "load growth", "set point", "parallel flow", "blocked strainer",
)  # fmt: skip
# What a person should be told; a second entry is as right.
RIGHT: dict[str | None, set[VerdictKind]] = {
    None: {VerdictKind.LEAVE},
    "deposit": {VerdictKind.CLEAN_NOW, VerdictKind.CLEAN_LATER},
    "thermometer": {VerdictKind.CHECK_INSTRUMENT},
    "flow meter": {VerdictKind.CHECK_INSTRUMENT},
    "building side": {VerdictKind.BUILDING_SIDE},
    "controls": {VerdictKind.CHECK_CONTROLS},
    "load growth": {VerdictKind.LEAVE, VerdictKind.ADD_PLATES},
    "set point": {VerdictKind.LEAVE},
    "parallel flow": {VerdictKind.CHECK_PIPING},
    "blocked strainer": {VerdictKind.RINSE_STRAINER},
}


def exchanger_of(scenario: Scenario) -> Exchanger:
    """Register an exchanger as its owner would: nameplate, nothing about its instruments."""
    unit = scenario.unit
    hot_in, hot_out = unit.design_primary_degC
    cold_in, cold_out = unit.design_secondary_degC
    return Exchanger(
        tag="HX", plates=unit.plates, area_m2=float(unit.area_m2),
        design_duty_W=float(unit.design_duty_W),
        primary=Stream(design_inlet_degC=hot_in, design_outlet_degC=hot_out),
        secondary=Stream(design_inlet_degC=cold_in, design_outlet_degC=cold_out),
        design_outdoor_degC=-12.0,
    )  # fmt: skip


def fault_start(scenario: Scenario) -> datetime | None:
    """Return when the first fault or deposit of a scenario begins."""
    starts = [f.start for f in scenario.faults]
    if scenario.deposit is not None:
        starts.append(scenario.deposit.start)
    return min(starts, default=None)


def deposit_alert(found: Evaluation) -> datetime | None:
    """Return the day of the first fouling alert."""
    raised = [a.raised_utc for a in found.alerts if a.kind is CauseKind.DEPOSIT]
    return min(raised, default=None)


def loss_at(scenario: Scenario, when: datetime) -> float:
    """Return the true share of UA lost at the design state on a day."""
    return float(at_design(scenario, when).share_lost)


def judge(kind: str | None, seed: int) -> dict[str, object]:
    """Simulate, assess and compare one exchanger."""
    scenario = random_scenario(np.random.default_rng(seed), fault=kind)
    scenario = dataclasses.replace(scenario, step_minutes=15)
    logged: Simulation = simulate(scenario, START, END)
    began = time.perf_counter()
    found = evaluate(exchanger_of(scenario), logged.logged, ())
    alert, start = deposit_alert(found), fault_start(scenario)
    state = found.state
    truth = 1 - loss_at(scenario, state.as_of_utc if state is not None else END)
    covered = None
    # in parallel flow there is no cleanliness to speak of
    if state is not None and state.cleanliness_factor is not None and kind != "parallel flow":
        covered = state.cleanliness_factor.low <= truth <= state.cleanliness_factor.high
    return {
        "kind": kind or "clean", "seed": seed, "verdict": found.verdict.kind.value,
        "right": found.verdict.kind in RIGHT[kind], "seconds": time.perf_counter() - began,
        "alert": alert, "covered": covered,
        "delay": (alert - start).days if kind == "deposit" and alert and start else None,
        "loss": loss_at(scenario, alert) if kind == "deposit" and alert else None,
        "cannot": found.verdict.kind is VerdictKind.CANNOT_TELL, "final_loss": 1 - truth,
    }  # fmt: skip


def report(rows: list[dict[str, object]]) -> str:
    """Return the tables in Markdown."""
    frame = pd.DataFrame(rows)
    lines = [
        "| hidden | exchangers | right | cannot tell | wrong | fouling alerts |",
        "|---|---|---|---|---|---|",
    ]
    for kind, part in frame.groupby("kind", sort=False):
        wrong = int((~part["right"] & ~part["cannot"]).sum())
        lines.append(
            f"| {kind} | {len(part)} | {int(part['right'].sum())} | {int(part['cannot'].sum())} | {wrong} "
            f"| {int(part['alert'].notna().sum())} |"
        )
    years = (END - START).days / 365.25
    clean = frame[frame["kind"] != "deposit"]
    lines.append("")
    lines.append(
        f"False fouling alerts: {int(clean['alert'].notna().sum())} in {len(clean) * years:.0f} exchanger-years."
    )
    fouled = frame[frame["kind"] == "deposit"]
    if len(fouled):
        lines.append(
            f"Delay of the alert: median {fouled['delay'].median():.0f} days; loss of UA at design then: "
            f"median {fouled['loss'].median():.1%}; missed: {int(fouled['alert'].isna().sum())}."
        )
    covered = frame["covered"].dropna().astype(bool)
    lines.append(
        f"Nine-in-ten interval of the cleanliness factor held {covered.mean():.0%} of {len(covered)}."
    )
    wrong = defaultdict(Counter)
    for row in rows:
        if not row["right"]:
            wrong[row["kind"]][row["verdict"]] += 1
    lines += [f"{kind}: {dict(names)}" for kind, names in wrong.items()]
    lines.append(f"Assessment: median {frame['seconds'].median():.1f} s an exchanger.")
    return "\n".join(lines)


def main() -> None:
    """Run the fleet and print the report, with progress on the way."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--count", type=int, default=5, help="exchangers of each kind")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    seeds = range(options.first_seed, options.first_seed + options.count)
    tasks = [(kind, seed) for kind in KINDS for seed in seeds]
    rows = []
    with ProcessPoolExecutor(options.workers) as pool:
        for row in pool.map(judge, *zip(*tasks, strict=True)):
            rows.append(row)
            told = "right" if row["right"] else "NOT RIGHT"
            print(
                f"{len(rows)}/{len(tasks)} {row['kind']} {row['seed']}: {row['verdict']}, {told}",
                flush=True,
            )
    print(report(rows))


if __name__ == "__main__":
    main()
