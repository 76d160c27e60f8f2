"""Faults of names, addresses and of what a broker confirms, between a whole rack and its on-call process."""

import sys
import time

from tests.faults.chain import Came
from tests.faults.inject_rack import HOT_SAID, hot_is_called
from tests.faults.proxy import Lossy
from tests.faults.whole_rack import WholeRack

NAMES = """
import socket, sys
from pathlib import Path
from daemon.commands.cli import main

sound = socket.getaddrinfo
def getaddrinfo(host, *rest, **more):
    if host == "broker.test":
        host = Path(sys.argv[1]).read_text()
        if not host:
            raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")
    return sound(host, *rest, **more)
socket.getaddrinfo = getaddrinfo
sys.exit(main(sys.argv[2:]))
"""
"""A name service of our own below the process: the file holds the address of the broker, or nothing."""


def by_name(run, settings, names):
    """Let a process know its broker by a name."""
    settings.write_text(settings.read_text().replace('host = "127.0.0.1"', 'host = "broker.test"', 1))
    run._command = [sys.executable, "-c", NAMES, str(names), *run._command[3:]]


def network_name_service(folder):
    """The name is gone and the connection breaks; later the name is back."""
    with WholeRack(folder, watch=False) as rack:
        names = folder / "names"
        names.write_text("127.0.0.1")
        by_name(rack.watch, rack.settings_file, names)
        rack.begin()
        rack.mark()
        names.write_text("")
        rack.broker.stop()
        rack.broker.start()
        came = rack.called("CRITICAL north: rack silent", "rack silent")
        names.write_text("127.0.0.1")
        again = rack.called("OVER north: rack silent", patience_s=45.0)
        return came._replace(wrong="" if again.after_s is not None else "it was given up")


def network_address_moves(folder):
    """The broker is started anew on another address of the loopback; its name leads there."""
    with WholeRack(folder, watch=False, team=False, oncall={"heartbeats_missed": 120}) as rack:
        names = folder / "names"
        names.write_text("127.0.0.1")
        by_name(rack.watch, rack.settings_file, names)
        by_name(rack.team, folder / "oncall.toml", names)
        rack.team.start()
        rack.team.wait_for(lambda: "broker_connected" in rack.team.log, "the on-call process")
        rack.begin()
        rack.mark()
        rack.broker.stop()
        rack.broker.move("127.0.0.2")
        names.write_text("127.0.0.2")
        rack.broker.start()
        for run in (rack.watch, rack.team):
            run.wait_for(lambda run=run: run.log.count("broker_connected") > 1, "the broker's new address")
        came = rack.shown(lambda view: view.broker.alive)
        false = [text for text in rack.texts() if "rack silent" in text]
        heard = hot_is_called(rack).after_s is not None
        return came._replace(wrong=f"called: {false[0]}" if false else "" if heard else "it is not heard")


def broker_drops(folder):
    """The first messages on an alarm are confirmed to the rack, and never reach the on-call process."""
    with WholeRack(folder, watch=False, team=False) as rack, Lossy(rack.broker.port) as lossy:
        settings = folder / "oncall.toml"
        settings.write_text(
            settings.read_text().replace(f"port = {rack.broker.port}", f"port = {lossy.port}")
        )
        rack.team.start()
        rack.team.wait_for(lambda: "broker_connected" in rack.team.log, "the on-call process")
        rack.begin()
        lossy.drops = (b"/event", b"/alarm/")
        rack.mark()
        rack.line.celsius[1] = 30.0
        time.sleep(3.0)
        lossy.drops = ()
        heard = [text for text in rack.texts() if HOT_SAID in text]
        silent = not heard and lossy.dropped > 0 and "broker_refuses" not in rack.watch.log
        came = rack.called(HOT_SAID, "alarm", 140.0)
        said = "alarm_not_taken" in rack.watch.log
        wrong = "" if silent else f"nothing was dropped: {heard}"
        return Came(came.after_s, wrong or ("" if said else "the rack does not say it"))
