"""A rack that is not there: physics, probe behaviour, faults, on real wires.

It imports nothing of ours, so that mistakes cannot cancel.
"""
