"""The first hour of a rack, for whoever installs it: this machine, its probes one by one, the walk.

Nothing here is used once the watch runs, and nothing here writes the journal.
"""
