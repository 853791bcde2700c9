"""What the demonstration plant hides, as a page to read after the tool has given its answers."""

from demo_data.plant import END, EXCHANGERS, START
from demo_data.simulator import at_design

_HEAD = """\
# What was hidden

Read this after you have seen what `plateledger` says of the demonstration plant.

The trends were made by the simulator in `demo_data/simulator`, which shares no code with the
analysis. All figures below are those of the simulator, not of the analysis. *UA* and *approach*
(primary return minus secondary return) hold at the design flows and inlet temperatures, with the
plates fitted at the end of the record; *clean* is the same plates without deposit. Every instrument
has the ordinary errors too: constant offsets of about 0.3 K, slow wander, meter gains of 1 to 2 %.

| exchanger | building | what it hides | UA lost at the start | UA lost at the end | clean UA at the end, kW/K | approach clean, K | approach at the end, K |
| --- | --- | --- | --- | --- | --- | --- | --- |
"""


def what_was_hidden() -> str:
    """Return the page."""
    rows = []
    for e in EXCHANGERS:
        first, last = at_design(e.scenario, START), at_design(e.scenario, END)
        rows.append(
            f"| {e.tag} | {e.building} | {e.hides} | {first.share_lost:.1%} "
            f"| {last.share_lost:.1%} | {last.UA_clean_W_K / 1e3:.1f} "
            f"| {last.approach_clean_K:.1f} | {last.approach_K:.1f} |"
        )
    return _HEAD + "\n".join(rows) + "\n\n" + _details()


def _details() -> str:
    lines = ["## Deposits", ""]
    for e in EXCHANGERS:
        deposit = e.scenario.deposit
        if deposit is None:
            continue
        text = (
            f"- {e.tag}: {deposit.law} law from {deposit.start:%Y-%m-%d}; untouched it costs "
            f"{deposit.share_lost:.0%} of the clean UA on {deposit.reached:%Y-%m-%d}"
        )
        for visit in e.scenario.cleanings:
            before = at_design(e.scenario, visit.at.replace(hour=visit.at.hour - 1))
            after = at_design(e.scenario, visit.at)
            text += (
                f"; the visit of {visit.at:%Y-%m-%d} takes away {visit.share_recovered:.0%} of it "
                f"(UA lost {before.share_lost:.1%} before, {after.share_lost:.1%} after)"
            )
        lines.append(text + ".")
    lines += ["", "## Constant errors of the thermometers", ""]
    lines += [
        "| exchanger | primary supply, K | primary return, K | secondary supply, K | secondary return, K |"
    ]
    lines += ["| --- | --- | --- | --- | --- |"]
    for e in EXCHANGERS:
        offsets = (t.offset_K for t in e.scenario.instruments.thermometers.values())
        lines.append(f"| {e.tag} | " + " | ".join(f"{k:+.2f}" for k in offsets) + " |")
    return "\n".join(lines) + "\n"
