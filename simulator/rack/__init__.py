"""The rack that is not there: room, water, equipment and probes, stepped on one grid of time.

No wire and no file lives here.
"""
