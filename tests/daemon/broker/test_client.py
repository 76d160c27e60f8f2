"""What the connections to a broker share: few words, and a clear refusal of what cannot be read."""

import pytest
from structlog.testing import capture_logs

from daemon.broker.client import LinkWords, broker_client
from daemon.errors import SettingsError
from daemon.settings.rack import BrokerSettings


def test_each_change_is_told_once_however_often_it_is_tried():
    words = LinkWords(BrokerSettings(host="pi", port=1883))
    with capture_logs() as logs:
        for _ in range(3):
            words.change("broker_unreachable", "connection refused")
            words.lost("and gone again")
        words.change("broker_connected")
        words.lost("keep alive timeout")
        words.change("broker_unreachable", "connection refused")
    told = [(entry["event"], entry["why"]) for entry in logs]
    assert told == [
        ("broker_unreachable", "connection refused"),
        ("broker_connected", None),
        ("broker_disconnected", "keep alive timeout"),
        ("broker_unreachable", "connection refused"),
    ]
    assert all(entry["broker"] == "pi:1883" for entry in logs)


def test_an_authority_that_cannot_be_read_is_told_in_one_line(tmp_path):
    broker = BrokerSettings(host="pi", tls=True, ca_file=tmp_path / "no-such.pem")
    with pytest.raises(SettingsError, match=r"ca_file: found .*no-such\.pem.*; expected the broker's CA"):
        broker_client(broker)


def test_a_password_that_cannot_be_read_is_told_without_showing_anything(tmp_path):
    broker = BrokerSettings(host="pi", username="rack", password_file=tmp_path / "secret")
    with pytest.raises(SettingsError, match="password_file"):
        broker_client(broker)
