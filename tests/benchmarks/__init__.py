"""Benchmarks: run by hand, reported in DEVELOPERS.md."""
