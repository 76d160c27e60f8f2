"""A recording through the very same engine that watches live, and what came of it in words.

No second implementation of any rule lives here.
"""
