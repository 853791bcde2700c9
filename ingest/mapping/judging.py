"""Doubts about a mapping that is registered: roles mixed up, or a unit that cannot be.

A doubt names the one change that would put the physics right. It takes much to raise one: instruments
that disagree, meters that read a seventh too much and fouled plates are the account's business.
"""

from collections.abc import Iterator, Mapping
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analytics.vocabulary.quantities import ROLES
from analytics.vocabulary.units import convert
from ingest.mapping.hours import common_hours
from ingest.mapping.scoring import FLOWS, MAIN, POWER, balance_penalty, order_penalty, relations

Array = NDArray[np.float64]

# Nats by which the physics must offend, and by which one change must mend it, before it is said.
_OFFENDS = 8.0
_MENDED_BY = 8.0
_FAR_OFF = 40.0  # of a mapping in which a stream is none at all
_NOTHING_MENDS = (
    "as registered, the four temperatures and the meters contradict the flow of heat in most hours, "
    "and no single swap or unit puts it right. Check [exchanger.points]."
)
_UNITS = {
    "m**3/s": ("m3/h", "l/s", "l/min", "l/h", "gpm", "m3/s"),
    "W": ("W", "kW", "MW", "kBtu/h"),
}


def doubts(trends: pd.DataFrame, names: Mapping[str, str]) -> list[str]:
    """Return what is doubtful about the mapping of one exchanger, in sentences.

    Parameters
    ----------
    trends : DataFrame
        Its readings, a column a role, in SI units.
    names : mapping
        Role to the heading that is registered for it.
    """
    if not set(MAIN) <= set(trends.columns):
        return []
    used = [r for r in (*MAIN, *FLOWS, POWER) if r in trends.columns]
    hours = common_hours({r: trends[r] for r in used})
    values = {r: hours[r].to_numpy(dtype=float) for r in used if r in hours}
    if len(values) < len(used) or not _enough(values):
        return []
    orders: dict[tuple[int, ...], _Ordered] = {}
    now = _penalty(values, orders)
    if now < _OFFENDS:
        return []
    mended = sorted(
        ((_penalty(v, orders), text) for text, v in _changes(values, names)), key=lambda c: c[0]
    )
    if mended and mended[0][0] <= now - _MENDED_BY:
        least = mended[0][0]
        # of several changes that mend it equally well none is preferred
        texts = [text for penalty, text in mended if penalty <= least + 3.0]
        return [_sentence(texts)]
    if now >= _FAR_OFF:
        return [_NOTHING_MENDS]
    return []


def _enough(values: Mapping[str, Array]) -> bool:
    four = np.vstack([values[r] for r in MAIN])
    spread = np.nanmax(four, axis=0, initial=-np.inf) - np.nanmin(four, axis=0, initial=np.inf)
    return int(np.count_nonzero(np.isfinite(four).all(axis=0) & (spread > 8.0))) >= 24


# four arrays, held along so that no others can get their numbers; what they say by themselves
_Ordered = tuple[tuple[Array, ...], tuple[float, NDArray[np.bool_]]]


def _penalty(values: Mapping[str, Array], orders: dict[tuple[int, ...], _Ordered]) -> float:
    """Return the penalty of a mapping; ``orders`` keeps what its four temperatures alone say.

    Most changes leave them as they are, the very same arrays.
    """
    four = tuple(values[r] for r in MAIN)
    key = tuple(map(id, four))
    if key not in orders:
        orders[key] = (four, order_penalty(dict(zip(MAIN, four, strict=True))))
    order, running = orders[key][1]
    if not np.isfinite(order):
        return 2.0 * _FAR_OFF
    other = {r: values[r] for r in (*FLOWS, POWER) if r in values}
    factors = {r: {"": (1.0, 0.0)} for r in other}
    balance, _ = balance_penalty(relations(values, other, running), factors)
    return order + balance


def _changes(
    values: Mapping[str, Array], names: Mapping[str, str]
) -> Iterator[tuple[str, dict[str, Array]]]:
    """Yield every single change of the mapping in words, with the values it leads to."""
    for group in (MAIN, FLOWS):
        for first, second in combinations([r for r in group if r in values], 2):
            text = (
                f"{names.get(first, first)!r} and {names.get(second, second)!r} swapped "
                f"({ROLES[first].label} and {ROLES[second].label})"
            )
            yield text, {**values, first: values[second], second: values[first]}
    if all(r in values for r in FLOWS):
        # both points of a side taken for the other's
        pairs = dict(zip((MAIN[0], MAIN[1], FLOWS[0]), (MAIN[2], MAIN[3], FLOWS[1]), strict=True))
        both = {**pairs, **{b: a for a, b in pairs.items()}}
        yield "primary and secondary side swapped", {r: values[both.get(r, r)] for r in values}
    for role in (*FLOWS, POWER):
        if role not in values:
            continue
        units = _UNITS[ROLES[role].unit]
        factors = {(a, b): float(convert(1.0, a, b)) for a in units for b in units if a != b}
        for factor in sorted({round(f, 9) for f in factors.values()}):
            a, b = next(k for k, f in factors.items() if round(f, 9) == factor)
            text = f"{names.get(role, role)!r} in another unit: its values fit {a} where they are read as {b}"
            yield text, {**values, role: values[role] * factor}
    for role in MAIN:
        text = f"{names.get(role, role)!r} logged in degF where it is read as degC"
        yield text, {**values, role: np.asarray(convert(values[role], "degF", "degC"))}
        text = f"{names.get(role, role)!r} logged in degC where it is read as degF"
        yield text, {**values, role: np.asarray(convert(values[role], "degC", "degF"))}
    all_degC = {r: np.asarray(convert(values[r], "degF", "degC")) for r in MAIN}
    yield "all four temperatures logged in degF where they are read as degC", {**values, **all_degC}


def _sentence(texts: list[str]) -> str:
    changes = "; or ".join(dict.fromkeys(texts))
    return (
        f"as registered, the readings contradict the flow of heat. One change puts it right: {changes}. "
        "Correct [exchanger.points], or accept it as it is (--accept, or the tick on the Import page)."
    )
