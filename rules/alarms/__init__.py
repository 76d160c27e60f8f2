"""The life of an alarm: its states and table, its delays, the book of those that stand, their history and measures.

Nothing here looks at water.
"""
