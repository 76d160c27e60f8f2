"""What is now, as plain data: the one reader of a journal, and `rack_now`, which every screen draws.

No drawing lives here, and nothing that a screen would still have to work out is left to it.
"""
