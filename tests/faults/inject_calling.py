"""Faults of people, of their routes, of other racks and of clocks, put into the calling and the engine."""

import json
from dataclasses import replace
from datetime import UTC, date, datetime, time
from time import process_time
from zoneinfo import ZoneInfo

import numpy as np

from daemon.broker.messages import heartbeat_message, messages_of, watch_message
from daemon.oncall.text_message import fits
from rules.alarms.life_cycle import Priority
from rules.calling.records import CallKind
from rules.calling.rota import QuietHours, Rota, instant_ms
from rules.errors import InputError
from tests.faults.chain import DUTY, FAULT_AT, HOUR, MINUTE, START_MS, Came, Desk, Water, voice_of, water
from tests.rigs.rack_words import word_of

MINUTES = MINUTE
NIGHT_MS = START_MS + 16 * HOUR
HEAT = "k1/temperature/high"


def event(number, at_ms, alarm=HEAT, **said):
    """Return an event of a rack, critical and unacknowledged but for what is `said`."""
    return word_of(alarm, at_ms, number=number, **said).event


def called_s(desk, since_ms, *, person=None, about="", after=0):
    """Return after how long a call came (to a person, with these words), counted from a moment."""
    said = desk.said(CallKind.ALARM)
    times = [
        (at_ms - since_ms) / 1000
        for at_ms, to, text in said
        if at_ms >= since_ms and person in (None, to) and about in text
    ]
    return times[after] if len(times) > after else None


def alive(desk, rack, start_ms, end_ms, every_ms=30_000, alarms=1):
    """Let a rack beat from one moment to another."""
    topic = f"bellwatch/{rack}"
    for at_ms in range(start_ms, end_ms, every_ms):
        beat = heartbeat_message(topic, at_ms, 0, alarms, voice_of(rack))
        desk.publish(beat.topic, beat.payload.encode(), at_ms)


def in_alarm(duty=DUTY, start_ms=NIGHT_MS, **said):
    """Return a desk that has heard of one critical alarm at `start_ms`."""
    desk = Desk(start_ms, duty)
    desk.hear(event(1, start_ms, **said), start_ms)
    return desk


# Person


def person_nobody_answers(_folder):
    desk = in_alarm()
    alive(desk, "north", NIGHT_MS, NIGHT_MS + 2 * HOUR)
    to = [person for _, person, _ in desk.said(CallKind.ALARM)]
    rounds = to.count("ada") > 3 and "ada" in to[to.index("cy") :]
    return Came(called_s(desk, NIGHT_MS, person="cy"), "" if rounds else f"ends after a round: {to}")


def _hot(hours=6.0):
    """Return water that warms to 25 °C within the hour after the fault, and stays so."""
    found = Water(hours=hours)
    found.temperature[1] = found.temperature[1] + 10 * np.clip(found.since_h, 0, 1)
    return found.measured()


def _heat_alarms(told):
    """Return the names of everything that was said of the heat."""
    return {event.alarm for event in told.events if event.alarm.startswith("k1/temperature/")}


def person_seen_not_done(_folder):
    found, seen_ms = _hot(hours=8), FAULT_AT + 2 * HOUR
    told = found.run([(seen_ms, "acknowledge", {"alarm": name}) for name in _heat_alarms(found.run())])
    return Came(told.called_s("k1: temperature", since_ms=START_MS + seen_ms + MINUTE))


def person_seen_and_worse(_folder):
    found = Water(hours=7)
    found.temperature[1] = np.where(found.after, 19.0, found.temperature[1])
    worse = found.at >= FAULT_AT + HOUR
    found.temperature[1] = np.where(worse, 25.0, found.temperature[1])
    found.measured()
    told = found.run([(FAULT_AT + 20 * MINUTE, "acknowledge", {"alarm": HEAT})])
    return Came(told.called_s("CRITICAL.*k1: temperature", since_ms=told.fault_ms + HOUR))


def person_seen_wrong_one(_folder):
    desk = in_alarm()
    desk.hear(event(2, NIGHT_MS + MINUTE, "k2/oxygen/low"), NIGHT_MS + MINUTE)
    desk.acknowledge(2, NIGHT_MS + 2 * MINUTE)
    alive(desk, "north", NIGHT_MS + 2 * MINUTE, NIGHT_MS + 20 * MINUTE, alarms=2)
    return Came(called_s(desk, NIGHT_MS + 2 * MINUTE, about="k1"))


def person_shelved_forgotten(_folder):
    found, shelved_ms = _hot(hours=15), FAULT_AT + 2 * HOUR
    shelf = {"why": "chiller is on its way", "for_s": 3600, "yes_critical": True}
    names = _heat_alarms(found.run())
    told = found.run([(shelved_ms, "shelve", shelf | {"alarm": name}) for name in names])
    others = [text for _, to, text in told.desk.said(CallKind.TAKEN) if to != "ada"]
    who = bool(others) and all("ada has shelved it until 15:30" in text for text in others)
    after_s = told.called_s("k1: temperature", since_ms=START_MS + shelved_ms + MINUTE)
    return Came(after_s, "" if who else f"the others are not told who shelved it: {others}")


def person_shelved_and_worse(_folder):
    found = Water(hours=7)
    found.temperature[1] = np.where(found.after, 19.0, found.temperature[1])
    found.temperature[1] = np.where(found.at >= FAULT_AT + HOUR, 25.0, found.temperature[1])
    found.measured()
    shelf = {"alarm": HEAT, "why": "known", "for_s": 4 * 3600}
    told = found.run([(FAULT_AT + 20 * MINUTE, "shelve", shelf)])
    return Came(told.called_s("CRITICAL.*k1: temperature", since_ms=told.fault_ms + HOUR))


def person_maintenance_forgotten(_folder):
    found = _hot(hours=9)
    body = {"target": "vessel/k1", "for_s": 4 * 3600, "why": "cleaning"}
    told = found.run([(FAULT_AT, "begin_maintenance", body)])
    after_s = told.called_s("k1: temperature")
    return Came(None if after_s is None else max(after_s - 120, 0.0))


def person_service_forgotten(_folder):
    found = _hot()
    told = found.run([(FAULT_AT - HOUR, "take_out_of_service", {"alarm": HEAT, "why": "being mended"})])
    held = [alarm for alarm in told.engine.alarms() if alarm.name == HEAT and alarm.held_by]
    return Came(0.0 if held else None)


def person_check_mistyped(_folder):
    from rules.readings import Action

    engine = water(hours=2).run().engine
    before = [now.value for now in engine.channels()]
    body = {
        "vessel": "k1", "quantity": "temperature", "value": 150.0, "method": "m", "instrument": "i"
    }  # fmt: skip
    refusal = engine.act(Action(engine.clock_ms, "hand_measurement", "ada", body)).refusal
    moved = [now.value for now in engine.channels()] != before
    return Came(0.0 if refusal else None, "it moves what is shown" if moved else "")


def person_check_forgotten(_folder):
    """For eight days nobody measures by hand."""
    told = water(hours=24 * 9, every_ms=10 * MINUTE).run()
    told.fault_ms = START_MS
    return Came(told.daily_s("hand|measure"))


def person_on_holiday(_folder):
    desk = in_alarm()
    alive(desk, "north", NIGHT_MS, NIGHT_MS + HOUR)
    return Came(called_s(desk, NIGHT_MS, person="bo"))


def person_phone_off(_folder):
    return person_on_holiday(_folder)


def person_acknowledges_nothing(_folder):
    desk = in_alarm()
    upshot = desk.acknowledge(99, NIGHT_MS + MINUTE)
    alive(desk, "north", NIGHT_MS + MINUTE, NIGHT_MS + HOUR)
    calls = called_s(desk, NIGHT_MS + MINUTE) is not None
    return Came(0.0 if upshot.refusal else None, "" if calls else "the real problem is silenced")


# Route


def route_back_again(_folder):
    """Every try fails for an hour; the store's own waiting is what the parts rows show."""
    desk = in_alarm()
    for number in range(1, 13):
        at_ms = NIGHT_MS + number * 5 * MINUTE
        desk.wait(at_ms)
        call = desk.calls[-1].id
        desk._take(desk.team.undelivered(call, at_ms))
    return Came(called_s(desk, NIGHT_MS + HOUR))


def route_lost_after_taken(_folder):
    return person_on_holiday(_folder)


def route_delayed(_folder):
    return person_on_holiday(_folder)


def route_twice(_folder):
    desk = in_alarm()
    desk.wait(NIGHT_MS + MINUTE)
    (_, _, text) = desk.said(CallKind.ALARM)[0]
    return Came(called_s(desk, NIGHT_MS), "" if text.rstrip().endswith("#1.1") else f"no number: {text}")


def route_too_long(_folder):
    desk = in_alarm(reason="x" * 190)
    desk.wait(NIGHT_MS + MINUTE)
    (_, _, text) = desk.said(CallKind.ALARM)[0]
    sound = fits(text) and text.endswith("#1.1") and "k1" in text
    return Came(called_s(desk, NIGHT_MS), "" if sound else f"does not fit: {text}")


# Other racks


def racks_floods(_folder):
    """What the flood costs the processor is what a critical alarm behind it waits."""
    desk, refused, began_s = Desk(NIGHT_MS), 0, process_time()
    for number in range(1, 10_001):
        said = event(number, NIGHT_MS + number, f"v{number}/temperature/high", priority=Priority.HIGH)
        try:
            desk.hear(said, NIGHT_MS + number, rack="south")
        except InputError:
            refused += 1
        if process_time() - began_s > 120:
            return Came(None, f"{number} alarms cost 120 s of processor; one behind them waits")
    at_ms = NIGHT_MS + 20_000
    desk.hear(event(1, at_ms), at_ms)
    costs_s = process_time() - began_s
    alive(desk, "north", at_ms, at_ms + 5 * MINUTE)
    after_s = called_s(desk, at_ms, about="north")
    wrong = f"{refused} of 10,000 were refused" if refused > 5_000 else ""
    return Came(None if after_s is None else after_s + costs_s, wrong)


def racks_made_up(_folder):
    desk, refused = Desk(NIGHT_MS), 0
    desk.hear(event(1, NIGHT_MS), NIGHT_MS)
    for number in range(500):
        beat = heartbeat_message(f"bellwatch/r{number}", NIGHT_MS + number, 0, 0, voice_of(f"r{number}"))
        try:
            desk.publish(beat.topic, beat.payload.encode(), NIGHT_MS + number)
        except InputError:
            refused += 1
    desk.wait(NIGHT_MS + MINUTE)
    return Came(called_s(desk, NIGHT_MS, about="north"), "" if refused else "every name was taken")


def _published(desk, said, at_ms, **changes):
    first = messages_of(said, voice_of("north"), "bellwatch/north", UTC)[0]
    body = json.loads(first.payload) | changes
    desk.publish(first.topic, json.dumps(body).encode(), at_ms)


def racks_other_version(_folder):
    desk = Desk(NIGHT_MS)
    changes = {"condition": "sideways", "alarm": "k1/temperature/sideways", "state": "puzzled"}
    _published(desk, event(1, NIGHT_MS), NIGHT_MS, **changes)
    desk.wait(NIGHT_MS + MINUTE)
    return Came(called_s(desk, NIGHT_MS, about="sideways"))


def racks_control_characters(_folder):
    desk = Desk(NIGHT_MS)
    forged = "pump\n\x1b[31mCRITICAL south k9: forged\u202e"
    _published(desk, event(1, NIGHT_MS), NIGHT_MS, reason=forged)
    desk.wait(NIGHT_MS + MINUTE)
    texts = [text for _, _, text in desk.said(CallKind.ALARM)]
    bad = [text for text in texts if any(mark in text for mark in ("\n", "\x1b", "\u202e"))]
    return Came(called_s(desk, NIGHT_MS, about="north"), f"it reaches people: {bad[0]!r}" if bad else "")


def racks_new_journal(_folder):
    desk = in_alarm()
    desk.hear(event(50, NIGHT_MS + 1), NIGHT_MS + 1)
    at_ms = NIGHT_MS + HOUR
    desk.hear(event(1, at_ms, "k3/oxygen/low"), at_ms, journal="a new one")
    desk.wait(at_ms + MINUTE)
    return Came(called_s(desk, at_ms, about="k3"))


# Network


def network_reordered(_folder):
    desk = Desk(NIGHT_MS)
    for message in reversed(messages_of(event(1, NIGHT_MS), voice_of("north"), "bellwatch/north", UTC)):
        desk.publish(message.topic, message.payload.encode(), NIGHT_MS)
    desk.wait(NIGHT_MS + MINUTE)
    count = len(desk.said(CallKind.ALARM))
    return Came(called_s(desk, NIGHT_MS), "" if count == 1 else f"{count} calls")


# Machine


def machine_reboots(_folder):
    """It says that it watches, lives for a minute, dies, and is back two minutes later: for an hour."""
    desk = Desk(NIGHT_MS)
    for start_ms in range(NIGHT_MS, NIGHT_MS + HOUR, 3 * MINUTE):
        for state, at_ms in (("watching", start_ms), ("gone", start_ms + 80_000)):
            word = watch_message("bellwatch/north", state, at_ms, voice_of("north"))
            desk.publish(word.topic, word.payload.encode(), at_ms)
            if state == "watching":
                alive(desk, "north", at_ms, at_ms + MINUTE, alarms=0)
    return Came(called_s(desk, NIGHT_MS))


# Clock and hours


def clock_hand_over_day(_folder):
    """Summer time ends on 2025-10-26 at 03:00 in Copenhagen; the turns change that day at 09:00."""
    zone = ZoneInfo("Europe/Copenhagen")
    rota = Rota(("ada", "bo", "cy"), date(2025, 10, 12), time(9), zone)
    duty = replace(DUTY, rota=rota, quiet=QuietHours(time(22), time(7), zone))
    wrong = []
    for hour, minute, person in ((8, 59, "bo"), (9, 1, "cy")):
        at_ms = instant_ms(date(2025, 10, 26), time(hour, minute), zone)
        if rota.on_call(at_ms) != person:
            wrong.append(f"{hour}:{minute:02} {rota.on_call(at_ms)} instead of {person}")
    at_ms = instant_ms(date(2025, 10, 26), time(9, 1), zone)
    desk = in_alarm(duty, at_ms)
    desk.wait(at_ms + MINUTE)
    return Came(called_s(desk, at_ms, person="cy"), ", ".join(wrong))


def clock_zone_moved(_folder):
    """Repeats go on by the steady axis; the quiet hours are those of the new zone at once."""
    desk = in_alarm()
    desk.wait(NIGHT_MS + 6 * MINUTE)
    far = ZoneInfo("Pacific/Auckland")
    moved = replace(
        DUTY,
        rota=replace(DUTY.rota, zone=far),
        quiet=QuietHours(time(22), time(7), far),
    )
    desk.team = desk.team.restore(desk.team.snapshot(), moved)
    alive(desk, "north", NIGHT_MS + 6 * MINUTE, NIGHT_MS + 12 * MINUTE)
    repeats = [at_ms - NIGHT_MS for at_ms, _, _ in desk.said(CallKind.ALARM)]
    due_ms = NIGHT_MS + 7 * MINUTE
    desk.hear(event(2, due_ms + HOUR, "k2/oxygen/low", priority=Priority.MEDIUM), due_ms + HOUR)
    desk.wait(due_ms + HOUR + MINUTE)
    local = datetime.fromtimestamp((due_ms + HOUR) / 1000, UTC).astimezone(far)
    assert 7 <= local.hour < 22, local
    steady = repeats[:3] == [15_000, 315_000, 615_000]
    return Came(called_s(desk, due_ms + HOUR, about="k2"), "" if steady else f"repeats moved: {repeats}")
