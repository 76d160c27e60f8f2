"""Half a day of the rack of three kreisels with all that a record can hold; everything in it is invented."""

from daemon.journal.dating import Stretch
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
"""
STANDARD = {"standard": "KCl, invented lot", "probe": "k1-multi", "quantity": "conductivity"}
CLOCK_WAS_OFF_MS = 7_200_000
"""The clock was a guess at first, two hours behind what it then turned out to be."""


def minutes(rack, count, **celsius):
    """Let minutes pass; what the second probe of k1 measured in them comes late, at their end."""
    begin_ms = rack.now_ms
    rack.minutes(count, **celsius)
    times = range(begin_ms + MINUTE_MS, rack.now_ms + 1, MINUTE_MS)
    value = celsius.get("k1", 15.0) + 0.1
    late = [Reading("second", "temperature", value + place % 3 * 0.002, at) for place, at in enumerate(times)]
    rack.watch.take(late, rack.now_ms)


def eventful(folder):
    """Return the path of its journal: moves, work, calibrations with drift, hand checks, refusals, alarms."""
    with rack_in(folder, MORE) as rack:
        with rack.journal.transaction():
            rack.journal.state.keep_stretch(Stretch(START_MS - 1, 0, False))
        minutes(rack, 60)
        rack.ask("calibrate", **STANDARD, points=[{"read": 42.0, "true": 42.0, "uncertainty": 0.1}])
        rack.ask("log", vessel="k1", what="note", note='=1+1, "quoted"\nand a second line')
        rack.ask("move_stage", vessel="k2", stage="nursling", over_s=7_200)
        minutes(rack, 150, k2=18.5)
        rack.watch.redate(Stretch(START_MS - 1, CLOCK_WAS_OFF_MS, True), rack.now_ms)
        rack.ask("calibrate", **STANDARD, points=[{"read": 42.8, "true": 42.0, "uncertainty": 0.1}])
        rack.ask("log", vessel="nowhere", what="note", note="refused")
        rack.ask("begin_maintenance", target="vessel/k3", for_s=600, why="-pump")
        minutes(rack, 120, k1=23.0, k3=None)
        rack.ask(
            "hand_measurement",
            vessel="k1",
            quantity="temperature",
            value=22.9,
            instrument="T1",
            method="glass",
        )
        minutes(rack, 120, k1=15.0)
        minutes(rack, 90, k2=24.0)
        rack.watch._keep_snapshot()
        minutes(rack, 20, k2=24.0)
        rack.watch._keep_snapshot()
        let_go(rack.journal, 300, rack.journal.state.dating())
        minutes(rack, 3, k2=24.0)
        return rack.journal.path
