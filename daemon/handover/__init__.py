"""The handover: a night, or a month, of a rack as a page, a text or a table, from its journal.

Nothing here decides or keeps anything; whoever draws it computes nothing.
"""
