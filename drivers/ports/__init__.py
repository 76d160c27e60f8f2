"""The ways that bytes go to a line of probes: a serial port, a connection to a gateway; no protocol.

Whatever speaks a protocol stands above and is handed an open port.
"""
