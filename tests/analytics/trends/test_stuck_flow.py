"""A meter that repeats one flow; and which instruments a single meter lets be named."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from analytics.trends.account import accusable
from analytics.trends.quality import sample_reasons
from analytics.vocabulary.quantities import REASON_BITS, TEMPERATURES
from analytics.vocabulary.records import Instrumentation

FLAT = REASON_BITS["flat_lined"]
QUARTERS = 4 * 24 * 3


def frame(role, flow):
    index = pd.date_range("2025-11-03", periods=QUARTERS, freq="15min", tz="UTC", name="time_utc")
    swing = 4 * np.sin(np.arange(QUARTERS) * 2 * np.pi / 96)
    columns = {r: m + swing for r, m in zip(TEMPERATURES, (85.0, 47.0, 60.0, 43.0), strict=True)}
    return pd.DataFrame({**columns, role: flow}, index=index)


@pytest.mark.parametrize("role", ["primary_flow", "heat_power"])
def test_a_stuck_meter_is_flat_lined_after_half_a_day(role):
    flow = 1e-3 * (2 + np.arange(QUARTERS) % 5)
    flow[100:] = flow[100]
    bits = sample_reasons(frame(role, flow))[role].to_numpy() & FLAT
    assert np.flatnonzero(bits).tolist() == list(range(100 + 48, QUARTERS))


@pytest.mark.parametrize(("role", "flow"), [("primary_flow", 0.0), ("secondary_flow", 4e-3)])
def test_a_shut_valve_and_a_steady_pump_are_not(role, flow):
    assert not sample_reasons(frame(role, flow))[role].any()


@pytest.mark.parametrize(
    ("kind", "named"),
    [
        (Instrumentation.BOTH_FLOWS, (0, 1, 2, 3, 4, 5)),
        (Instrumentation.PRIMARY_FLOW, (0, 1, 3)),
        (Instrumentation.PRIMARY_POWER, (0, 1, 3)),
        (Instrumentation.SECONDARY_FLOW, (1, 2, 3)),
        (Instrumentation.TEMPERATURES_ONLY, (0, 1, 2, 3)),
    ],
)
def test_what_only_sets_an_unmeasured_flow_is_not_named(kind, named):
    """Primary supply 0, primary return 1, secondary supply 2, secondary return 3, meters 4 and 5."""
    assert accusable(SimpleNamespace(instrumentation=kind)) == named
