"""Charts drawn by the server as SVG, without scripts; each with a sentence and a table."""
