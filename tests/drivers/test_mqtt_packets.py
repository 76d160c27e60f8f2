"""Packets of an MQTT session: confirmed once, over the connection that brought them, repeats told."""

from hypothesis import given
from hypothesis import strategies as st

from drivers.mqtt_packets import Packets


def test_a_packet_is_confirmed_when_it_is_committed_and_once():
    packets = Packets()
    packets.connected(session_kept=False)
    packet = packets.arrived(7, duplicate=False)
    assert packets.confirmable() == []
    packets.commit(packet)
    assert packets.confirmable() == [7]
    assert packets.confirmable() == []


def test_what_comes_again_before_its_commit_is_a_repeat_and_confirmed_over_the_new_connection():
    packets = Packets()
    packet = packets.arrived(7, duplicate=False)
    packets.connected(session_kept=True)
    assert packets.arrived(7, duplicate=True) is None
    packets.commit(packet)
    assert packets.confirmable() == [7]


def test_a_commit_after_the_connection_was_lost_waits_for_the_repeat():
    packets = Packets()
    packet = packets.arrived(7, duplicate=False)
    packets.connected(session_kept=True)
    packets.commit(packet)
    assert packets.confirmable() == []
    assert packets.arrived(7, duplicate=True) is None
    assert packets.confirmable() == [7]


def test_a_confirmation_that_got_lost_is_given_again():
    packets = Packets()
    packets.commit(packets.arrived(7, duplicate=False))
    assert packets.confirmable() == [7]
    packets.connected(session_kept=True)
    assert packets.arrived(7, duplicate=True) is None
    assert packets.confirmable() == [7]


def test_a_number_that_is_used_again_is_a_new_packet():
    packets = Packets()
    former = packets.arrived(7, duplicate=False)
    packets.connected(session_kept=False)
    assert packets.arrived(7, duplicate=True) is not None, "sent first to somebody who is gone"
    packets.commit(former)
    assert packets.confirmable() == []


steps = st.lists(st.sampled_from(["publish", "commit", "drop", "confirm"]), max_size=60)


@given(steps)
def test_nothing_uncommitted_is_ever_confirmed_and_everything_is_in_the_end(steps):
    """Against a broker of four lines, after MQTT 5.0, 4.4."""
    packets, broker, number, taken = Packets(), {}, 0, []
    for step in [*steps, "drop", "commit", "confirm"]:
        if step == "publish":
            number += 1
            taken.append(packets.arrived(number, duplicate=False))
            broker[number] = taken[-1]
        elif step == "commit":
            for packet in taken:
                packets.commit(packet)
            taken.clear()
        elif step == "drop":
            packets.connected(session_kept=True)
            for open_number in broker:
                assert packets.arrived(open_number, duplicate=True) is None
        else:
            for confirmed in packets.confirmable():
                assert broker.pop(confirmed).is_committed
    assert broker == {}
