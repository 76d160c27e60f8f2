"""The record that travels: all that a journal holds and what the rules make of it, as tables.

Nothing here decides what a reading means; a journal is only read, or made anew from a record.
"""
