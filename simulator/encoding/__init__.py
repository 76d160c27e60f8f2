"""Numbers as registers and as SenML: encodings of our own, so that mistakes cannot cancel.

No port and no rack.
"""
