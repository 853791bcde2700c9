"""Steps that come more often than instruments are exchanged."""

import pytest

from analytics.decisions.unlogged import Unlogged, recurring


def step(day, kind="instrument"):
    return Unlogged(
        kind=kind, index=4, day=day, earliest=day, latest=day, known=day + 8, size=0.1, sd=0.01,
        ahead=5.0, before=day - 1,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("days", "often"),
    [
        ((10, 40), 0),
        ((10, 40, 95), 3),
        ((95, 10, 40), 3),
        ((10, 150, 290), 0),
        ((10, 20, 300, 390), 0),
    ],
)
def test_three_within_half_a_year_are_no_exchanges(days, often):
    found = recurring([step(d) for d in days])
    assert len(found) == often
    assert [f.day for f in found] == sorted(f.day for f in found)


def test_visits_to_the_plates_are_no_steps_of_instruments():
    assert not recurring([step(10, "visit"), step(40, "visit"), step(60), step(90)])
