"""One script for each version of the tables."""
