"""What a heading that nobody registered probably means, from the words of the trade.

A guess is shown, never used: it fills the proposal for the register that a person pastes and
checks. Words are English, German, French and Scandinavian, as building-management systems have them.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analytics.vocabulary.errors import UnitError
from analytics.vocabulary.quantities import ROLES
from analytics.vocabulary.units import convert, is_unit

_PRIMARY = {"pri", "prim", "primary", "primaer", "primär", "primaire", "primær", "dh", "fw", "fv",
            "network", "netz", "reseau", "réseau", "hws1", "boiler", "kessel", "netside"}  # fmt: skip
_SECONDARY = {"sec", "sek", "secondary", "sekundaer", "sekundär", "secondaire", "sekundær",
              "building", "gebäude", "gebaeude", "bldg", "heating", "hk", "heizkreis", "vvx"}  # fmt: skip
_SUPPLY = {"sup", "supply", "vl", "vorlauf", "flw", "fwd", "forward", "depart", "départ", "aller",
           "fram", "framledning", "frem", "fremløb", "tur", "turledning", "lwt", "tvl"}  # fmt: skip
_RETURN = {"ret", "rtn", "return", "rl", "rücklauf", "ruecklauf", "rucklauf", "retour", "retur",
           "returledning", "returløb", "trl", "ewt"}  # fmt: skip
_TEMPERATURE = {"t", "temp", "temperature", "temperatur", "température", "tmp", "te", "tt"}
_FLOW = {"flow", "flowrate", "durchfluss", "volumenstrom", "debit", "débit", "flöde", "flow_rate",
         "gennemstrømning", "vdot", "ft", "volumeflow"}  # fmt: skip
_POWER = {"power", "leistung", "puissance", "effekt", "kw", "pe", "heatpower", "load", "last"}
_ENERGY = {"energy", "energie", "wärmemenge", "waermemenge", "énergie", "energi", "kwh", "mwh", "e"}
_VOLUME = {"volume", "volumen", "vol", "volym"}
_OUTDOOR = {"oat", "outdoor", "outside", "ambient", "amb", "aussen", "außen", "aussentemperatur",
            "außentemperatur", "extérieure", "exterieure", "ute", "utetemp", "at", "oa", "ude",
            "utomhus", "external", "ext"}  # fmt: skip
_SET_POINT = {"sp", "set", "setpoint", "stp", "sollwert", "soll", "consigne", "börvärde", "setpunkt",
              "ref", "spt", "calculated"}  # fmt: skip
_VALVE = {"valve", "vlv", "ventil", "vanne", "cv", "ventilstellung", "position", "opening"}
_PUMP = {"pump", "pumpe", "pompe", "circulator", "pmp"}
_PRESSURE = {"dp", "pd", "differential", "pressuredrop", "druckverlust", "druckdifferenz", "δp"}
_GLUED = re.compile(r"^(t|temp)(sup|vl|ret|rl|amb)$")
_SPLIT = re.compile(r"[^0-9a-zà-öø-ÿδ]+|(?<=[a-zà-öø-ÿ])(?=\d)")


@dataclass(frozen=True, slots=True)
class Guess:
    """A probable role; ``chance`` from 0 to 1, ``why`` in words; ``tag`` where the name hints at one."""

    role: str
    tag: str | None
    chance: float
    why: str
    unit: str | None = None  # in which it seems to be logged, where the values told
    unit_sure: bool = False
    settled: bool = False  # the flow of heat bears it out; a name alone settles nothing
    rival: str | None = None  # the heading that may be this role as well

    def to_dict(self) -> dict[str, Any]:
        """Return plain values, fit for JSON."""
        return {name: getattr(self, name) for name in self.__slots__}


def _words(heading: str) -> list[str]:
    spaced = re.sub(r"(?<=[a-zà-öø-ÿ])(?=[A-ZÄÖÜ])", " ", heading)
    words = [w for w in _SPLIT.split(spaced.casefold().replace("_", " ")) if w]
    glued = [m for w in words if (m := _GLUED.match(w))]
    return words + [part for match in glued for part in match.groups()]


def _hit(words: Sequence[str], wanted: set[str]) -> str | None:
    """Return the word of ``words`` that is, or for long words contains, one of ``wanted``."""
    for word in words:
        if word in wanted or any(len(w) >= 5 and w in word for w in wanted):
            return word
    return None


def _fits(role: str, unit: str | None) -> bool | None:
    """Tell whether the unit measures what the role is; ``None``: no unit given."""
    if not unit or not is_unit(unit):
        return None
    try:
        convert(1.0, unit, ROLES[role].unit)
    except UnitError:
        return False
    return True


def tag_in(heading: str) -> str | None:
    """Return the exchanger that a heading names, as in "HX-03"; ``None``: it names none."""
    match = re.search(
        r"(?i)\b(hx|phe|pwt|wt|vvx|wü|hex)[ ._-]?0*(\d{1,3})\b", heading.replace("_", " ")
    )
    return f"{match[1].upper()}-{int(match[2]):02d}" if match else None


def _by_words(words: Sequence[str], unit: str | None) -> tuple[str, list[str], float] | None:
    """Return role, the words that spoke for it, and how sure that is."""
    hit = {
        name: _hit(words, wanted)
        for name, wanted in (
            ("primary", _PRIMARY), ("secondary", _SECONDARY), ("supply", _SUPPLY),
            ("return", _RETURN), ("temperature", _TEMPERATURE), ("flow", _FLOW),
            ("power", _POWER), ("energy", _ENERGY), ("volume", _VOLUME), ("outdoor", _OUTDOOR),
            ("set point", _SET_POINT), ("valve", _VALVE), ("pump", _PUMP), ("pressure", _PRESSURE),
        )
    }  # fmt: skip
    seen = [f"{word!r} for {name}" for name, word in hit.items() if word]
    side = "secondary" if hit["secondary"] and not hit["primary"] else "primary"
    sure_side = 1.0 if hit["primary"] or hit["secondary"] else 0.5
    thermal = hit["temperature"] or _fits("outdoor_temperature", unit)
    if hit["outdoor"]:
        return "outdoor_temperature", seen, 0.9
    if hit["pump"]:
        return "pump_running", seen, 0.8
    if hit["valve"]:
        return "valve_position", seen, 0.8
    if hit["pressure"] and _fits("primary_pressure_drop", unit) is not False:
        return f"{side}_pressure_drop", seen, 0.8 * sure_side
    if hit["set point"] and _fits("outdoor_temperature", unit) is not False:
        return "secondary_supply_set_point", seen, 0.7
    # "FLW T" and "FLOW TEMP" are the supply's temperature, "FLOW" alone is a volume flow
    warm_flow = hit["flow"] and hit["temperature"] and _fits("primary_flow", unit) is not True
    leg = "return" if hit["return"] else "supply" if hit["supply"] or warm_flow else None
    if leg and _fits("primary_flow", unit) is not True and (thermal or unit is None or not unit):
        return f"{side}_{leg}_temperature", seen, (0.95 if thermal else 0.8) * sure_side
    if hit["flow"]:
        return f"{side}_flow", seen, 0.9 if hit["primary"] or hit["secondary"] else 0.7
    for name in ("power", "energy", "volume"):
        if hit[name] and _fits(f"heat_{name}", unit) is not False:
            return f"heat_{name}", seen, 0.8
    return None


def guess_role(heading: str, unit: str | None = None, sample: Sequence[float] = ()) -> Guess | None:
    """Guess what role a heading stands for.

    Parameters
    ----------
    heading : str
        As it stands in the file.
    unit : str, optional
        The unit that the file names beside it.
    sample : sequence of float
        A few of its values, as in the file; values that the role cannot have lower the chance.

    Returns
    -------
    Guess or None
        ``None`` where no word is known and the unit does not tell either.
    """
    found = _by_words(_words(heading), unit)
    if found is None:
        for role in ("heat_power", "heat_energy", "primary_flow", "heat_volume"):
            if unit and _fits(role, unit):
                found = role, [f"the unit {unit!r}"], 0.4
                break
    if found is None:
        return None
    role, seen, chance = found
    if _fits(role, unit) is False:
        return None
    if _fits(role, unit):
        seen, chance = [*seen, f"unit {unit!r} fits"], min(0.98, chance + 0.05)
    values = np.asarray(sample, dtype=float)
    values = values[np.isfinite(values)]
    if values.size and role.endswith("temperature"):
        low, high = ROLES[role].low, ROLES[role].high
        usual = convert(values, unit, "degC") if unit and _fits(role, unit) else values
        if float(np.mean((usual < low) | (usual > high))) > 0.5:
            seen, chance = [*seen, "but its values are not those of a temperature here"], chance / 3
    return Guess(role, tag_in(heading), round(chance, 2), "; ".join(seen))


_USUAL_UNIT = {
    "degC": "degC", "m**3/s": "m3/h", "Pa": "kPa", "W": "kW", "J": "MWh", "m**3": "m3", "": "%",
}  # fmt: skip


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _unit_of(stated: str | None, guess: Guess) -> str | None:
    return guess.unit or (stated if stated and is_unit(stated) else None)


def propose_points(columns: Iterable[tuple[str, str | None, Guess | None]]) -> str:
    """Return ``[exchanger.points]`` blocks ready to paste into the register.

    ``columns`` holds heading, unit in the file, and the guess. Where a role has several candidates
    the best stands and the others follow as comments; a unit that the file does not name is the
    usual one and marked for checking.
    """
    by_tag: dict[str | None, list[tuple[str, str | None, Guess]]] = {}
    for heading, unit, guess in columns:
        if guess is not None:
            by_tag.setdefault(guess.tag, []).append((heading, unit, guess))
    # a point without a tag in its name, such as the outdoor temperature, serves all that have one
    shared = by_tag.pop(None, []) if len(by_tag) > 1 else []
    lines: list[str] = []
    for tag, found in by_tag.items():
        lines.append(
            f"[exchanger.points]            # {tag or 'put below the exchanger it belongs to'}"
        )
        taken: set[str] = set()
        for heading, unit, guess in sorted([*found, *shared], key=lambda f: -f[2].chance):
            usual = "1" if guess.role == "pump_running" else _USUAL_UNIT[ROLES[guess.role].unit]
            named = bool(unit and is_unit(unit)) or bool(guess.unit and guess.unit_sure)
            entry = f"{guess.role} = {{ point = {_quoted(heading)}, unit = {_quoted(_unit_of(unit, guess) or usual)} }}"
            doubts = [] if named else ["check the unit"]
            doubts += ["check the role"] if guess.chance < 0.7 else []
            note = f"   # {', '.join(doubts)}" if doubts else ""
            lines.append(f"# or: {entry}" if guess.role in taken else entry + note)
            taken.add(guess.role)
    return "\n".join(lines) + "\n" if lines else ""
