"""Migrations of the tables, run when a database is opened."""
