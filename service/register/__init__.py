"""The register: what the plant is, as its owner wrote it down, and the maintenance log."""
