"""The two real substations as trend frames; source and licence: ``data/README.md``."""

from functools import cache
from pathlib import Path

import pandas as pd

DATA = Path(__file__).parent / "data"
NUMBERS = (4, 17)
COLUMNS = {
    "t_amb": ("outdoor_temperature", 1.0),
    "t_ref": ("secondary_supply_set_point", 1.0),
    "t_sup_prim": ("primary_supply_temperature", 1.0),
    "t_ret_prim": ("primary_return_temperature", 1.0),
    "t_sup_sec": ("secondary_supply_temperature", 1.0),
    "t_ret_sec": ("secondary_return_temperature", 1.0),
    "e": ("heat_energy", 3.6e9),
    "pe": ("heat_power", 1e3),
}


@cache
def substation(number: int) -> pd.DataFrame:
    """Return the whole record; stamps of the hour that clocks repeat or leave out are dropped."""
    table = pd.read_csv(DATA / f"substation-{number}-hourly.csv.gz", parse_dates=["datetime"])
    table = table.drop_duplicates("datetime")
    local = pd.DatetimeIndex(table.pop("datetime"))
    index = local.tz_localize("Europe/Belgrade", ambiguous="NaT", nonexistent="NaT")
    frame = pd.DataFrame(
        {role: table[name].to_numpy() * factor for name, (role, factor) in COLUMNS.items()},
        index=index.tz_convert("UTC").rename("time_utc"),
    )
    return frame[frame.index.notna()].sort_index()
