"""Pure computation: arrays, frames and records in, the same out.

Opens no file, no socket, no database, reads no clock, imports neither ``ingest`` nor ``service``.
"""
