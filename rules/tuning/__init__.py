"""How good settings were, and which to choose.

Nothing here replays.
"""
