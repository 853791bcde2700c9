"""What everyone agrees on: quantities, units, time, records, errors."""
