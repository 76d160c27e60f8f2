"""The logbook as CSV, and how a CSV of any origin is read.

Nothing here decides what a reading means.
"""
