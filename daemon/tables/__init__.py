"""Tables from outside, in files and payloads: their values, and what is wrong with them in words.

No table of a particular file lives here, and nothing that opens one.
"""
