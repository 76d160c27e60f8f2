"""The science and the judgement, pure: no clock, no file, no socket, no thread.

It imports numpy and itself; time comes from the inputs.
"""

RULES_VERSION = 24
"""Raise it with every change after which the same inputs under the same plan give other flags or alarms."""

TOLD_APART = 3
"""Since this version high-high and low-low are alarms of their own; before, `high` and `low` meant both."""

SECOND_WORD = 6
"""Since this version a critical alarm is shelved with a second word only, and for a shorter time."""
IN_ITS_UNIT = 8
"""Since this version the accuracy of a specific gravity is one of specific gravity, not of salinity."""
BLIND_REFUSED = 12
"""Since this version an instrument that can accuse no probe is refused, a doubted probe not compared."""
ENTRIES_CHECKED = 7
"""Since this version an entry of the logbook that cannot be is refused; before, any number was taken."""
