"""Commands of whoever installs, runs and keeps a rack.

Nothing here is needed by the watch while it runs.
"""
