"""The mirror against real servers that are killed and started again, refuse points, or are away for long.

Both sides are compared by reading everything back.
"""

import sqlite3
import threading
import time
from contextlib import closing, contextmanager

import pytest
import structlog
from structlog.testing import capture_logs

from daemon.journal.dating import Dating, Stretch
from daemon.journal.journal import Journal
from daemon.mirror import mirror as mirror_module
from daemon.mirror.mirror import WAITS_FOR_CLOCK, Mirror
from daemon.settings.rack import MirrorSettings
from daemon.view.reader import mirror_now
from drivers.readings import Reading
from rules.quantities import Quantity
from tests.rigs.bench import START_MS, Bench, steady, swinging
from tests.rigs.parts.certificates import own_authority, signed_by
from tests.rigs.parts.data_servers import (
    BUCKET,
    Influx,
    VictoriaMetrics,
    needs_influx,
    needs_victoria,
    to_digits,
)

PATIENCE_S = 40.0
WEEK_MS = 7 * 24 * 3_600_000
RACK = "bench"
servers = pytest.mark.parametrize(
    "server_class",
    [pytest.param(Influx, marks=needs_influx), pytest.param(VictoriaMetrics, marks=needs_victoria)],
)


@pytest.fixture(autouse=True)
def impatient(monkeypatch):
    """The same steps in tenths of seconds."""
    monkeypatch.setattr(mirror_module, "LOOKS_EVERY_S", 0.02)
    monkeypatch.setattr(mirror_module, "FIRST_RETRY_S", 0.05)
    monkeypatch.setattr(mirror_module, "LONGEST_RETRY_S", 0.2)
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
    yield
    structlog.reset_defaults()


def settings_for(server):
    return MirrorSettings(url=server.url, bucket=BUCKET)


@contextmanager
def mirroring(mirror):
    """Run the mirror's own thread; what ended it is raised at the end."""
    stop, crash = threading.Event(), []

    def body():
        try:
            mirror.run(stop)
        except BaseException as error:
            crash.append(error)

    thread = threading.Thread(target=body, name="mirror under test")
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()
    if crash:
        raise crash[0]


def journaled(path):
    """What the server must hold: every reading that the journal holds."""
    with closing(sqlite3.connect(path)) as db:
        rows = db.execute(
            "SELECT vessel, quantity, probe, at_ms - lag_ms, value FROM reading JOIN source ON id = source"
        ).fetchall()
    return {(RACK, *row) for row in rows}


def wait_for(condition, what, meanwhile=lambda: None):
    until = time.monotonic() + PATIENCE_S
    while not condition():
        meanwhile()
        assert time.monotonic() < until, f"{what} never came"
        time.sleep(0.02)


def caught_up(mirror, journal, now_ms=0):
    """Whether the progress that the journal keeps has reached its end."""
    mirror.step(now_ms)
    state = mirror_now(journal)
    return state.readings_behind == state.events_behind == 0


@servers
def test_killed_again_and_again_the_server_holds_the_same_points_afterwards(tmp_path, server_class):
    with server_class(tmp_path) as server:
        bench = Bench(tmp_path)
        mirror = Mirror(settings_for(server), RACK, bench.journal, Dating)
        with mirroring(mirror):
            for life in range(5):
                bench.take(swinging(60, START_MS + life * 60_000))
                time.sleep(0.02 * life)  # the kill meets another moment of the sending each time
                server.kill()
                bench.take(swinging(20, START_MS + life * 60_000 + 60_000 - 100, every_ms=5))
                server.start()
            bench.take(swinging(10, START_MS + 400_000))
            clock = iter(range(0, 10**9, 60_000))
            wait_for(lambda: caught_up(mirror, bench.journal, next(clock)), "the end of the journal")
            wait_for(lambda: len(server.readings()) >= len(journaled(bench.path)), "the last points")
        assert to_digits(server.readings(), server.digits) == to_digits(journaled(bench.path), server.digits)
        assert mirror_now(bench.journal).refused == 0
        bench.power_cut()


@servers
def test_a_week_without_the_server_is_made_up_for_while_the_watch_goes_on(tmp_path, server_class):
    with server_class(tmp_path) as server:
        bench = Bench(tmp_path, silent_after_s=120.0)
        server.kill()
        mirror = Mirror(settings_for(server), RACK, bench.journal, Dating)
        with mirroring(mirror):
            bench.watch.take(steady(20_160, 15, every_ms=30_000), START_MS + WEEK_MS)
            wait_for(lambda: mirror.step(0) or mirror_now(bench.journal).trouble, "the trouble")
            assert mirror_now(bench.journal).readings_behind == bench.journal.inputs.last_seq()
            server.start()
            slowest_s, k = 0.0, 0

            def watch_on():
                nonlocal slowest_s, k
                k += 1
                began = time.perf_counter()
                at_ms = START_MS + WEEK_MS + k * 1_000
                bench.watch.take([Reading("k1-ct", "temperature", 15 + k % 3, at_ms)], at_ms)
                slowest_s = max(slowest_s, time.perf_counter() - began)

            newest = bench.journal.inputs.last_seq()
            clock = iter(range(0, 10**9, 60_000))

            def has_the_week():
                mirror.step(next(clock))
                return bench.journal.outbox.mirrored().reading >= newest

            wait_for(has_the_week, "the week", watch_on)
            wait_for(lambda: caught_up(mirror, bench.journal, next(clock)), "the end of the journal")
        assert slowest_s < 1.0, "no turn of the watch waits for the mirror"
        wait_for(lambda: len(server.readings()) >= len(journaled(bench.path)), "the last points")
        assert to_digits(server.readings(), server.digits) == to_digits(journaled(bench.path), server.digits)
        bench.power_cut()


@needs_influx
def test_points_that_the_server_refuses_are_set_aside_with_its_words_and_the_rest_goes_on(tmp_path):
    """Somebody wrote a text where our number goes: InfluxDB keeps a field's type for a week's shard."""
    with Influx(tmp_path) as server:
        server.write(f'reading,vessel=x value="a text" {(START_MS + 1_000) * 1_000_000}')
        bench = Bench(tmp_path)
        bench.take(steady(23, 15))
        good = steady(200, 15, START_MS + 2 * WEEK_MS)
        bench.take(good)
        mirror = Mirror(settings_for(server), RACK, bench.journal, Dating)
        with capture_logs() as said, mirroring(mirror):
            clock = iter(range(0, 10**9, 60_000))
            wait_for(lambda: caught_up(mirror, bench.journal, next(clock)), "the end of the journal")
        points = [point for point in server.points("reading") if point["vessel"] == "k1"]
        assert len(points) == len(good)
        state = mirror_now(bench.journal)
        assert state.refused == 23
        assert "field type conflict" in state.last_refusal
        lines = bench.journal._db.execute("SELECT line, reason FROM mirror_refused ORDER BY id").fetchall()
        assert (
            lines[0][0]
            == f"reading,probe=k1-ct,quantity=temperature,rack=bench,vessel=k1 value=15.0 {START_MS}000000"
        )
        assert all("already exists as type string" in reason for _, reason in lines)
        (line,) = [line for line in said if line["event"] == "mirror_refused"]
        assert line["points"] == 23
        bench.power_cut()


def mirror_everything(server, bench, rack=RACK):
    mirror, clock = Mirror(settings_for(server), rack, bench.journal, Dating), iter(range(0, 10**9, 60_000))
    with mirroring(mirror):
        wait_for(lambda: caught_up(mirror, bench.journal, next(clock)), "the end of the journal")


@needs_influx
def test_writing_everything_again_changes_nothing_and_every_name_survives(tmp_path):
    """Tags with every character that parts a line, and an alarm's events, read back from the server."""
    odd = "a b,c=d\\e"  # and a backslash, which parts nothing
    with Influx(tmp_path) as server:
        bench = Bench(tmp_path)
        bench.take(swinging(60))
        source = bench.journal.inputs.source_id(odd, Quantity.OXYGEN, odd)
        with bench.journal.transaction():
            bench.journal.inputs.append_readings(
                [
                    (START_MS + 61_000 + k, source, START_MS + 61_000 + k, v)
                    for k, v in enumerate([8, 0.1, 1e-9, 1e22])
                ]
            )
        for _ in range(2):
            mirror_everything(server, bench)
            assert server.readings() == journaled(bench.path)
            events = bench.journal.history.event_bodies()
            alarms = server.points("alarm")
            assert [point["number"] for point in alarms] == [event["number"] for event in events]
            assert [point["event"] for point in alarms] == [event["trigger"] for event in events]
            assert [point["time"] // 1_000_000 for point in alarms] == [event["at_ms"] for event in events]
            bench.journal._db.execute("UPDATE mirror SET reading = 0, event = 0")
        bench.power_cut()


@needs_influx
def test_nothing_is_mirrored_before_its_time_is_known(tmp_path):
    with Influx(tmp_path) as server:
        bench = Bench(tmp_path)
        bench.take(steady(5, 15))
        bench.take(steady(5, 15, START_MS + 10_000))
        dating = [Dating([Stretch(START_MS + 9_000, 0, False)])]
        mirror = Mirror(settings_for(server), RACK, bench.journal, lambda: dating[0])
        with mirroring(mirror):
            clock = iter(range(0, 10**9, 60_000))
            wait_for(
                lambda: mirror.step(next(clock)) or mirror_now(bench.journal).trouble == WAITS_FOR_CLOCK,
                "the wait",
            )
            assert len(server.readings()) == 5
            dating[0] = Dating([Stretch(START_MS + 9_000, 3_600_000, True)])
            wait_for(lambda: caught_up(mirror, bench.journal, next(clock)), "the end of the journal")
        times = sorted(point[4] for point in server.readings())
        assert times[5:] == [START_MS + 10_000 + k * 1_000 + 3_600_000 for k in range(5)]
        assert mirror_now(bench.journal).trouble == ""
        bench.power_cut()


def test_values_that_are_no_numbers_never_reach_the_wire(tmp_path):
    """The door lets none in; should one be in a journal from elsewhere, it is set aside here."""
    bench = Bench(tmp_path)
    bench.take(steady(2, 15))
    with bench.journal.transaction():
        source = bench.journal.inputs.source_id("k1-ct", "temperature", "k1")
        bench.journal.inputs.append_readings([(START_MS + 9_000, source, START_MS + 9_000, float("inf"))])
    settings = MirrorSettings(url="http://127.0.0.1:1")
    mirror = Mirror(settings, RACK, bench.journal, Dating)
    batch = mirror._next_batch()
    assert [line.split()[1] for line in batch.lines] == ["value=15.0", "value=15.01"]
    assert [(point.line, point.reason) for point in batch.not_finite] == [
        ("reading 4: inf", mirror_module.NOT_FINITE)
    ]
    bench.power_cut()


def test_a_new_journal_in_place_of_a_lost_one_is_mirrored_from_its_beginning(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(60))
    mirror = Mirror(MirrorSettings(url="http://127.0.0.1:1"), RACK, bench.journal, Dating)
    mirror._advance(mirror._next_batch().then, [])
    assert mirror._next_batch() is None
    bench.power_cut()
    for file in tmp_path.glob("journal.sqlite*"):
        file.unlink()
    anew = Bench(tmp_path)
    anew.take(steady(3, 15))
    assert len(mirror._next_batch().lines) == 3
    anew.power_cut()
    Journal(anew.path, writable=False).close()


@servers
def test_several_racks_share_a_server_and_are_told_apart_by_their_names(tmp_path, server_class):
    """The same vessel and probe names in every rack, at the same moments, with other values."""
    with server_class(tmp_path) as server:
        expected = set()
        for number, rack in enumerate(("north-rack", "south-rack", "nursery-2")):
            folder = tmp_path / rack
            folder.mkdir()
            bench = Bench(folder)
            bench.take(steady(50, 12 + number))
            mirror_everything(server, bench, rack)
            expected |= {(rack, *point[1:]) for point in journaled(bench.path)}
            bench.power_cut()
        wait_for(lambda: len(server.readings()) >= len(expected), "the last points")
        assert to_digits(server.readings(), server.digits) == to_digits(expected, server.digits)


@needs_victoria
def test_over_tls_a_server_of_our_own_authority_is_believed_and_no_other(tmp_path):
    authority, other = own_authority(tmp_path, "authority"), own_authority(tmp_path, "other")
    certificate = signed_by(tmp_path, "authority", "127.0.0.1")
    with VictoriaMetrics(tmp_path, certificate) as server:
        bench = Bench(tmp_path)
        bench.take(swinging(50))
        assert server.url.startswith("https://")
        doubted = MirrorSettings(url=server.url, bucket=BUCKET, ca_file=other)
        mirror = Mirror(doubted, RACK, bench.journal, Dating)
        with mirroring(mirror):
            refusal = "CERTIFICATE_VERIFY_FAILED"
            wait_for(lambda: refusal in mirror_now(bench.journal).trouble, "doubt", lambda: mirror.step(0))
        assert server.readings() == set()
        mirror = Mirror(doubted.model_copy(update={"ca_file": authority}), RACK, bench.journal, Dating)
        with mirroring(mirror):
            wait_for(lambda: caught_up(mirror, bench.journal), "the copy")
        assert to_digits(server.readings(), server.digits) == to_digits(journaled(bench.path), server.digits)
        bench.power_cut()
