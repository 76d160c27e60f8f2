"""Commands of the people at the rack.

They ask the running watch; none of them writes the journal.
"""
