"""Probes that speak in lines of text, each described by a pattern with named groups.

No protocol of anybody's; what a line means stands in a module without a port.
"""
