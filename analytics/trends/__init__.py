"""Along time: one grid, quality, evidence, the clean reference, fouling, drift."""
