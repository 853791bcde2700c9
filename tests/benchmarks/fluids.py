"""How closely the curves of the liquids follow the property library, and how much faster they are.

    python -m tests.benchmarks.fluids [--samples 200000]

Prints, for each liquid, the largest relative error of each property over its range against the library
asked directly, and the time a sample takes: the library once per sample, the library with whole arrays,
the curves.
"""

import argparse
from collections.abc import Callable
from time import perf_counter

import CoolProp.CoolProp as library
import numpy as np
from numpy.typing import NDArray

from analytics.physics.fluids import fluid_properties
from analytics.vocabulary.records import Fluid

Array = NDArray[np.float64]
PRESSURE_Pa = 6e5
LIQUIDS = (
    ("water", Fluid(), "IF97::Water"),
    ("ethylene glycol 30 % by mass", Fluid(kind="ethylene glycol", fraction=0.3), "INCOMP::MEG[0.3]"),
    ("ethylene glycol 30 % by volume",
     Fluid(kind="ethylene glycol", fraction=0.3, basis="volume"), "INCOMP::AEG[0.3]"),
    ("propylene glycol 40 % by mass", Fluid(kind="propylene glycol", fraction=0.4), "INCOMP::MPG[0.4]"),
    ("propylene glycol 40 % by volume",
     Fluid(kind="propylene glycol", fraction=0.4, basis="volume"), "INCOMP::APG[0.4]"),
)  # fmt: skip
PROPERTIES = (
    ("density", "D"), ("enthalpy", "H"), ("heat_capacity", "C"), ("viscosity", "V"), ("conductivity", "L"),
)  # fmt: skip


def ask(quantity: str, t_degC: Array | float, name: str) -> Array | float:
    """Ask the library for one property."""
    return library.PropsSI(quantity, "T", t_degC + 273.15, "P", PRESSURE_Pa, name)  # type: ignore[no-any-return]


def errors(fluid: Fluid, name: str, samples: int = 2000) -> dict[str, float]:
    """Return the largest relative error of each property; of enthalpy that of its differences."""
    curves = fluid_properties(fluid)
    t = np.linspace(max(curves.low_degC, 0.0) + 0.01, curves.high_degC - 0.01, samples)
    found = {}
    for method, quantity in PROPERTIES:
        ours, theirs = getattr(curves, method)(t), np.asarray(ask(quantity, t, name))
        if method == "enthalpy":
            if (
                fluid.kind != "water"
            ):  # the library adds a pressure term that its heat capacity lacks
                nodes, weights = np.polynomial.legendre.leggauss(400)
                middle, half = (t[0] + t[-1]) / 2, (t[-1] - t[0]) / 2
                whole = float(
                    (np.asarray(ask("C", middle + half * nodes, name)) * weights).sum() * half
                )
                found[method] = abs(float(ours[-1] - ours[0]) / whole - 1)
                continue
            ours, theirs = ours[1:] - ours[0], theirs[1:] - theirs[0]
        found[method] = float(np.max(np.abs(ours / theirs - 1)))
    return found


def seconds_each(work: Callable[[], object], samples: int) -> float:
    """Return the best of three, per sample."""
    took = []
    for _ in range(3):
        start = perf_counter()
        work()
        took.append(perf_counter() - start)
    return min(took) / samples


def speeds(fluid: Fluid, name: str, samples: int) -> tuple[float, float, float]:
    """Return seconds a sample: library one by one, library by arrays, curves."""
    curves = fluid_properties(fluid)
    t = np.linspace(5.0, 95.0, samples)
    few = t[:: max(samples // 2000, 1)]
    return (
        seconds_each(lambda: [ask("D", float(one), name) for one in few], len(few)),
        seconds_each(lambda: ask("D", t, name), samples),
        seconds_each(lambda: curves.density(t), samples),
    )


def main() -> None:
    """Print the two tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=200_000)
    samples = parser.parse_args().samples
    print(f"{'largest relative error':32}" + "".join(f"{method:>15}" for method, _ in PROPERTIES))
    for label, fluid, name in LIQUIDS:
        row = errors(fluid, name)
        print(f"{label:32}" + "".join(f"{row[method]:15.1e}" for method, _ in PROPERTIES))
    print(
        f"\n{'density, microseconds a sample':32}{'one by one':>15}{'arrays':>15}{'curves':>15}{'ratio':>15}"
    )
    for label, fluid, name in LIQUIDS:
        one, many, ours = speeds(fluid, name, samples)
        print(f"{label:32}{one * 1e6:15.3f}{many * 1e6:15.3f}{ours * 1e6:15.4f}{one / ours:15.0f}")


if __name__ == "__main__":
    main()
