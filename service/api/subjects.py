"""What the requests of the API are about, in the order in which the description tells of them."""

from typing import Any

ANSWERS = "Answers"
SERIES = "Series"
ALERTS = "Alerts"
LOG = "Maintenance log"
INTAKE = "Readings in"
PLANT = "Plant"

SUBJECTS: tuple[tuple[str, str], ...] = (
    (ANSWERS, "How exchangers stand: verdict, cause, cost, forecast, document."),
    (SERIES, "Tables over time, by columns, in SI units and UTC."),
    (ALERTS, "What waits for a person, and to say that somebody has seen it."),
    (LOG, "What was done to the exchangers, and entries that seem to be missing."),
    (INTAKE, "Trend files and pushed samples."),
    (PLANT, "What the register says."),
)


def openapi_tags() -> list[dict[str, Any]]:
    """Return the subjects as an OpenAPI description has them."""
    return [{"name": name, "description": text} for name, text in SUBJECTS]
