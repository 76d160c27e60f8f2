"""The machine's own readings lie beside the water: written down, exported, and judged by nobody."""

import os
from contextlib import closing

import pytest

from daemon.check.load import load_settings
from daemon.commands.cli import main
from daemon.journal.fold import engine_of
from daemon.journal.journal import Journal
from daemon.watch import machine_probe
from daemon.watch.machine_probe import SERIES, machine_series
from tests.daemon.test_machine import machine
from tests.rigs.daemon_run import write_settings
from tests.rigs.daemon_thread import running_daemon
from tests.rigs.journal_file import asked
from tests.rigs.parts.mosquitto import free_port
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame
from tests.rigs.parts.simulator_process import wait_for

pytestmark = pytest.mark.usefixtures("quiet_logs")

ROWS = (
    "SELECT s.probe, s.quantity, s.vessel, r.value FROM reading r JOIN source s ON s.id = r.source"
    " WHERE s.probe = 'machine'"
)


def test_what_a_pi_says_has_a_series_each_with_the_room_beside_the_journal_and_the_clock(tmp_path):
    machine(tmp_path, life_time="0x02 0x01\n")
    (tmp_path / "sys/block/mmcblk1/device").mkdir(parents=True)
    (tmp_path / "sys/block/mmcblk1/device/life_time").write_text("0x01 0x01\n")
    found = machine_series(tmp_path, synchronised=True, root=tmp_path)
    disk = os.statvfs(tmp_path)
    room = found.pop("machine_disk_free")
    assert room == pytest.approx(disk.f_bavail * disk.f_frsize / 1e6, rel=0.01)
    assert found == {
        "machine_under_voltage": 0,
        "machine_temperature": 54.3,
        "machine_memory_free": 500,
        "machine_card_wear": 20,  # of two the more worn
        "machine_clock_set": 1,
    }
    assert {*found, "machine_disk_free"} == set(SERIES)


def test_a_folder_that_is_gone_costs_its_room_alone(tmp_path):
    machine(tmp_path)
    found = machine_series(tmp_path / "gone", synchronised=False, root=tmp_path)
    assert "machine_disk_free" not in found
    assert found["machine_temperature"] == 54.3


def test_they_are_written_down_and_judged_by_nobody_and_a_record_has_them(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(machine_probe, "READ_EVERY_MS", 100)
    line = PtyLine(tmp_path / "serial")
    path = write_settings(tmp_path, tmp_path / "serial", free_port())
    settings = load_settings(path)
    with Peer(line, lambda request: answer_frame(request[0], request[1], 1500)):
        for _ in range(2):  # and over a restart
            before = len(asked(settings.journal.path, ROWS))
            with running_daemon(settings, None):
                wait_for(lambda before=before: len(asked(settings.journal.path, ROWS)) > before + 12)
    line.unplug()
    rows = asked(settings.journal.path, ROWS)
    known = machine_series(tmp_path, synchronised=True)
    assert {(probe, vessel) for probe, _, vessel, _ in rows} == {("machine", "rack")}
    assert {quantity for _, quantity, _, _ in rows} == known.keys()
    assert all(value > 0 for _, quantity, _, value in rows if quantity == "machine_disk_free")
    assert asked(settings.journal.path, "SELECT 1 FROM action WHERE kind = 'configure' LIMIT 1")
    with closing(Journal(settings.journal.path, writable=False)) as journal:
        engine = engine_of(journal)
        assert "machine" not in {it.channel.source.probe for it in engine.channels()}
        assert {it.channel for it in journal.history.newest_event_of_each_alarm()} <= {"k1/temperature"}
    assert main(["replay", str(settings.journal.path)]) == 0
    record = tmp_path / "record"
    assert main(["export", str(record), "--settings", str(path)]) == 0, capsys.readouterr()
    assert "machine_disk_free" in (record / "source.csv").read_text()
