"""First-order lags of changing time constant, and cooling of standing water, without loops over time."""

import numpy as np

from demo_data.simulator.water import Array

_ROUNDS = 40


def first_order(x: Array, time_constant_s: Array | float, step_s: float) -> Array:
    """Return ``x`` behind a first-order lag; ``x`` runs straight between its instants.

    A stretch of NaN is left out, and the lag starts at rest after it.
    """
    tau = np.maximum(np.broadcast_to(time_constant_s, x.shape), 1e-3)
    a = np.exp(-step_s / tau)
    with np.errstate(invalid="ignore"):
        # exact for a ramp over the step
        b = 1.0 - tau / step_s * (1.0 - a)
        before = np.concatenate([x[:1], x[:-1]])
        before = np.where(np.isfinite(before), before, x)
        drive = (1.0 - a - b) * before + b * x
        y = x.copy()
        for _ in range(_ROUNDS):  # each round reaches one step further back
            previous = np.concatenate([y[:1], y[:-1]])
            renewed = a * np.where(np.isfinite(previous), previous, x) + drive
            change = np.nanmax(np.abs(renewed - y)) if y.size else 0.0
            y = renewed
            if not change > 1e-6:
                break
    return y


def relaxed(
    x: Array, running: np.ndarray, rest: Array, time_constant_hours: float, step_hours: float
) -> Array:
    """Return ``x`` while running, else an exponential from its last value towards ``rest``."""
    at = np.arange(x.size)
    last = np.maximum.accumulate(np.where(running, at, -1))
    hours = (at - last) * step_hours
    begun = last >= 0
    from_value = np.where(begun, x[np.maximum(last, 0)], rest)
    gone = np.where(begun, np.exp(-hours / time_constant_hours), 0.0)
    return np.where(running, x, rest + (from_value - rest) * gone)
