"""One instant at a time, no notion of history: fluids, balances, exchanger relations."""
