"""The copy of readings and alarm events on a time-series server.

Nothing here may delay the watch, and nothing is read back.
"""
