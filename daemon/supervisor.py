"""Telling systemd how we are, where it asks for that (sd_notify protocol)."""

import os
import socket


def tell_supervisor(state: str) -> None:
    """Send a state such as READY=1 to the supervisor; without one, do nothing."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notify:
        notify.connect("\0" + address[1:] if address.startswith("@") else address)
        notify.send(state.encode())
