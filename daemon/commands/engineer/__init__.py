"""Commands of the engineer: records out and in, replay, incidents, tuning.

They work on copies and records, never on the running watch.
"""
