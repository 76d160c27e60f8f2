"""The processes: settings, journal, watch, broker, mirror, on-call, replay, tuning, commands.

No rule and no formula.
"""
