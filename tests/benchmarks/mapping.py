"""How often the mapping proposed for an unknown export is right, asked, or wrong.

    python -m tests.benchmarks.mapping --first-seed 100 --count 60

Each plant is simulated for three weeks of a heating season and exported with names that help, say
nothing, or lie, and with units or without. Right: all points that are stated are stated rightly, the
four temperatures among them. Asked: a temperature is asked. Wrong: a point is stated wrongly.
"""

import argparse
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd

from analytics.vocabulary.quantities import ROLES
from analytics.vocabulary.units import convert
from demo_data.simulator import Logger, random_scenario, simulate
from demo_data.simulator.scenario import TEMPERATURES
from ingest.guessing import guess_role
from ingest.mapping.proposing import Candidate, propose

NAMES = {
    "primary_supply_temperature": ("PRI FLW T", "Primär VL", "départ primaire T", "prim framledning temp"),
    "primary_return_temperature": ("PRI RTN T", "Primär RL", "retour primaire T", "prim retur temp"),
    "secondary_supply_temperature": ("SEC FLW T", "Sekundär VL", "départ secondaire T", "sek framledning temp"),
    "secondary_return_temperature": ("SEC RTN T", "Sekundär RL", "retour secondaire T", "sek retur temp"),
    "primary_flow": ("PRI FLOW", "Durchfluss primär", "débit primaire", "primär flöde"),
    "secondary_flow": ("SEC FLOW", "Durchfluss sekundär", "débit secondaire", "sekundär flöde"),
    "heat_power": ("HM POWER", "Leistung", "puissance", "effekt"),
    "outdoor_temperature": ("OAT", "Außentemperatur", "T extérieure", "utetemp"),
    "secondary_supply_set_point": ("SEC FLW T SP", "Sekundär VL Sollwert", "consigne départ secondaire T", "sek framledning börvärde"),
    "valve_position": ("VALVE", "Ventilstellung", "vanne", "ventil"),
}  # fmt: skip
INSTRUMENTS = {
    "both flows": ("primary_flow", "secondary_flow"),
    "flow and power": ("primary_flow", "heat_power"),
    "secondary flow and power": ("secondary_flow", "heat_power"),
    "one flow": ("primary_flow",),
    "four temperatures": (),
}
CONTEXT = ("outdoor_temperature", "secondary_supply_set_point", "valve_position")
UNITS = {
    "degC": ("degC", "degF"),
    "m**3/s": ("m3/h", "l/s", "l/min"),
    "W": ("kW", "W", "MW"),
    "": ("%",),
}
START = datetime(2025, 11, 3, tzinfo=UTC)


def plant(seed: int, instruments: str, names: str, with_units: bool):
    """Return the truth by heading, and the candidates of an export."""
    rng = np.random.default_rng(seed)
    scenario = random_scenario(rng, fault=None)
    context = tuple(c for c in CONTEXT if rng.random() < 0.6)
    logger = Logger(roles=(*TEMPERATURES, *INSTRUMENTS[instruments], *context), interval_minutes=15)
    scenario = replace(scenario, step_minutes=15, logger=logger)
    logged = simulate(scenario, START, START + timedelta(days=21)).logged
    roles = [str(r) for r in rng.permutation(list(logged.columns))]
    language = int(rng.integers(4))
    headings = {r: NAMES[r][language] for r in roles}
    if names == "nothing":
        headings = {r: f"AI-{100 + n}" for n, r in enumerate(roles)}
    elif names == "lies":
        first, second = rng.choice(
            [("primary_return_temperature", "secondary_return_temperature"),
             ("primary_supply_temperature", "primary_return_temperature"),
             ("secondary_supply_temperature", "secondary_return_temperature"),
             ("primary_return_temperature", "secondary_supply_temperature")]
        )  # fmt: skip
        headings[first], headings[second] = headings[second], headings[first]
    hot = "degF" if rng.random() < 0.15 else "degC"
    unit_of = {
        r: hot if ROLES[r].unit == "degC" else str(rng.choice(UNITS[ROLES[r].unit])) for r in roles
    }
    candidates = []
    for role in roles:
        values = pd.Series(
            convert(logged[role].to_numpy(), ROLES[role].unit, unit_of[role]), index=logged.index
        )
        unit = unit_of[role] if with_units else None
        candidates.append(
            Candidate(
                heading=headings[role],
                values=values,
                unit=unit,
                guess=guess_role(headings[role], unit),
            )
        )
    return {headings[r]: (r, unit_of[r]) for r in roles}, candidates


def judge(truth, proposals):
    """Return the verdict on one proposal, and what was stated wrongly."""
    wrong = [p for p in proposals if p.sure and truth[p.heading][0] != p.role]
    wrong += [p for p in proposals if p.unit_sure and truth[p.heading][0] == p.role
              and not np.isclose(convert(1.0, p.unit, ROLES[p.role].unit), convert(1.0, truth[p.heading][1], ROLES[p.role].unit))]  # fmt: skip
    if wrong:
        return "wrong", wrong
    stated = {p.role for p in proposals if p.sure}
    if set(TEMPERATURES) <= stated:
        return "right", []
    proposed = {p.role for p in proposals if truth[p.heading][0] == p.role}
    return ("asked, proposed rightly" if set(TEMPERATURES) <= proposed else "asked"), []


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first-seed", type=int, default=100)
    parser.add_argument("--count", type=int, default=20)
    given = parser.parse_args()
    table: dict[tuple[str, str, str], Counter[str]] = {}
    for seed in range(given.first_seed, given.first_seed + given.count):
        for n, names in enumerate(("help", "nothing", "lies")):
            instruments = list(INSTRUMENTS)[(seed + n) % len(INSTRUMENTS)]
            with_units = bool((seed // 5 + n) % 2)
            truth, candidates = plant(seed, instruments, names, with_units)
            verdict, wrong = judge(truth, propose(candidates))
            key = (names, instruments, "units" if with_units else "no units")
            table.setdefault(key, Counter())[verdict] += 1
            for p in wrong:
                print("WRONG", seed, key, p, truth[p.heading])
    total: Counter[str] = Counter()
    for key in sorted(table):
        total += table[key]
        print(f"{'; '.join(key):50s}", dict(table[key]))
    print("all", dict(total))


if __name__ == "__main__":
    main()
