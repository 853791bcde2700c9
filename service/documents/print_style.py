"""Colours, widths and type of a chart on paper: black and white, in a font that ships with the setter."""

FONT = "Libertinus Serif"

PRINT_STYLE = f"""
line, path, rect {{ fill: none; stroke: none; }}
text {{ font-family: "{FONT}"; font-size: 14.5px; fill: #2e2e2e; }}
.axis {{ stroke: #707070; stroke-width: 1; }}
.grid {{ stroke: #b5b5b5; stroke-width: 0.8; }}
.measured {{ stroke: #000; stroke-width: 1.9; stroke-linejoin: round; }}
.interval {{ fill: #d2d2d2; }}
.clean {{ stroke: #4a4a4a; stroke-width: 1; }}
.clean-band {{ fill: #ececec; }}
.limit {{ stroke: #000; stroke-width: 1.6; stroke-dasharray: 9 4; }}
.fan-wide {{ fill: #e3e3e3; }}
.fan-half {{ fill: #c2c2c2; }}
.fan-middle {{ stroke: #000; stroke-width: 1.5; stroke-dasharray: 1.5 3.5; stroke-linecap: round; }}
.reached {{ fill: #000; }}
.visit {{ stroke: #000; stroke-width: 1; }}
.alert {{ stroke: #2e2e2e; stroke-width: 1.4; stroke-dasharray: 1.5 3; }}
.present, .present-cost {{ fill: #000; stroke: #fff; stroke-width: 1.5; }}
.present-line {{ stroke: #707070; stroke-width: 1; stroke-dasharray: 1.5 3.5; }}
.point {{ fill: #000; }}
.stopped {{ fill: #fff; stroke: #000; stroke-width: 1.5; }}
.hatch {{ stroke: #707070; stroke-width: 1; }}
.hatch-edge {{ stroke: #707070; stroke-width: 1; fill: #fff; }}
.label-strong, .label-cost {{ fill: #000; font-weight: 600; }}
.tick {{ fill: #4a4a4a; font-size: 13.5px; }}
.halo {{ paint-order: stroke; stroke: #fff; stroke-width: 4px; stroke-linejoin: round; }}
"""
