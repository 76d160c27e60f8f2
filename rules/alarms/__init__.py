"""The life of an alarm: its states, table and delays, the book of those that stand, history and measures.

Nothing here looks at water.
"""
