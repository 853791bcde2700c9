"""One question each: cause, forecast, money, proof, capacity."""
