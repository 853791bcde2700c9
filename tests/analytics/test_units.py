"""Units as people and damaged files write them: known, or refused in a sentence."""

import pytest

from analytics.vocabulary.errors import UnitError
from analytics.vocabulary.units import parse_unit


@pytest.mark.parametrize("text", ["m3/0", "kW/0", "m3/(0)", "furlong per", "((("])
def test_what_is_no_unit_is_refused_in_a_sentence(text):
    """A division by nought in a damaged unit row once ended a reading with a traceback."""
    with pytest.raises(UnitError, match="is not known"):
        parse_unit(text)
