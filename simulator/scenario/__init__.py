"""What a scenario file says, and every fault of it in one line of its own.

Nothing here steps or speaks.
"""
