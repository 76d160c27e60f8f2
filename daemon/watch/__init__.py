"""The watch: buses in, one transaction a turn, time kept over restarts.

No rule and no table of the journal lives here.
"""
