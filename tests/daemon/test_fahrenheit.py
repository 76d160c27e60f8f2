"""Every screen of one rack in °F: each temperature in °C is there converted, and none is left.

The same screens are rendered in °C and compared number by number. All water is invented. That 32 °F is 0 °C
and 212 °F is 100 °C is the scale's definition.
"""

import io
import json
import re
import sqlite3
import threading
from contextlib import closing, redirect_stdout
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from daemon.as_read import own, show_temperatures_in, shown, shown_reason
from daemon.broker.messages import messages_of
from daemon.check.load import load_settings
from daemon.commands.cli import main
from daemon.journal.logbook import calibrations_in
from daemon.oncall.call_text import call_text
from daemon.oncall.messages import heard
from daemon.page.pages import RackPages
from daemon.settings.plan import rack_plan
from daemon.web.server import Request
from daemon.words import level
from rules.alarms.life_cycle import Condition, Priority
from rules.calling.records import Call, CallKind, Voice
from rules.care.hand_checks import Chart
from rules.care.probe_care import CHECKED
from rules.quantities import Quantity
from tests.rigs.page_rack import HOUR_MS, page_rack
from tests.rigs.parts.simulator_process import wait_for

ZONE = ZoneInfo("Europe/Copenhagen")
VESSELS = (("k1", "kreisel", "ephyra"), ("k2", "kreisel", "juvenile"))
POINTS = [{"read": 15.2, "true": 15.0, "uncertainty": 0.05}]
CALIBRATION = {"probe": "k1-multi", "quantity": "temperature", "points": POINTS, "standard": "lot 7"}
HAND_CHECK = {
    "vessel": "k1",
    "quantity": "temperature",
    "method": "glass",
    "instrument": "7",
    "accuracy": 0.1,
}
WITH_UNIT = re.compile(r"(-?\d+(?:\.\d+)?)(?: ± ([\d.]+))? (°?)([CF])(/h)?\b")
FOR_PROGRAMS = ("payload", "json")


@pytest.fixture(scope="module")
def rack(tmp_path_factory):
    """k1 grows too warm, is calibrated, and is found 0.6 °C high by hand, again and again."""
    folder = tmp_path_factory.mktemp("fahrenheit")
    with page_rack(folder, vessels=VESSELS, days=0.6, drifts={("k1", "temperature"): (2.5, 2.0)}) as made:
        made.ask("calibrate", **CALIBRATION)
        for _ in range(8):
            made.ask("hand_measurement", **HAND_CHECK, value=19.4, another=True)
        yield made
    show_temperatures_in("C")


def pages_of(settings):
    stop = threading.Event()
    pages = RackPages(settings, stop)
    pages.pulse.start()
    wait_for(lambda: pages.pulse.recalled >= 1.0 and pages.pulse.newest.number >= 0)
    found = {path: pages(Request(path, {}, acts=False)).html for path in ("/", "/vessel/k1", "/alarms")}
    stop.set()
    return found


def messages(rack):
    """What is said of each event and notice: as text for people, on a phone, and for programs."""
    history = rack.journal.history
    alarms = {it.alarm for it in history.newest_event_of_each_alarm()}
    said = [event for alarm in sorted(alarms) for event in history.events_of(alarm)]
    said += history.notices(0, rack.now_ms + HOUR_MS)
    texts, phone, plain = [], [], []
    for each in said:
        for message in messages_of(each, Voice("j", "1", "b", "h"), "bell/north", ZONE)[:1]:
            body = json.loads(message.payload)
            texts.append(body.pop("text"))
            plain.append(json.dumps(body, ensure_ascii=False))
            if message.topic.endswith("event") and body["event"] == "raised":
                word = heard("bell", message.topic, message.payload.encode(), False)
                call = Call("1", CallKind.ALARM, 1, "ada", Priority.HIGH, word.event.at_ms, (word,))
                phone.append(call_text(call, {}, ZONE))
    return {"texts": "\n".join(texts), "phone": "\n".join(phone), "payload": "\n".join(plain)}


def printed(*command):
    with redirect_stdout(io.StringIO()) as out:
        main(command)
    return out.getvalue()


def screens(rack, unit, folder):
    """Every kind of screen by name, rendered under settings that choose the unit."""
    text = re.sub(r'temperatures_in = "."\n', "", rack.file.read_text())
    rack.file.write_text(text.replace("people =", f'temperatures_in = "{unit}"\npeople =', 1))
    settings, found = load_settings(rack.file), {}
    commands = {
        "status": ["status"], "vessel": ["status", "k1"], "json": ["status", "--json"],
        "why": ["why", "k1/temperature"], "alarm": ["why", "k1/temperature/rising"],
        "night": ["handover"], "month": ["handover", "--month", f"{datetime.now(ZONE):%Y-%m}"],
        "calibrations": ["calibrations"], "certificate": ["calibrations", "--certificate"],
    }  # fmt: skip
    source, report = str(settings.journal.path), folder / f"{unit}.html"
    commands["replay"] = ["replay", source, "--report", str(report), "--vessel", "k1"]
    for name, command in commands.items():
        rack.sole_writer.beat()  # of a watch that is not heard nothing is told as if it were now
        found[name] = printed(*command, "--settings", str(rack.file))
    found["wall"] = printed("check", "--wall", str(rack.file))
    found["report"] = report.read_text()
    rack.sole_writer.beat()
    return found | pages_of(settings) | messages(rack)


@pytest.fixture(scope="module")
def both(rack, tmp_path_factory):
    folder = tmp_path_factory.mktemp("screens")
    yield screens(rack, "C", folder), screens(rack, "F", folder)
    show_temperatures_in("C")


def numbers(text, unit):
    """Each number with its unit, its ± (NaN: none) and whether it is a rate."""
    return [
        (float(value), float(sure or "nan"), bool(per))
        for value, sure, _, its, per in WITH_UNIT.findall(text)
        if its == unit
    ]


def test_every_screen_shows_the_converted_temperatures_and_none_in_celsius(both):
    celsius, fahrenheit = both
    for name, text in celsius.items():
        if name in FOR_PROGRAMS:
            continue
        was, now = numbers(text, "C"), numbers(fahrenheit[name], "F")
        assert was or name in ("report", "/vessel/k1"), name
        assert "°C" not in fahrenheit[name], name
        assert not numbers(fahrenheit[name], "C"), name
        assert len(was) == len(now), name
        for (value, sure, is_rate), (value_f, sure_f, _) in zip(was, now, strict=True):
            difference = is_rate or abs(value) < 3  # how far apart: no water here is so cold
            assert value_f == pytest.approx(1.8 * value + (0 if difference else 32), abs=0.06), name
            assert not sure_f > 2.4 * sure, name


def test_numbers_that_say_no_unit_are_converted_too(both):
    """The water is between 5 and 30 °C, so that every temperature in °F is over 40."""
    _, fahrenheit = both
    limits = re.search(r"critical ([\d.]+) < advisory ([\d.]+) < target ([\d.]+)", fahrenheit["vessel"])
    assert all(float(it) > 40 for it in limits.groups())
    readout = re.findall(r"temperature ([\d.]+)(?: to ([\d.]+))?", fahrenheit["/vessel/k1"])
    assert readout
    assert all(float(it) > 40 for pair in readout for it in pair if it)
    rungs = re.findall(r'class="tick end"[^>]*>([\d.]+)<', fahrenheit["/vessel/k1"])
    assert all(float(it) > 40 for it in rungs[:3])
    assert "59.36 read for 59: slope 1, offset -0.36 °F" in fahrenheit["calibrations"]
    assert "sent 59.36 (raw), true 59 ± 0.09 °F" in fahrenheit["certificate"]
    assert "59.36 in 59" in fahrenheit["month"]
    rows = json.loads(re.search(r'id="data">(.*?)</script>', fahrenheit["report"])[1])["channels"]
    assert min(it for it in rows["k1/temperature"]["low"] if it is not None) > 40
    assert rows["k1/temperature"]["unit"] == "°F"


def test_a_replay_without_settings_speaks_as_the_team_did(rack, tmp_path):
    """The process had chosen the other before: the newest plan in the journal tells, else it is °C."""
    bare = tmp_path / "copy.sqlite"
    for unit, other in (("F", "C"), ("C", "F")):
        with closing(sqlite3.connect(rack.journal.path)) as journal, closing(sqlite3.connect(bare)) as copy:
            journal.backup(copy)
            body = "json_set(body, '$.temperatures_in', ?)" if unit == "F" else "json_remove(body, ?)"
            given = "F" if unit == "F" else "$.temperatures_in"
            copy.execute(f"UPDATE action SET body = {body} WHERE kind = 'configure'", (given,))
            copy.commit()
        show_temperatures_in(other)
        said = printed("replay", str(bare))
        assert numbers(said, unit)
        assert not numbers(said, other)


def test_the_plan_of_a_rack_knows_what_its_team_reads(rack, both):
    assert rack_plan(load_settings(rack.file), lambda *_: 1).temperatures_in == "F"


def test_programs_are_told_in_celsius(both):
    celsius, fahrenheit = both
    assert celsius["payload"] == fahrenheit["payload"]
    ((was, unit), (now, _)) = (
        next((it["value"], it["unit"]) for it in json.loads(found["json"])["vessels"][0]["channels"])
        for found in both
    )
    assert (now, unit) == (was, "°C")
    assert was < 30


def test_what_people_type_in_is_taken_as_the_screens_show_it(rack, both):
    """66.92 °F is 19.4 °C, worked by hand; the file of the rack says °F by now."""
    words = ["--method", "glass", "--instrument", "8", "--accuracy", "0.18", "--settings", str(rack.file)]
    words += ["--who", "ada"]
    command = ["measure", "k1", "temperature", "66.92", "--another", *words]
    assert rack.while_it_runs(lambda: main(command)) == 0
    assert rack.journal.history.newest_notice(CHECKED, "k1/temperature").details["hand"] == pytest.approx(
        19.4
    )
    celsius = [*command[:3], "19.4", *command[4:], "--unit", "C"]
    assert rack.while_it_runs(lambda: main(celsius)) == 0
    assert rack.journal.history.newest_notice(CHECKED, "k1/temperature").details["hand"] == 19.4
    pair = ["--standard", "ice", "--point", "32.36=32.0", "--who", "ada", "--settings", str(rack.file)]
    assert rack.while_it_runs(lambda: main(["calibrate", "k2-multi", "temperature", *pair])) == 0
    (made,) = [it for it in calibrations_in(rack.journal) if it.probe == "k2-multi"]
    assert (made.points[0].read, made.points[0].true) == pytest.approx((0.2, 0.0))


def test_the_scale():
    show_temperatures_in("C")
    assert (shown(0.0, "temperature"), shown(100.0, "temperature")) == (0.0, 100.0)
    show_temperatures_in("F")
    assert (shown(0.0, "temperature"), shown(100.0, "temperature")) == pytest.approx((32.0, 212.0))
    assert own(212.0, Quantity.TEMPERATURE) == pytest.approx(100.0)
    assert own(1.8, Quantity.TEMPERATURE, difference=True) == pytest.approx(1.0)
    assert (shown(33.0, "salinity"), own(33.0, "salinity")) == (33.0, 33.0)
    said = [
        level(10.0, Quantity.TEMPERATURE, it)
        for it in (Condition.HIGH, Condition.RISING, Condition.DISAGREEMENT)
    ]
    assert said == ["50.00 °F", "18.00 °F/h", "18.00 °F"]
    accused = Chart((), off_by=1.0, over=5, allowed=0.5).rule
    assert shown_reason(accused, "temperature").startswith(
        "mean of 5, 0.9 would be explained; only a standard"
    )
    shelf = "back from the shelf: worse by 1.5 since it was shelved"
    assert shown_reason(shelf, "temperature") == shelf.replace("1.5", "2.7")
    assert shown_reason(shelf, "salinity") == shelf
    show_temperatures_in("C")
