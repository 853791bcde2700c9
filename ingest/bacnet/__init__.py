"""BACnet (ASHRAE 135, ISO 16484-5): units by their enumeration, log records as JSON."""
