"""The report of a replay: what it holds, and its drawings on a page and on a slide.

Nothing here replays or scores.
"""
