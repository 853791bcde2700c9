"""Supply and return registered the wrong way round."""

import numpy as np
import pandas as pd
import pytest

from analytics.evaluation import evaluate
from analytics.vocabulary.quantities import TEMPERATURES
from analytics.vocabulary.records import Exchanger, Stream, VerdictKind

HOURS = 24 * 60


def trends(swap):
    index = pd.date_range("2025-11-01", periods=HOURS, freq="1h", tz="UTC", name="time_utc")
    swing = np.sin(np.arange(HOURS) * 2 * np.pi / 24)
    frame = pd.DataFrame(
        {r: m + 2 * swing for r, m in zip(TEMPERATURES, (85.0, 47.0, 60.0, 43.0), strict=True)},
        index=index,
    ).assign(primary_flow=2e-3 + 2e-4 * swing)
    swapped = [f"{swap}_supply_temperature", f"{swap}_return_temperature"]
    frame[swapped] = frame[swapped[::-1]].to_numpy()
    return frame


@pytest.mark.parametrize("swap", ["primary", "secondary"])
def test_swapped_points_are_named(swap):
    verdict = evaluate(
        Exchanger(tag="HX", primary=Stream(), secondary=Stream()), trends(swap), ()
    ).verdict
    assert verdict.kind is VerdictKind.CANNOT_TELL
    assert [(r.code, r.words) for r in verdict.reasons] == [
        ("points_swapped", {"role": f"{swap}_supply_temperature"})
    ]
