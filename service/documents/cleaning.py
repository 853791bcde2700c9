"""The cleaning document as PDF: page 1 to be signed, page 2 for the plant room.

For any other verdict page 1 is a report that says why a visit is not recommended. The setter uses
only the fonts that ship with it, so that the pages look alike on every machine and need no network.
"""

import json
from collections.abc import Sequence
from datetime import datetime
from importlib.resources import files

import typst

from analytics.vocabulary.records import Evaluation, Exchanger, MaintenanceEvent
from service.documents.contents import page_one, page_two
from service.documents.print_style import FONT
from service.register.fitted import as_fitted
from service.register.plant import Plant


def cleaning_document(
    plant: Plant,
    exchanger: Exchanger,
    evaluation: Evaluation,
    events: Sequence[MaintenanceEvent],
    made_utc: datetime,
) -> bytes:
    """Return the two pages of one exchanger as PDF.

    Parameters
    ----------
    plant, exchanger : Plant, Exchanger
        As registered.
    evaluation : Evaluation
        What the pages report.
    events : sequence of MaintenanceEvent
        The exchanger's log; it numbers the document and stands in the chart.
    made_utc : datetime
        The date on the pages.

    Returns
    -------
    pdf : bytes
        Exactly two A4 pages.
    """
    own = [e for e in events if e.tag == exchanger.tag]
    said = {
        "font": FONT,
        "one": page_one(plant, exchanger, evaluation, own, made_utc),
        "two": page_two(plant, as_fitted(exchanger, own, made_utc), evaluation),
    }
    source = (files("service.documents") / "cleaning.typ").read_bytes()
    data: bytes = typst.compile(
        source, ignore_system_fonts=True, sys_inputs={"said": json.dumps(said)}, format="pdf"
    )
    return data
