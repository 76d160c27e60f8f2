"""What is too large or too many for a joint between the probe and the person."""

import os
import subprocess
import sys
import time

from tests.faults.chain import Came
from tests.faults.inject_rack import FLOOD, HOT, HOT_SAID, hot_is_called, only_root
from tests.faults.proxy import Network
from tests.faults.whole_rack import GONE_S, Listener, WholeRack
from tests.rigs.parts.small_disk import small_disk
from tests.rigs.places import ROOT

AT_MOST = 500
"""Bytes: a sign of life is shorter, what is said of an alarm is longer."""
CALLED = f"north {HOT_SAID}|CRITICAL north: rack silent"


class Narrow(Network):
    """Loses what the rack sends in a piece above `at_most` bytes: that connection stands still from then."""

    def __init__(self, target):
        super().__init__(target)
        self.at_most = None
        self.lost = 0
        self._stuck = set()

    def _pass(self, piece, source, drain):
        if self.at_most and len(piece) > self.at_most and source.getsockname()[1] == self.port:
            self._stuck.add(source)
            self.lost += 1
        if source not in self._stuck:
            drain.sendall(piece)


def network_large_lost(folder):
    with WholeRack(folder, watch=False) as rack, Narrow(rack.broker.port) as narrow:
        text, port = rack.settings_file.read_text(), f"port = {rack.broker.port}"
        rack.settings_file.write_text(text.replace(port, f"port = {narrow.port}", 1))
        rack.begin()
        rack.watch.wait_for(lambda: rack.view().broker.alive, "its own words")
        narrow.at_most = AT_MOST
        rack.mark()
        rack.line.celsius[1] = HOT
        came = rack.called(CALLED, "rack silent", 60.0)
        return came._replace(wrong="" if narrow.lost else "nothing was lost")


def broker_small_packets(folder):
    """Each second the broker lets the rack in, takes "watching", and throws it out at the alarm."""
    with WholeRack(folder, watch=False, team=False, oncall=PATIENT) as rack:
        settings, conf = folder / "oncall.toml", folder / "mosquitto.conf"
        settings.write_text(settings.read_text().replace(f"gone_after_s = {GONE_S}", "gone_after_s = 3.0"))
        rack.begin()
        rack.team.start()
        rack.watch.wait_for(lambda: rack.view().oncall is not None, "a word of the on-call process")
        conf.write_text(f"max_packet_size {AT_MOST}\n{conf.read_text()}")
        rack.broker.stop()
        rack.broker.start()
        for run in (rack.watch, rack.team):
            run.wait_for(lambda run=run: run.log.count("broker_connected") > 1, "the broker again")
        rack.mark()
        rack.line.celsius[1] = HOT
        came = rack.called(CALLED, "rack silent", 60.0)
        time.sleep(3.0)
        over = [text for text in rack.texts() if "OVER" in text]
        thrown = rack.watch.log.count("Packet too large")
        wrong = f"called over: {over[0]}" if over else "" if thrown > 3 else "it is not thrown out"
        return came._replace(wrong=wrong)


PATIENT = {"heartbeats_missed": 12}
"""A rack that is thrown out is back within a second; at shipped settings there are sixty for it."""


def disk_no_files(folder):
    """No further file can be made on the journal's disk, though it has room; then the watch starts again."""
    only_root()
    with small_disk(folder / "disk", 24) as disk, WholeRack(folder, journal_in=disk.path) as rack:
        no_more_files(disk.path)
        if hot_is_called(rack).after_s is None:
            return Came(None, "the alarm of a watch that runs is not called")
        rack.watch.stop()
        no_more_files(disk.path)
        Listener.mark(rack)  # who reads the journal makes its log anew
        rack.watch.start()
        code = rack.watch.wait_for_end()
        said = rack.watch.log.splitlines()[-1]
        came = rack.called("CRITICAL north: rack stopped", "stopped", 9.0)
        return came._replace(wrong="" if code == 2 and said.endswith("and have room") else f"it says: {said}")


def disk_full_at_start(folder):
    """The reserve beside the journal is what there is to start with."""
    only_root()
    with small_disk(folder / "disk", 24) as disk, WholeRack(folder, journal_in=disk.path) as rack:
        rack.watch.stop()
        disk.fill()
        Listener.mark(rack)
        rack.watch.start()
        came = rack.called("HIGH north: disk full", patience_s=30.0)
        hot = hot_is_called(rack)
        return came._replace(wrong="" if hot.after_s is not None else "it does not watch")


def no_more_files(disk):
    """Let a file system in memory take no more files than it has."""
    found = os.statvfs(disk)
    limited = f"remount,nr_inodes={found.f_files - found.f_ffree}"
    subprocess.run(["mount", "-o", limited, str(disk)], check=True)


def bus_topic_flood_hot(folder):
    """At QoS 1, so that the broker waits for our word on each; the alarm has its own connection."""
    with WholeRack(folder) as rack:
        flood = subprocess.Popen(
            [sys.executable, "-c", FLOOD.replace("qos=0", "qos=1"), str(rack.broker.port)], cwd=ROOT
        )
        try:
            time.sleep(1.0)
            return hot_is_called(rack)
        finally:
            flood.kill()
            flood.wait()
