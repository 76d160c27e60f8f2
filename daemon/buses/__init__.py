"""The kinds of bus, a module each: its settings, what can be wrong with them, its words, how it is built.

Nothing else tells one kind from another; no protocol lives here (that is `drivers`).
"""
