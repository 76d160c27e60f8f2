"""Probes over serial and MQTT: bytes in, raw readings out."""
