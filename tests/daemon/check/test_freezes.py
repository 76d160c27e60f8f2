"""How long `bellwatch check` says that a freeze can go unseen, borne out by freezes at drawn moments.

Invented water; what is drawn by lot was drawn once, by `secrets`.
"""

import re
from dataclasses import replace

import numpy as np
import pytest

from daemon.check.dangers import danger_lines
from daemon.settings.rack import Settings
from rules.alarms.life_cycle import Condition
from rules.quantities import Quantity
from tests.faults.chain import C1, FAULT_AT, HOUR, MINUTE, O1, START_MS, T1, Water
from tests.rigs.nights.freezes import drawn, told_min

LOT = 2_250_917_364
QUANTITIES = {"temperature": T1, "salinity": C1, "oxygen saturation": O1}


def lines(every_s, counted):
    """What check says of each danger of a kreisel with one probe."""
    fresh = {"fresh_by": {"address": 8, "type": "uint32"}} if counted else {}
    registers = [
        {"quantity": quantity, "address": 2 * place, "type": "float32"}
        for place, quantity in enumerate(("temperature", "conductivity", "oxygen"))
    ]
    probe = {"bus": "line", "vessel": "k1", "unit_id": 1, "every_s": every_s, "registers": registers, **fresh}
    settings = Settings.model_validate(
        {
            "rack": {"name": "north", "time_zone": "UTC"},
            "journal": {"path": "j.sqlite"},
            "buses": {"line": {"kind": "modbus-rtu", "port": "/dev/none"}},
            "vessels": {"k1": {"kind": "kreisel", "stage": "ephyra"}},
            "probes": {"k1-multi": probe},
        }
    )
    return {line.partition(":")[0].removeprefix("k1 "): line for line in danger_lines(settings)}


def printed_s(every_s, counted):
    """The seconds within which a freeze is told that its own probe shows."""
    words = r"a freeze told within (\d+) s" if counted else r"within (\d+) s by a probe that seldom"
    said = lines(every_s, counted)
    return {name: int(re.search(words, said[name])[1]) for name in QUANTITIES}


@pytest.mark.parametrize("counted", [False, True], ids=["fine", "counted"])
@pytest.mark.parametrize("every_s", [20, 30, 60])
def test_no_freeze_is_told_later_than_check_says(every_s, counted):
    printed, draw = printed_s(every_s, counted), np.random.default_rng(LOT + every_s)
    for name, source in QUANTITIES.items():
        at_ms = FAULT_AT + round(draw.uniform(1.0, 4.0) * HOUR)
        found = Water(hours=9, every_ms=every_s * 1000).measured()
        after = found.at >= at_ms
        frozen = (T1, C1, O1) if counted else (source,)
        for it in frozen:
            found.value[it][after] = found.value[it][np.argmax(after)]
        plan = found.plan()
        if counted:
            found.value[20] = np.cumsum(np.where(after, 0.0, 1.0))
            found.read[20] = found.read[T1]
            plan = replace(found.plan(), fresh={"k1-multi": 20})
            plan = replace(plan, sources=tuple(it for it in plan.sources if it.id != 20))
        told = found.run(plan=plan)
        danger = f"k1/{Quantity(name.replace(' ', '_'))}"
        seen = [e for e in told.events if e.condition is Condition.UNWATCHED and danger in e.evidence.hidden]
        assert seen, (name, [event.alarm for event in told.events])
        late_s = (seen[0].at_ms - START_MS - at_ms) / 1000
        assert 5 * MINUTE / 1000 < late_s <= printed[name], (name, late_s)


@pytest.mark.parametrize("every_s", [20, 60, 100, 240])
def test_no_freeze_that_a_witness_shows_is_told_later_than_check_says(every_s):
    words = r"where temperature of k1-multi moves, within (\d+) s of that"
    printed_min = int(re.search(words, lines(every_s, counted=False)["salinity"])[1]) / 60
    late = []
    for lot in (436_959_770, 1_107_929_920):
        at, values, froze, spoke = drawn(lot, "c", "t", every_s)
        late.append(told_min(at, values, ("c", "o", "p", "t"), every_s, "k1/salinity", max(froze, spoke)))
    assert max(late) <= printed_min, (late, printed_min)


LEAPS = {"temperature": (T1, 1.0), "salinity": (C1, 1.33), "oxygen saturation": (O1, 0.0815)}
"""What a probe reads more for each unit of its quantity: by gsw for water of 15 °C and 32."""


@pytest.mark.parametrize("way", ["up", "down"])
@pytest.mark.parametrize("name", LEAPS)
def test_another_vessels_water_shows_from_the_leap_on_that_check_names(name, way):
    """A quarter more is called about and stands, a quarter less is not told, nor what no rate limits."""
    named = re.search(rf"([\d.]+)(?: °C| %)? {way}(?: or| at least)", lines(30, counted=False)[name])
    source, per_unit = LEAPS[name]
    alarm = f"k1/{name.replace(' ', '_')}/{'rising' if way == 'up' else 'falling'}"
    for share in (1.25, 0.75):
        found = Water(hours=9).measured()
        size = share * float(named[1] if named else 4.0) * (1 if way == "up" else -1)
        found.value[source] = found.value[source] + size * per_unit * found.after
        told = found.run()
        stands = {it.name for it in told.engine.alarms() if it.active}
        assert (alarm in stands) is (named is not None and share > 1), (named, share, stands)
    assert (named is None) is (name == "oxygen saturation" and way == "up")


def test_where_no_leap_can_tell_check_says_that_the_label_alone_does():
    """Read every three minutes, water that is poured in mixes between two readings."""
    said = lines(180, counted=False)
    assert all("another vessel's water shows by its label alone; a bound" in said[name] for name in LEAPS)
