"""Forty scripted nights from the water to the person: no danger missed, hardly a call without a cause.

A tenth of them in every run, all of them with `-m long`; tests/nights/table.md shows who got what when.
"""

import threading
import time
from dataclasses import replace
from datetime import UTC
from functools import partial
from zoneinfo import ZoneInfo

import pytest

from daemon.broker.messages import messages_of
from daemon.clock import SteadyClock
from daemon.oncall.assembly import build
from daemon.oncall.call_text import call_text
from daemon.oncall.check import load_oncall
from daemon.oncall.text_message import fits
from rules.calling.records import CallKind
from tests.nights.scripted import KINDS, NIGHTS, PEOPLE, TELLS, course_of, played, script_of
from tests.nights.table import FILE, lines, measured
from tests.rigs.acceptable import within_acceptable
from tests.rigs.oncall_run import write_oncall
from tests.rigs.parts.mosquitto import Mosquitto
from tests.rigs.parts.page_receiver import PageReceiver
from tests.rigs.rack_voice import RackVoice

pytestmark = pytest.mark.timeout(1400)
"""Whole nights take minutes on a machine that is slow or busy."""

ZONE = ZoneInfo("Europe/Copenhagen")
LINK = "https://bell.example/AbCdEfGhIjKlMnOp"
EVERY_RUN = range(0, NIGHTS, 10)
NEEDLESS_A_WEEK = 1.0
SCALE = 240


@pytest.mark.parametrize("number", EVERY_RUN)
def test_a_night(number):
    course = course_of(number)
    assert course.missed() == []
    for danger in course.dangers():
        assert course.first_call(danger).person == PEOPLE[0], "whoever is on call, first"
    for call in course.calls:
        assert fits(call_text(call, {}, ZONE, LINK if call.numbers else "")), call


def test_a_call_that_does_not_come_is_missed_and_one_that_comes_for_nothing_is_needless():
    """Without calls every danger is missed, without a script every call is needless."""
    course = next(it for it in map(course_of, EVERY_RUN) if it.dangers())
    silent = replace(course, calls=[])
    assert silent.missed() == course.dangers()
    nothing = replace(course.script.scenario, events=())
    innocent = replace(course, script=replace(course.script, scenario=nothing, deeds=()))
    assert {it.key or it.id for it in innocent.needless()} == {it.key or it.id for it in course.told}
    late = [replace(call, at_ms=call.at_ms + 12 * 3_600_000) for call in course.calls]
    assert replace(course, calls=late).missed()


def test_every_kind_of_night_is_drawn_from_its_number_alone():
    assert {script_of(number).kind for number in range(NIGHTS)} == set(KINDS)
    assert script_of(3) == script_of(3)
    assert script_of(3) != script_of(11)


@pytest.mark.long
def test_the_night_that_is_missed_is_told_by_a_rack_that_had_known_its_probe_for_longer():
    """The rack of night 16 is new at 21:00, and its cell stands still after 88 readings; here after 268."""
    script = script_of(16)
    later = tuple(replace(event, at_min=event.at_min + 90) for event in script.scenario.events)
    course = played(replace(script, scenario=replace(script.scenario, events=later)))
    assert [danger.vessel for danger in course.dangers()] == ["kreisel-5"]
    assert course.missed() == []


@pytest.mark.long
def test_forty_nights():
    courses = [course_of(number) for number in range(NIGHTS)]
    assert not [it.script.number for it in courses if it.missed()]
    needless = [call for it in courses for call in it.needless()]
    assert len(needless) <= NEEDLESS_A_WEEK * NIGHTS / 7, needless
    assert sum(len(it.dangers()) for it in courses) >= NIGHTS / 2, "nights without a danger show nothing"
    within_acceptable(measured(courses))
    drawn = FILE.read_text(encoding="utf-8")
    assert drawn.endswith("\n".join(lines(courses)) + "\n"), "python -m tests.nights.table draws it anew"


def _heard(phones, to, where):
    return any(where in text for text in phones.texts(to))


@pytest.mark.long
@pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")
@pytest.mark.parametrize("number", [12, 20])
def test_a_night_through_broker_process_and_message_service(tmp_path, number):
    """The same events over a real broker into the on-call process, its clock 240 times as fast."""
    course = course_of(number)
    begins_ms, first = course.night.events[0].at_ms, {}
    until_ms = min(course.night.end_ms, begins_ms + 4 * 3_600_000)
    for call in course.told:
        if call.kind is CallKind.ALARM and call.at_ms < until_ms - 600_000:
            first.setdefault(call.key, call)
    assert first
    with Mosquitto(tmp_path) as broker, PageReceiver() as phones:
        path = write_oncall(tmp_path, broker.port, phones.port)
        kept = [line for line in path.read_text().splitlines() if not line.startswith("first_day")]
        place = kept.index("[rota]") + 1
        path.write_text("\n".join([*kept[:place], "first_day = 2026-08-10", *kept[place:]]) + "\n")
        settings, routes = load_oncall(path)
        clock, stop = SteadyClock(begins_ms - 120_000, scale=SCALE), threading.Event()
        process = threading.Thread(target=lambda: build(settings, routes, clock).run(stop))
        process.start()
        try:
            with RackVoice(broker.port, "demo") as rack:
                for event in course.night.events:
                    if event.at_ms > until_ms:
                        break
                    while clock.now_ms() < event.at_ms:
                        time.sleep(0.01)
                    for message in messages_of(event, rack.voice, rack.topic, UTC):
                        rack.publish(message.topic, message.payload, retain=message.retain)
                for call in first.values():
                    where, to = f"demo {call.about[0].event.vessel}", f"{call.person}-1"
                    phones.wait_for(partial(_heard, phones, to, where), f"{to}: {where}")
        finally:
            stop.set()
            process.join()
        assert all(fits(text) for text in phones.texts())
        assert {call.kind for call in course.told} <= set(TELLS)
