"""The slave's side of the real wires: Modbus RTU on pseudo-terminals, payloads to a real broker.

No physics.
"""
