"""Nothing that leads to a call is shared out (MQTT 5, 4.8.2): each process hears all that it asks for.

What each asks for says the broker, which logs every SUBSCRIBE packet with the name of its sender.
"""

import re
import time
from contextlib import ExitStack

import pytest

from daemon.oncall.link import OnCallLink, Rival
from daemon.settings.rack import BrokerSettings
from tests.rigs.daemon_run import DaemonRun, write_settings
from tests.rigs.oncall_run import OnCallRun, write_oncall
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.page_receiver import PageReceiver
from tests.rigs.rack_voice import RackVoice

PAIR = '[pair]\nfirst = "desk"\nsecond = "attic"\n'

AIR = """
[commands]
enabled = true
[buses.air]
kind = "mqtt"
host = "127.0.0.1"
port = {port}
[probes.k1-air]
bus = "air"
vessel = "k1"
topic = "nursery/k1"
fields = [{{ quantity = "temperature" }}]
"""


def subscriptions(log):
    """Who asked for which topics: the log's packets, a line for each and for each of its filters."""
    asked, who = {}, ""
    for line in log.splitlines():
        if packet := re.search(r"Received SUBSCRIBE from (\S+)$", line):
            who = packet[1]
        elif topic := re.search(r": \t(\S+) \(QoS [012]\)$", line):
            asked.setdefault(who, set()).add(topic[1])
    return asked


@pytest.fixture
def asked(tmp_path):
    """What the watch of a rack and two on-call processes that can hear all that there is ask for."""
    with ExitStack() as stack:
        broker, phones = (stack.enter_context(it) for it in (Mosquitto(tmp_path), PageReceiver()))
        rack = write_settings(tmp_path, tmp_path / "serial", broker.port, more=AIR.format(port=broker.port))
        runs = [DaemonRun(rack)]
        for name in ("desk", "attic"):
            (tmp_path / name).mkdir()
            path = write_oncall(tmp_path / name, broker.port, phones.port, commands=True)
            text = path.read_text().replace('name = "desk"', f'name = "{name}"') + "answers = true\n" + PAIR
            path.write_text(text)
            runs.append(OnCallRun(path))
        for run in runs:
            stack.callback(run.end_by_force)
            run.start()
        runs[0].wait_for(lambda: len(subscriptions(broker.log)) >= 4, "every subscription")
        return subscriptions(broker.log)


def test_no_process_shares_what_it_hears(asked):
    heard = {topic for topics in asked.values() for topic in topics}
    for needed in (
        "nursery/k1",
        "bellwatch/+/event",
        "bellwatch/bench/command",
        "bellwatch/_oncall/said/attic/+",
    ):
        assert needed in heard, sorted(heard)
    assert not [topic for topic in heard if topic.startswith("$")]
    assert len([who for who, topics in asked.items() if "bellwatch/+/event" in topics]) == 2


def test_a_process_is_no_other_one_to_itself_by_the_longest_name_that_there_may_be(tmp_path):
    """It hears its own receipts among those of all."""
    longest, found, until = "d" * 41, [], time.monotonic() + 30
    with Mosquitto(tmp_path) as broker, RackVoice(broker.port) as voice:
        link = OnCallLink(BrokerSettings(host="127.0.0.1", port=broker.port), longest, "state")
        while not link.connection.listening and time.monotonic() < until:
            time.sleep(0.02)
        for name in (longest, longest[1:]):
            voice.publish(f"{voice.topic}/taken/{name}", '{"host": "bench-pi"}')
        while not found and time.monotonic() < until:
            found += [it for it in link.take() if isinstance(it, Rival)]
            time.sleep(0.02)
        link.connection.stop()
    assert [it.who.partition(" and ")[2] for it in found] == [f"{longest[1:]} on bench-pi"]
