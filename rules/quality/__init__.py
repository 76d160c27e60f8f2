"""Whether a reading can be believed: QARTOD's tests, their settings, their memory.

No limit of an animal lives here.
"""
