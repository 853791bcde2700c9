"""An outdoor thermometer by its readings, where its name says nothing: colder than any pipe, and it swings.

Nothing but the season's cold tells it from a room or a pipe, so that a summer export proposes none.
What is proposed is asked, never taken.
"""

import numpy as np
import pandas as pd

ROLE = "outdoor_temperature"
CHANCE = 0.5  # a person has to confirm it
_LOW, _HIGH = -35.0, 42.0  # degC, beyond which no weather of a heated place is
_COLD = (
    12.0  # degC: the coldest tenth lies below; no room and no supply or return of a heating does
)
_SWING_K = 4.0  # between the fifth and the ninety-fifth percentile; a cellar swings less
_LEAST_DAYS = 2.0


def looks_like_weather(values: pd.Series) -> str:
    """Return why readings may be those of an outdoor thermometer; empty: they are not, or cannot tell.

    Parameters
    ----------
    values : Series
        Readings in degC by UTC stamp, NaN left out.
    """
    if len(values) < 24 or values.index[-1] - values.index[0] < pd.Timedelta(days=_LEAST_DAYS):
        return ""
    usual = values.to_numpy(dtype=float)
    low, cold, warm, high = np.quantile(usual, [0.005, 0.1, 0.9, 0.995])
    swings = np.quantile(usual, 0.95) - np.quantile(usual, 0.05)
    inside = low >= _LOW and high <= _HIGH
    if not inside or cold >= _COLD or swings < _SWING_K or not _varies(usual):
        return ""
    return (
        f"its readings look like the weather's: four in five lie between {cold:.0f} and {warm:.0f} degC, colder "
        "than heating water, and they swing"
    )


def _varies(usual: np.ndarray) -> bool:
    """Tell readings that move from the few levels of a switch, a step or a counter."""
    return len(np.unique(np.round(usual, 1))) > 20 and float(np.std(np.diff(usual))) < 5.0
