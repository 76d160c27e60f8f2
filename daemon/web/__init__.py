"""Pages for a browser: one small server, one set of security headers, the templates and their look.

What a page shows is worked out elsewhere, and nothing that goes wrong here reaches who serves it.
"""
