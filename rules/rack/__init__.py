"""What is watched and what is tolerated: channels, stages, limits, plans, stage moves, maintenance.

Nothing here judges a reading.
"""
