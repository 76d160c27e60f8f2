"""A connection to a gateway, on real sockets."""

import socket
import time

import pytest

from drivers.errors import PortLostError
from drivers.ports import tcp_port
from drivers.ports.tcp_port import TcpWay

TCP_REPAIR = 19  # linux/tcp.h


def test_a_gateway_that_lost_its_power_is_missed_though_we_only_listen(monkeypatch):
    """It says no goodbye: its end is gone without a word, as after a power cut."""
    monkeypatch.setattr(tcp_port, "_STILL_S", 1)
    monkeypatch.setattr(tcp_port, "_ASK_EVERY_S", 1)
    with socket.create_server(("127.0.0.1", 0)) as gateway:
        port = TcpWay("127.0.0.1", gateway.getsockname()[1]).open()
        far_end, _ = gateway.accept()
        try:
            far_end.setsockopt(socket.IPPROTO_TCP, TCP_REPAIR, 1)
        except PermissionError:
            far_end.close()
            port.close()
            pytest.skip("a connection that ends without a word needs the right CAP_NET_ADMIN")
        far_end.close()
        with pytest.raises(PortLostError, match="connection lost"):
            assert not port.receive(time.monotonic() + 5), "never missed"
        port.close()


def test_a_connection_on_which_nothing_comes_back_is_given_up_and_an_answer_counts_anew():
    with socket.create_server(("127.0.0.1", 0)) as gateway:
        port = TcpWay("127.0.0.1", gateway.getsockname()[1]).open()
        far_end, _ = gateway.accept()
        with far_end:
            for _ in range(5):
                port.write(b"asked")
            far_end.sendall(b"at last")
            assert port.receive(time.monotonic() + 5) == b"at last"
            for _ in range(5):
                port.write(b"asked")
            with pytest.raises(PortLostError, match="nothing comes back on this connection"):
                port.write(b"once more")
        port.close()
