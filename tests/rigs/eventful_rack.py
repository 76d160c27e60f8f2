"""Half a day of the rack of three kreisels with all that a record can hold; everything in it is invented."""

from contextlib import closing

from daemon.commands.engineer.export import export
from daemon.journal.dating import Stretch
from daemon.journal.journal import Journal
from daemon.journal.retention import let_go
from drivers.readings import Reading
from tests.rigs.minute_rack import MINUTE_MS, START_MS, rack_in

MORE = """
[stages.nursling.temperature]
target_c = 16
advisory_low_c = 15
advisory_high_c = 17.5
critical_low_c = 12
critical_high_c = 20

[probes.second]
bus = "line"
vessel = "k1"
unit_id = 12
every_s = 60
registers = [{ quantity = "temperature", address = 0, type = "float32" }]

[buses.far]
kind = "modbus-tcp"
host = "127.0.0.1"

[buses.sdi]
kind = "sdi-12"
port = "/dev/none-sdi"

[buses.lines]
kind = "text-lines"
port = "/dev/none-lines"

[probes.gateway]
bus = "far"
vessel = "k3"
unit_id = 1
every_s = 300
registers = [{ quantity = "temperature", address = 0, type = "int16", scale = 0.01 }]

[probes.deep]
bus = "sdi"
vessel = "k3"
address = "a"
every_s = 300
values = [{ quantity = "conductivity", command = "C", index = 2, unit = "uS/cm" }]
fresh_by = { command = "R0", index = 1 }

[probes.chatty]
bus = "lines"
vessel = "k3"
every_s = 300
pattern = '#(?P<count>\\d+) T=(?P<t>[-.\\d]+)F'
groups = [{ quantity = "temperature", group = "t", unit = "F" }]
fresh_by = { group = "count" }

[buses.air]
kind = "mqtt"
host = "127.0.0.1"

[probes.wireless]
bus = "air"
vessel = "k3"
every_s = 300
topic = "rack/k3"
format = "json"
fields = [{ quantity = "temperature", pointer = "/t" }]
fresh_by = { pointer = "/n" }
"""
STANDARD = {"standard": "KCl, invented lot", "probe": "k1-multi", "quantity": "conductivity"}
THERMOMETER = {"standard": "invented thermometer", "probe": "k3-multi", "quantity": "temperature"}
CLOCK_WAS_OFF_MS = 7_200_000
"""The clock was a guess at first, two hours behind what it then turned out to be."""


BY_HAND = {"vessel": "k1", "quantity": "temperature", "instrument": "T1", "method": "glass"}


def of_other_kinds(at_ms):
    """What probes behind a gateway, by SDI-12, in lines of text and by MQTT say every fifth minute."""
    count = at_ms // (5 * MINUTE_MS)
    if at_ms % (5 * MINUTE_MS):
        return []
    said = {
        ("deep", "fresh"): count % 100,
        ("chatty", "fresh"): count % 100,
        ("gateway", "temperature"): 16.0 + count % 3 * 0.01,
        ("wireless", "fresh"): count,
        ("wireless", "temperature"): 15.9 + count % 5 * 0.01,
        ("chatty", "temperature"): 16.1 + count % 4 * 0.01,
        ("deep", "conductivity"): 40.1 + count % 3 * 0.002,
    }
    return [Reading(*source, float(value), at_ms) for source, value in said.items()]


def minutes(rack, count, **celsius):
    """Let minutes pass; what probes beside the first of a vessel measured comes late, at their end."""
    begin_ms = rack.now_ms
    rack.minutes(count, **celsius)
    times = range(begin_ms + MINUTE_MS, rack.now_ms + 1, MINUTE_MS)
    value = celsius.get("k1", 15.0) + 0.1
    late = [Reading("second", "temperature", value + place % 3 * 0.002, at) for place, at in enumerate(times)]
    rack.watch.take(late, rack.now_ms)
    rack.watch.take([its for at in times for its in of_other_kinds(at)], rack.now_ms)


def correct(rack, deed, body, again):
    """Let somebody do or write something, and put it right a minute later."""
    rack.ask(deed, **body)
    (*_, first) = rack.journal.history.entries(deed if deed != "log" else body["what"])
    minutes(rack, 1)
    made = {"corrects_ms": first.at_ms} if deed == "hand_measurement" else {}
    rack.ask(deed, **body | again | made, corrects=first.seq)


def people(rack):
    """What is done with animals, written down and measured by hand, each with a correction."""
    rack.ask("culture", what="begin", cohort="e1", vessel="k1", stage="ephyra", value=200)
    correct(rack, "culture", {"what": "count", "cohort": "e1", "vessel": "k1", "value": 190}, {"value": 195})
    rack.ask("culture", what="split", cohort="e1", vessel="k1", into="e2", to="k2", value=90)
    rack.ask("culture", what="died", cohort="e2", vessel="k2", value=3, cause="pump", note="-found at noon")
    correct(rack, "log", {"vessel": "k1", "what": "feed", "value": 5}, {"value": 6})
    correct(rack, "hand_measurement", BY_HAND | {"value": 19.5}, {"value": 15.0})


def eventful(folder, others=()):
    """Return the path of its journal: moves, work, calibrations with drift, hand checks, refusals, alarms.

    `others` are vessels beside the three, in which all is well.
    """
    with rack_in(folder, MORE, others) as rack:
        with rack.journal.transaction():
            rack.journal.state.keep_stretch(Stretch(START_MS - 1, 0, False))
        minutes(rack, 60)
        rack.ask("calibrate", **STANDARD, points=[{"read": 42.0, "true": 42.0, "uncertainty": 0.1}])
        rack.ask("log", vessel="k1", what="note", note='=1+1, "quoted"\nand a second line')
        rack.ask("move_stage", vessel="k2", stage="nursling", over_s=7_200)
        people(rack)
        minutes(rack, 150, k2=18.5)
        rack.watch.redate(Stretch(START_MS - 1, CLOCK_WAS_OFF_MS, True), rack.now_ms)
        rack.ask("calibrate", **STANDARD, points=[{"read": 42.8, "true": 42.0, "uncertainty": 0.1}])
        rack.ask("log", vessel="nowhere", what="note", note="refused")
        rack.ask("begin_maintenance", target="vessel/k3", for_s=600, why="-pump")
        minutes(rack, 120, k1=23.0, k3=None)
        rack.ask("hand_measurement", **BY_HAND, value=22.9)
        rack.ask("calibrate", **THERMOMETER, points=[{"read": 16.1, "true": 16.0, "uncertainty": 0.05}])
        minutes(rack, 120, k1=15.0)
        minutes(rack, 90, k2=24.0)
        rack.watch._keep_snapshot()
        minutes(rack, 20, k2=24.0)
        rack.watch._keep_snapshot()
        let_go(rack.journal, 300, rack.journal.state.dating())
        minutes(rack, 3, k2=24.0)
        return rack.journal.path


def exported(path, folder):
    """Return the folder in which its record lies in each form: `csv`, `parquet` and `record.nc`."""
    with closing(Journal(path, writable=False)) as journal:
        for name in ("csv", "parquet", "record.nc"):
            export(journal, folder / name, name.removeprefix("record."))
    return folder
