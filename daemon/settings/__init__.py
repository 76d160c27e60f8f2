"""The settings file: its shape, its sound part, what is wrong with it in words, and the plan made of it.

No cross-check between tables lives here (that is `daemon.check`), and nothing that runs.
"""
