"""A rack that is not there: physics, probe behaviour, faults, on real wires."""
