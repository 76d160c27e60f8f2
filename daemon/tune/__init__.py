"""Trying settings over a record: what to try, what happened, what to write.

Scores and choices are `rules.tuning`; nothing here judges water.
"""
