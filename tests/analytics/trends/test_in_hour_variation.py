"""UA of an hour's means is not the mean of the hour's UA: how far apart the limits let them be.

Quasi-steady minutes of a counterflow exchanger whose films follow flow^0.7 are averaged as the hour table
does; the prediction error is then taken at the means, as in the model. Nothing here is fitted.
"""

import numpy as np
import pytest

from analytics.physics.effectiveness import conductance_from_outlets, temperature_effectiveness
from analytics.trends.evidence import STEADY_DEVIATION_K, STEADY_FLOW_DEVIATION

MINUTES, HOURS = 60, 4000
CP_J_kgK = 4180.0
UA_W_K = 40e3
MASS_kg_s = (2.0, 3.0)


def _bias(sd_K, flow_sd, seed=1):
    """Median and spread of UA from hourly means over that at the mean flows, minus one."""
    rng = np.random.default_rng(seed)

    def slow(sd):
        """Variation of periods from half an hour up, of exactly this sd in each hour."""
        phase = rng.uniform(0, 2 * np.pi, (HOURS, 3, 1))
        wave = np.sin(
            2 * np.pi * np.arange(MINUTES) / MINUTES * np.arange(1, 4)[:, None] / 1.5 + phase
        )
        wave = wave.sum(axis=1) + 0.2 * rng.standard_normal((HOURS, MINUTES))
        wave -= wave.mean(axis=1, keepdims=True)
        return sd * wave / wave.std(axis=1, keepdims=True)

    hot, cold = 85.0 + slow(sd_K), 40.0 + slow(sd_K)
    mass = np.stack([MASS_kg_s[0] * (1 + slow(flow_sd)), np.full((HOURS, MINUTES), MASS_kg_s[1])])
    films = [m**0.7 for m in (mass[0] / MASS_kg_s[0], mass[1] / MASS_kg_s[1])]
    UA = UA_W_K * 2 / (1 / films[0] + 1 / films[1])
    C = mass * CP_J_kgK
    given = temperature_effectiveness(UA / C[0], C[0] / C[1], "counterflow") * (hot - cold)
    t = [hot, hot - given, cold, cold + given * C[0] / C[1]]
    means = [x.mean(axis=1) for x in t]
    duty = C[0].mean(axis=1) * (means[0] - means[1])
    seen = conductance_from_outlets(*means, duty, "counterflow")
    return seen / UA_W_K - 1.0  # the model's UA at the mean flows is UA_W_K


def test_bias_at_the_limits_is_below_the_class_of_the_meter():
    """All limits at once; a meter of class 2 (EN 1434) may be off by more. Twice the limit would not do."""
    at_limits = _bias(STEADY_DEVIATION_K[0], STEADY_FLOW_DEVIATION)
    assert np.quantile(np.abs(at_limits), 0.9) < 0.02
    assert np.median(at_limits) == pytest.approx(-1.2 * STEADY_FLOW_DEVIATION**2, rel=0.15)
    assert abs(np.median(_bias(0.0, 2 * STEADY_FLOW_DEVIATION))) > 0.04


def test_bias_is_of_second_order():
    """Half the variation, a quarter of the bias: a mean's error has no term of first order."""
    whole = np.median(_bias(0.0, 0.2))
    half = np.median(_bias(0.0, 0.1))
    assert whole / half == pytest.approx(4.0, rel=0.25)


def test_bias_in_usual_steady_hours_is_small():
    """Nine in ten steady hours of the simulated plants vary by less than 0.3 K and 5 to 7 %."""
    assert abs(np.median(_bias(0.3, 0.05))) < 0.004


def test_steady_temperatures_of_the_inlets_alone_leave_no_bias():
    """At constant flows the outlets are linear in the inlets, so means are as good as moments."""
    assert np.abs(_bias(1.2, 0.0)).max() < 1e-9
