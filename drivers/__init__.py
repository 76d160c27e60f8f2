"""Probes over serial and MQTT: bytes in, raw readings out; protocol code apart from its thin port.

No alarm and no storage.
"""
