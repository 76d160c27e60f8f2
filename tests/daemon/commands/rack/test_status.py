"""`bellwatch status`: what people see of a rack, worst first, by word and shape, and of the watch itself."""

import dataclasses
import io
import json
import re
import signal
import subprocess
import sys

import jsonschema
import pytest
from rich.console import Console

from daemon.broker.notices import Notices
from daemon.check.load import load_settings
from daemon.commands.rack.status import EXIT_STATUS, print_schema, status_command
from daemon.errors import JournalError
from daemon.journal.damage import replace_damaged
from daemon.journal.dating import Stretch
from daemon.journal.journal import Journal
from daemon.journal.outbox import Progress, RefusedPoint
from daemon.journal.sole_writer import SoleWriter
from daemon.journal.state import KeptTrouble
from daemon.settings.plan import rack_plan
from daemon.view.rack_now import Overall
from daemon.watch.watch import Watch
from drivers.readings import Reading
from tests.rigs.daemon_run import PATIENCE_S
from tests.rigs.minute_rack import MIRROR, MULTI, SETTINGS, START_MS, rack_in
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.places import DEPLOY, ROOT


def page_of(rack, later_s=5, width=80, vessel=None):
    out = io.StringIO()
    console = Console(file=out, width=width)
    rack.status = status_command(rack.settings, console, rack.now_ms + later_s * 1000, vessel=vessel)
    return out.getvalue()


def words(page):
    """The page in one line, as nobody cares where a line ends."""
    return " ".join(page.split())


@pytest.fixture
def rack(tmp_path):
    with rack_in(tmp_path) as made:
        yield made


def test_a_quiet_rack(rack):
    rack.minutes(30)
    page = page_of(rack)
    assert rack.status == 0
    assert page.splitlines()[0] == "● No alarm stands."
    heading = "k1  Kreisel 1, top left  ephyra, 5 s old, watched\n"
    assert heading in page, "the name for commands, the label for people"
    assert re.search(r"^  temperature 15\.00 °C ░+▒+█▒+░+  salinity", page, re.MULTILINE)
    assert "k2  juvenile, 5 s old, watched\n" in page
    assert "Air pressure 1011.0 hPa" in page
    assert "Last entry 2026-08-15 02:30:00 (5 s ago)." in page, "the time of the people at the rack"
    assert "unwatched" not in page.lower()
    assert "NOT WATCHED" not in page


def test_the_worst_comes_first_and_stands_beside_its_number(rack):
    rack.minutes(30)
    rack.minutes(30, k2=19.9, k3=None)
    rack.minutes(30, k1=24.0, k2=19.9, k3=None)
    page = page_of(rack, width=200)
    assert rack.status == 4
    told = re.findall(r"^([^\s▨]) (\w+)  (\S+)  unacknowledged, since \d\d:\d\d;", page, re.MULTILINE)
    ranks = ["low", "medium", "high", "critical"]
    assert [ranks.index(word) for _, word, _ in told] == sorted(
        (ranks.index(word) for _, word, _ in told), reverse=True
    )
    names = [name for *_, name in told]
    assert {"k1/temperature/high_high", "probe/k3-multi/unwatched"} < set(names)
    assert dict.fromkeys((shape, word) for shape, word, _ in told).keys() <= {
        ("■", "critical"),
        ("◆", "high"),
        ("▲", "medium"),
        ("·", "low"),
    }
    said = words(page)
    assert re.search(r"temperature/high_high .{20,90}; 24\.00 °C now; limit 23\.00 °C; .*nobody has it", said)
    assert "first: Chiller, room heat? Mains off before wet work" in said
    assert "■ temperature 24.00 °C ░░░▒▒▒▒░░░▶, " in page
    assert "temperature silent: k3-multi is silent, 60 min old, unwatched since" in page
    assert "▨ unwatched  k3 temperature, salinity, oxygen saturation: k3-multi is silent, since" in page


def test_an_acknowledged_and_a_shelved_alarm_say_so(rack):
    rack.minutes(30)
    rack.minutes(15, k1=24.0)
    rack.ask("acknowledge", alarm="k1/temperature/high_high")
    said = words(page_of(rack))
    assert "■ critical k1/temperature/high_high acknowledged by ada, since" in said
    assert "ada has it" in said
    rack.ask("shelve", alarm="k1/temperature/high_high", for_s=1800, why="new chiller", yes_critical=True)
    shelved = [line for line in page_of(rack, width=200).splitlines() if "k1/temperature/high_high  " in line]
    assert len(shelved) == 1
    assert re.search(r"shelved until \d\d:\d\d by ada: new chiller", shelved[0])


def test_over_a_shelved_critical_alone_on_the_rack_status_leads_with_it(rack):
    rack.minutes(30)
    rack.minutes(15, k1=24.0)
    rack.ask("shelve", alarm="k1/temperature/high_high", for_s=1800, why="new chiller", yes_critical=True)
    page = page_of(rack, width=200)
    assert "No alarm stands" not in page
    lead = next(line for line in page.splitlines() if "k1/temperature/high_high" in line)
    assert re.search(
        r"■ STANDS, HELD: critical  k1/temperature/high_high  shelved until \d\d:\d\d by ada", lead
    )
    assert page.index(lead) < page.index("k2")
    rack.minutes(10, k1=26.6)
    assert "back from the shelf: worse by 2.6 since it was shelved" in words(page_of(rack))
    assert "STANDS, HELD" not in page_of(rack)


def test_off_the_shelf_a_critical_alarm_is_told_with_its_own_limit(rack):
    rack.minutes(30)
    rack.minutes(15, k1=24.0)
    rack.ask("shelve", alarm="k1/temperature/high_high", for_s=1800, why="new chiller", yes_critical=True)
    rack.ask("unshelve", alarm="k1/temperature/high_high")
    said = words(page_of(rack))
    assert re.search(
        r"critical k1/temperature/high_high unacknowledged.*24\.00 °C now; limit 23\.00 °C", said
    )


def test_maintenance_is_shown_with_its_end(rack):
    rack.minutes(5)
    rack.ask("begin_maintenance", target="vessel/k2", for_s=3600, why="cleaning")
    assert "vessel/k2 is under maintenance until 03:05" in page_of(rack)


def test_a_number_that_is_not_believed_says_why_and_what_it_would_be_otherwise(rack):
    rack.minutes(30)
    rack.minutes(3, k2=65.16)
    assert "65.16 °C not believed: no water can be so" in words(page_of(rack))
    assert "18.42 °C if sent in °F" in words(page_of(rack)), "(65.16 - 32) / 1.8, as in any textbook"
    rack.minutes(3, k2=-4.5952434920488960e16)
    assert "-4.6e+16 °C not believed" in words(page_of(rack))


def test_a_plan_that_does_not_know_how_often_probes_are_read_is_that_of_the_file(tmp_path):
    """As that of the demonstration, and of a version that did not know it yet."""
    with rack_in(tmp_path) as rack:
        plan = rack_plan(rack.settings, rack.journal.inputs.source_id)
        unknown = tuple(dataclasses.replace(it, every_ms=0) for it in plan.sources)
        rack.watch.stop()
        rack.watch = Watch(
            rack.journal, dataclasses.replace(plan, sources=unknown), rack.now_ms, lambda _: ()
        )
        rack.minutes(5)
        assert "other settings" not in page_of(rack)
        other = tuple(dataclasses.replace(it, every_ms=7) for it in plan.sources)
        rack.watch = Watch(rack.journal, dataclasses.replace(plan, sources=other), rack.now_ms, lambda _: ())
        rack.minutes(5)
        assert "other settings" in page_of(rack)


def send(rack, probe, quantity, value):
    """Let a probe send the same for eight seconds."""
    at_ms = [rack.now_ms + 1000 * second for second in range(1, 9)]
    rack.watch.take([Reading(probe, quantity, value, it) for it in at_ms], at_ms[-1])


def test_what_is_made_of_a_reading_that_is_not_believed_names_that_reading(rack):
    rack.minutes(30)
    send(rack, "k1-multi", "conductivity", 40000.0)
    said = words(page_of(rack, later_s=9))
    assert "unwatched k1 salinity: k1/conductivity is not believed: no water can be so" in said
    assert "salinity unknown: k1/conductivity is not believed: no water can be so, changes" in said
    assert "it needs" not in said, "temperature is there"


def test_the_pressure_of_the_air_says_if_it_is_not_believed(rack):
    rack.minutes(30)
    send(rack, "barometer", "air_pressure", 101.1)
    said = words(page_of(rack, later_s=9))
    assert "Air pressure 101.1 hPa not believed: no water can be so, changes faster than water does; " in said
    assert "1011.0 hPa if sent in kPa" in said, "1 kPa is 10 hPa (SI)"


def test_an_alarm_whose_value_is_not_believed_any_more_says_so(rack):
    rack.minutes(30)
    rack.minutes(15, k1=24.0)
    assert "24.00 °C now; limit 23.00 °C" in words(page_of(rack))
    rack.minutes(3, k1=-15.4)
    assert "-15.40 °C now, not believed: no water can be so; limit 23.00 °C" in words(page_of(rack))


def test_a_vessel_alone_has_its_limits_and_nothing_of_the_others(rack):
    rack.minutes(30)
    rack.minutes(15, k1=24.0, k3=None)
    page = page_of(rack, vessel="k2")
    assert rack.status == 0
    assert page.splitlines()[0] == "● No alarm stands."
    assert "critical 8 < advisory 13 < target 16 < advisory 19 < critical 24" in words(page)
    assert "conductivity 40.00 mS/cm" in page
    assert not re.search("k1|k3", page)
    page_of(rack, vessel="k3")
    assert rack.status == 4
    with pytest.raises(JournalError, match="vessel: k9 is none of this rack; known are: k1, k2, k3"):
        page_of(rack, vessel="k9")


def test_a_vessel_alone_shows_what_a_calibrated_probe_sends_and_what_is_made_of_it(rack):
    """A standard of 50.0 was read as 49.0: of 40.00 sent 40.82 is made, worked by hand."""
    rack.minutes(30)
    points = [{"read": 49.0, "true": 50.0, "uncertainty": 0.1}]
    body = {"probe": "k2-multi", "quantity": "conductivity", "points": points, "standard": "lot 7"}
    rack.ask("calibrate", **body)
    rack.minutes(10)
    page = words(page_of(rack, vessel="k2"))
    assert "conductivity 40.82 mS/cm" in page
    assert "; the probe sends 40.00 for conductivity" in page
    assert page.count("the probe sends") == 1
    assert "the probe sends" not in page_of(rack)


def test_a_full_disk_is_not_all_is_well(rack, monkeypatch):
    rack.minutes(30)
    monkeypatch.setattr("daemon.view.reader.BALLAST_BYTES", 1 << 62)  # as if so much were needed
    page = page_of(rack)
    assert rack.status == 4
    assert page.startswith("■ THE DISK IS FULL")
    assert "No alarm stands" not in page
    alone = page_of(rack, vessel="k2")
    assert rack.status == 4, "it holds for every vessel"
    assert alone.startswith("■ THE DISK IS FULL")
    assert "No alarm stands" not in alone


def test_a_probe_that_sends_what_is_refused_says_so_beside_silent(rack):
    rack.minutes(30)
    rack.minutes(10, k3=None)
    trouble = KeptTrouble("line", "k3-multi", "time", "its clock is 3 h ahead", 9, START_MS, rack.now_ms)
    with rack.journal.transaction():
        rack.journal.state.keep_troubles([trouble])
    assert "k3-multi is silent; time: its clock is 3 h ahead, since" in words(page_of(rack))


def test_vessels_stand_worst_first(rack):
    rack.minutes(30)
    rack.minutes(15, k3=24.5)
    assert re.findall(r"^(k\d)", page_of(rack), re.MULTILINE) == ["k3", "k1", "k2"]


def test_a_watch_that_does_not_live_is_said_first(rack):
    rack.minutes(30)
    rack.sole_writer.release()
    try:
        page = page_of(rack, later_s=300)
    finally:
        rack.sole_writer = SoleWriter(rack.settings.journal.path)
    assert rack.status == 5
    assert words(page).startswith(
        "■ NOT WATCHED: `bellwatch run` is dead since 2026-08-15 02:30:00 (5 min ago)"
    )
    assert "No alarm stands" not in page
    assert "the watch is dead" not in page, "the first line says it, once for all vessels"
    assert re.search(r"temperature 15\.00 °C ░+▒+█▒+░+, 5 min old, unwatched\n", page)


@pytest.mark.parametrize("alone", [{}, {"vessel": "k1"}])
def test_a_journal_ahead_of_the_clock_has_no_age(rack, alone):
    rack.minutes(30)
    rack.sole_writer.release()
    try:
        page = page_of(rack, later_s=-86_400, width=200, **alone)
    finally:
        rack.sole_writer = SoleWriter(rack.settings.journal.path)
    assert "dead since 2026-08-15 02:30:00 (ahead of this machine's clock); start it" in page
    assert "▲ Last entry 2026-08-15 02:30:00, ahead of this machine's clock" in page
    assert re.search(r"temperature 15\.00 °C ░+▒+█▒+░+, age unknown", page)
    assert not re.search(r"\b0 s\b|-\d+ s", page)


def test_what_nobody_watches_stands_in_place_of_all_is_well(rack):
    rack.without_oxygen = ("k2",)
    rack.minutes(2)
    page = page_of(rack)
    assert rack.status == 3
    assert page.startswith("▨ unwatched  k2 oxygen saturation: no reading yet (hides up to critical)\n")
    assert "k2  juvenile, 5 s old, watched but for oxygen saturation\n" in page
    assert "No alarm stands" not in page
    assert re.findall(r"^(k\d)", page, re.MULTILINE)[0] == "k2"


def test_what_goes_wrong_on_a_bus_is_shown_for_an_hour(rack):
    rack.minutes(30)
    now_ms = rack.now_ms
    with rack.journal.transaction():
        rack.journal.state.keep_troubles(
            [
                KeptTrouble("wet", None, "port", "no adapter", 1, now_ms - 3_700_000, now_ms - 3_700_000),
                KeptTrouble("wet", "k1", "late", "answered too late", 37, now_ms - 600_000, now_ms - 60_000),
                KeptTrouble("", "k2", "waited", "undated readings", 1, now_ms, now_ms),
            ]
        )
    page = page_of(rack, width=120).splitlines()
    assert "wet k1: late (37 times since 02:20, last 02:29): answered too late" in page
    assert "k2: waited (02:30): undated readings" in page
    assert not any("adapter" in line for line in page)
    assert page[0] == "● No alarm stands."


def test_clock_and_damaged_journal_are_said(rack):
    rack.minutes(30)
    assert "not synchronised" not in page_of(rack)
    with rack.journal.transaction():
        rack.journal.state.keep_stretch(Stretch(START_MS, 0, False))
    assert "clock is not synchronised yet" in page_of(rack, width=200)
    replace_damaged(rack.journal, "database disk image is malformed")
    Notices(rack.journal, lambda _: []).tell_new_run(rack.journal.state.clock_ms())
    page = page_of(rack, width=250)
    assert "damaged (database disk image is malformed), set aside as " in page
    (kept,) = {path.name for path in rack.settings.journal.path.parent.glob("*.damaged-*")} & set(
        re.findall(r"journal\.sqlite\.damaged-\w+", page)
    )
    assert kept


def test_the_mirrors_progress_trouble_and_refusals_are_said(rack):
    rack.minutes(30)
    assert "mirror" not in page_of(rack)
    rack.settings = rack.settings.model_copy(update={"mirror": MIRROR})
    newest, events = rack.journal.inputs.last_seq(), rack.journal.history.last_event_number()
    assert f"The mirror is {newest} readings behind." in page_of(rack)
    refused = [RefusedPoint("reading,... value=1.0 0", "400: field type conflict")]
    with rack.journal.transaction():
        rack.journal.outbox.keep_mirrored(
            Progress(newest - 5, events, START_MS, "no route to host"), refused, 0
        )
    page = page_of(rack)
    assert "The mirror is 5 readings behind, it has everything up to 02:00." in page
    assert "The mirror is held up: no route to host" in page
    assert "The mirror's server refused 1 points, the last one so: 400: field type conflict" in page
    with rack.journal.transaction():
        rack.journal.outbox.keep_mirrored(Progress(newest, events, START_MS, ""), [], 0)
    assert "The mirror is up to date, it has everything up to 02:00." in page_of(rack)


def test_messages_that_wait_are_counted_and_refusals_give_their_reason(rack):
    rack.minutes(30)
    rack.minutes(15, k1=24.0)
    waiting = len(rack.journal.outbox.waiting(0, 1000))
    assert f"{waiting} messages wait for the broker." in page_of(rack)
    with rack.journal.transaction():
        first = rack.journal.outbox.waiting(0, 1)[0]
        rack.journal.outbox.mark_refused(first.id, "Not authorized")
    page = page_of(rack)
    assert f"{waiting} messages wait for the broker, 1 of them refused:" in page
    assert f"◆ {first.message.topic}: Not authorized" in page
    with rack.journal.transaction():
        for each in rack.journal.outbox.waiting(0, 1000):
            rack.journal.outbox.mark_delivered(each.id, rack.now_ms)
    assert "wait for the broker" not in page_of(rack)
    assert "Not authorized" not in page_of(rack)


def test_looking_changes_nothing(rack):
    rack.minutes(30)
    rack.minutes(15, k1=24.0)
    before = list(rack.journal._db.iterdump())
    page_of(rack)
    assert list(rack.journal._db.iterdump()) == before


def test_a_new_journal_and_none_at_all(tmp_path):
    path = tmp_path / "bellwatch.toml"
    path.write_text(SETTINGS.format(folder=tmp_path, probes=MULTI.format(vessel="k1", unit_id=1)))
    settings = load_settings(path)
    out = io.StringIO()
    with pytest.raises(JournalError, match="no such file; `bellwatch run` makes it"):
        status_command(settings, Console(file=out), START_MS)
    Journal(settings.journal.path, writable=True).close()
    with pytest.raises(JournalError, match="empty; `bellwatch run` has not taken in anything yet"):
        status_command(settings, Console(file=out), START_MS)
    assert out.getvalue() == ""


WATCHING = """
import sys
from daemon.commands.cli import main
from daemon.commands.rack import status
status.REDRAWN_EVERY_S = 0.2
sys.exit(main(["status", "--watch", "--settings", sys.argv[1]]))
"""


def test_watching_draws_it_anew_says_what_cannot_be_read_and_ends_with_how_it_was(rack, tmp_path):
    rack.minutes(30)
    drawn, path = tmp_path / "drawn", rack.settings.journal.path

    def newest():
        return words(drawn.read_text()[size:])

    with drawn.open("w") as out:
        command = [sys.executable, "-c", WATCHING, str(path.with_name("bellwatch.toml"))]
        watching = subprocess.Popen(command, cwd=ROOT, stdout=out, stderr=subprocess.PIPE, text=True)
        try:
            size = 0
            wait_for(lambda: "k1 Kreisel 1, top left ephyra" in newest())
            assert "high_high" not in newest()
            rack.minutes(15, k1=24.0)
            wait_for(lambda: "k1/temperature/high_high unacknowledged" in newest())
            path.rename(path.with_name("away"))
            wait_for(lambda: f"NOTHING IS KNOWN NOW: journal {path}: no such file" in newest())
            path.with_name("away").rename(path)
            size = len(drawn.read_text())
            wait_for(lambda: "k1/temperature/high_high unacknowledged" in newest())
            watching.send_signal(signal.SIGINT)
            found = watching.communicate(timeout=PATIENCE_S)[1]
            ended = {EXIT_STATUS[Overall.ALARM], EXIT_STATUS[Overall.NOT_WATCHED]}  # as nothing beats
            assert watching.returncode in ended
        finally:
            watching.kill()
            watching.wait()
    assert found == ""


def test_as_json_it_is_what_the_schema_says(rack):
    rack.minutes(30)
    rack.minutes(20, k3=None)
    rack.minutes(15, k1=19.0, k3=None)
    out = io.StringIO()
    status_command(rack.settings, Console(file=out, width=80), rack.now_ms, as_json=True)
    found = json.loads(out.getvalue())
    schema = json.loads((DEPLOY / "status.schema.json").read_text())
    validator = jsonschema.Draft202012Validator(schema)
    validator.validate(found)
    assert [vessel["name"] for vessel in found["vessels"]] == ["k1", "k3", "k2"]
    del found["vessels"][0]["unwatched"]
    assert not validator.is_valid(found)


def test_the_schema_in_the_repository_is_that_of_the_code():
    out = io.StringIO()
    print_schema(Console(file=out))
    again = "python -m daemon status --schema > deploy/status.schema.json"
    assert (DEPLOY / "status.schema.json").read_text() == out.getvalue(), again
