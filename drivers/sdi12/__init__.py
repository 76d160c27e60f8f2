"""SDI-12, version 1.4: one line, one recorder (we), probes that answer when they are asked.

What is said and when stands in modules without a port; no settings here.
"""
