"""Whatever is done to a file, it is read, or refused with a sentence; nothing else comes out."""

import random

from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.vocabulary.errors import IngestError
from analytics.vocabulary.timebase import check_trends
from ingest.pipeline import examine, read_trends

WIDE = (
    "Report,,\n\nTime,PRI FLW T [degC],HM FLOW,Status\n,degC,m3/h,\n"
    + "".join(f"2025-10-26 0{h}:{m:02d}:00,{60 + m / 7:.2f},{m}.5,OK\n" for h in range(4) for m in range(0, 60, 15))
    + "End of report\n"
)  # fmt: skip
LONG = "Zeit;Punkt;Wert;Einheit\n" + "".join(
    f"26.10.2025 0{h}:30;{p};{h},5;{u}\n"
    for h in range(4)
    for p, u in (("PRI FLW T", "°C"), ("PUMP", ""), ("VALVE", "%"))
)
SCRAPS = [",", ";", "\n", '"', "\t", "---", "NaN", "1e400", "\0", "é", "24:00", "[K]", "99/99/9999",
          "2025-10-26T02:00:00Z", "{fault}", "=", "-", " ", "\r", "9" * 30, "0x1F", "١٢", "\u2028"]  # fmt: skip


def outcome(data, rules):
    """Return the frames and the name, or no frames and the sentence that refuses the file."""
    try:
        examine(data, "x.csv", rules)
        return read_trends(data, "x.csv", rules).blocks, "x.csv"
    except IngestError as error:
        return {}, str(error)


@settings(max_examples=50, deadline=None)
@given(text=st.sampled_from([WIDE, LONG]), seed=st.integers(0, 1 << 32), edits=st.integers(1, 12))
def test_damaged_files(rules_for_damage, text, seed, edits):
    chance = random.Random(seed)
    for _ in range(edits):
        at, upto = chance.randrange(len(text)), chance.randrange(12)
        kind = chance.randrange(4)
        if kind == 0:
            text = text[:at] + text[at + upto :] or "x"
        elif kind == 1:
            text = text[:at] + chance.choice(SCRAPS) + text[at:]
        elif kind == 2:
            text = text[:at] + text[at : at + 40] + text[at:]
        else:
            lines = text.split("\n")
            chance.shuffle(lines)
            text = "\n".join(lines)
    blocks, refusal = outcome(text.encode(), rules_for_damage)
    assert refusal.startswith("x.csv")
    for tag, frame in blocks.items():
        check_trends(tag, frame)


@settings(max_examples=60, deadline=None)
@given(data=st.binary(max_size=300))
def test_any_bytes(rules_for_damage, data):
    _, refusal = outcome(data, rules_for_damage)
    assert refusal.startswith("x.csv")
