"""Trend files in, frames of roles in SI units and UTC out; no calculation, no database."""
