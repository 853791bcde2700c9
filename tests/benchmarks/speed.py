"""Seconds from file to verdict: a simulated exchanger-year of 15-minute trends, best of three.

python -m tests.benchmarks.speed
"""

import dataclasses
import io
import time
from collections.abc import Callable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from analytics.evaluation import evaluate
from demo_data.simulator import random_scenario, simulate
from ingest.pipeline import read_trends
from ingest.point_map import Point, PointMap
from ingest.rules import Rules
from tests.benchmarks.judging import exchanger_of

SI_UNITS = {"primary_flow": "m3/s", "secondary_flow": "m3/s", "valve_position": "1"}


def best_of_three(call: Callable[[], object]) -> float:
    """Return the least wall-clock seconds of three calls."""
    seconds = []
    for _ in range(3):
        began = time.perf_counter()
        call()
        seconds.append(time.perf_counter() - began)
    return min(seconds)


def main() -> None:
    """Time reading and assessing one exchanger-year."""
    scenario = random_scenario(np.random.default_rng(1), fault="deposit")
    scenario = dataclasses.replace(scenario, step_minutes=15)
    logged = simulate(
        scenario, datetime(2025, 9, 1, tzinfo=UTC), datetime(2026, 9, 1, tzinfo=UTC)
    ).logged
    logged = logged.drop(columns=[c for c in logged.columns if "pressure" in c])
    text = io.StringIO()
    logged.to_csv(text, date_format="%Y-%m-%dT%H:%M:%SZ")
    data = text.getvalue().encode()
    points = tuple(
        Point(name=c, tag="HX", role=c, unit=SI_UNITS.get(c, "degC")) for c in logged.columns
    )
    rules = Rules(zone=ZoneInfo("UTC"), points=PointMap(points), tags=("HX",))
    reading = best_of_three(lambda: read_trends(data, "year.csv", rules))
    frame = read_trends(data, "year.csv", rules).blocks["HX"]
    exchanger = exchanger_of(scenario)
    assessing = best_of_three(lambda: evaluate(exchanger, frame, ()))
    print(f"{len(frame):,} rows: read in {reading:.2f} s, assessed in {assessing:.2f} s")


if __name__ == "__main__":
    main()
