"""What keeps probes honest: calibration, drift, hand checks, stated accuracy.

Nothing here raises an alarm.
"""
