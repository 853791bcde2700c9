"""Engineering units of BACnet to units of the project.

Names and numbers are those of BACnetEngineeringUnits (ASHRAE 135, clause 21); numbers were compared
with two independent libraries that carry the enumeration.
"""

import re

from analytics.vocabulary.errors import UnitError

# number in the enumeration, name, unit
_ENUMERATION: tuple[tuple[int, str, str], ...] = (
    (16, "joules", "J"), (17, "kilojoules", "kJ"), (126, "megajoules", "MJ"),
    (18, "watt-hours", "Wh"), (19, "kilowatt-hours", "kWh"), (146, "megawatt-hours", "MWh"),
    (20, "btus", "Btu"), (21, "therms", "therm"),
    (42, "kilograms-per-second", "kg/s"), (44, "kilograms-per-hour", "kg/hour"),
    (47, "watts", "W"), (48, "kilowatts", "kW"), (49, "megawatts", "MW"),
    (50, "btus-per-hour", "Btu/h"), (157, "kilo-btus-per-hour", "kBtu/h"),
    (52, "tons-refrigeration", "refrigeration_ton"),
    (53, "pascals", "Pa"), (54, "kilopascals", "kPa"), (55, "bars", "bar"),
    (134, "millibars", "mbar"), (133, "hectopascals", "hPa"),
    (56, "pounds-force-per-square-inch", "psi"),
    (206, "millimeters-of-water", "mmH2O"), (57, "centimeters-of-water", "cmH2O"),
    (58, "inches-of-water", "inH2O"),
    (62, "degrees-celsius", "degC"), (63, "degrees-kelvin", "K"),
    (64, "degrees-fahrenheit", "degF"),
    (80, "cubic-meters", "m3"), (82, "liters", "l"),
    (85, "cubic-meters-per-second", "m3/s"), (165, "cubic-meters-per-minute", "m**3/minute"),
    (135, "cubic-meters-per-hour", "m3/h"),
    (86, "imperial-gallons-per-minute", "imperial_gallon/minute"),
    (87, "liters-per-second", "l/s"), (88, "liters-per-minute", "l/min"),
    (136, "liters-per-hour", "l/h"), (89, "us-gallons-per-minute", "gpm"),
    (95, "no-units", "1"), (98, "percent", "%"),
)  # fmt: skip
_BY_NUMBER = {number: unit for number, _, unit in _ENUMERATION}
_BY_NAME = {name.replace("-", ""): unit for _, name, unit in _ENUMERATION}


def unit_of_name(text: str) -> str:
    """Return the project's unit for a name of the enumeration (any case or joining) or its number.

    Raises
    ------
    UnitError
        If the standard's list, as far as heat and water need it, does not hold it.
    """
    spelled = text.strip()
    if spelled.isdigit():
        unit = _BY_NUMBER.get(int(spelled))
    else:
        unit = _BY_NAME.get(re.sub(r"[-_\s]", "", spelled).lower())
    if unit is None:
        raise UnitError(
            f"engineering units {text!r} of BACnet are not known here. Write a unit of temperature, "
            "flow, power, energy, volume or pressure by its name in the standard, as in "
            "degrees-celsius or cubic-meters-per-hour."
        )
    return unit
