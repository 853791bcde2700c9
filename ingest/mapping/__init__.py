"""Which source point is which role, told by physics as well as by names.

``hours`` brings points to common hours, ``scoring`` says how badly a mapping offends physics,
``proposing`` finds the mapping that offends least, ``judging`` doubts one that is registered.
A proposal is shown, never used by itself.
"""
