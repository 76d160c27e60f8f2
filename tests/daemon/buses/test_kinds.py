"""A third kind of bus, made here, passes settings, check, schema, plan and wiring with a line in one table.

Its probes are files that hold a number each, in a folder that is the bus: no trade has it, only this test.
"""

import re
import threading
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, ClassVar, Literal, get_args

import pytest
from jsonschema import Draft202012Validator

from daemon.buses.kinds import KINDS
from daemon.buses.measurement import Measurement
from daemon.buses.shape import BusSettings, ProbeSettings
from daemon.check.check import findings_in
from daemon.check.load import load_settings
from daemon.clock import SteadyClock
from daemon.errors import Finding
from daemon.settings.file import read_values
from daemon.settings.plan import rack_plan
from daemon.settings.rack import Settings
from daemon.settings.schema import settings_schema
from daemon.tables.words import shown, where
from daemon.watch.timekeeper import TimeKeeper
from daemon.wiring import _buses, _surroundings
from drivers.readings import Reading
from rules.quantities import Quantity
from tests.daemon.watch.test_timekeeper import HOUR_MS, NOON_MS, Wall, close, journal_at
from tests.rigs.daemon_thread import running_daemon
from tests.rigs.journal_file import asked
from tests.rigs.parts.mosquitto import free_port
from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.places import ROOT


class LineSettings(Measurement):
    """Which line of the file holds a quantity."""

    line: int


class FileProbe(ProbeSettings):
    """A file that somebody writes numbers to."""

    entries_key: ClassVar = "lines"
    address_key: ClassVar = "file"
    known_by: ClassVar = "a file"

    file: str
    lines: tuple[LineSettings, ...]

    def reads(self):
        return {(self.file, entry.line) for entry in self.lines}

    def findings(self, name):
        for index, entry in enumerate(self.lines):
            if entry.line < 1:
                yield Finding(where("probes", name, "lines", index, "line"), shown(entry.line), "1 or more")


class FolderBus(BusSettings):
    """A folder of such files."""

    called: ClassVar = "a folder"
    probe_table: ClassVar = FileProbe

    kind: Literal["folder"]
    folder: str

    def findings(self, name, probes):
        if not Path(self.folder).is_dir():
            yield Finding(where("buses", name, "folder"), shown(self.folder), "a folder that is there")

    def driver(self, name, probes, around, emit):
        return FolderDriver(self, probes, around, emit)


class FolderDriver:
    """Reads each file ten times a second."""

    def __init__(self, bus, probes, around, emit):
        self.bus, self.probes, self.around, self.clock, self.emit = bus, probes, around, around.clock, emit

    def run(self, stop: threading.Event) -> None:
        while not self.clock.wait(stop, self.clock.now_ms() + 100):
            for name, probe in self.probes.items():
                texts = (Path(self.bus.folder) / probe.file).read_text().splitlines()
                for entry in probe.lines:
                    value = float(texts[entry.line - 1]) * entry.scale + entry.offset
                    self.emit(Reading(name, entry.quantity, value, self.clock.now_ms()))


GOOD = """\
[rack]
name = "third"
lineage = "unknown"
time_zone = "UTC"

[journal]
path = "{here}/journal.sqlite"
commit_every_s = 0.05

[broker]
host = "127.0.0.1"
port = {port}

[buses.desk]
kind = "folder"
folder = "{here}"

[buses.air]
kind = "mqtt"

[vessels.k1]
kind = "kreisel"
stage = "polyp-own"

[probes.notes]
bus = "desk"
vessel = "k1"
every_s = 5
file = "k1.txt"
lines = [{{ quantity = "temperature", line = 2, scale = 0.5, accuracy_c = 0.01 }}]

[probes.thermometer]
bus = "air"
vessel = "k1"
topic = "t"
fields = [{{ quantity = "temperature" }}]

[stages.polyp-own]
based_on = "polyp"
salinity = "none"
oxygen_saturation = "none"
"""


@pytest.fixture(autouse=True)
def third_kind(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The line of the table, and the settings built from it as they are when the process starts."""
    monkeypatch.setitem(KINDS, "folder", FolderBus)
    Settings.model_rebuild(force=True)
    yield
    monkeypatch.undo()
    Settings.model_rebuild(force=True)


def written(folder: Path, old: str = "", new: str = "") -> Path:
    text = GOOD.format(here=folder, port=free_port())
    assert old in text
    path = folder / "bellwatch.toml"
    path.write_text(text.replace(old, new, 1))
    return path


def lines(path: Path) -> list[str]:
    return [str(finding) for finding in findings_in(read_values(path))]


def test_the_table_names_each_kind_as_the_file_does():
    for kind, bus in KINDS.items():
        assert get_args(bus.model_fields["kind"].annotation) == (kind,)


def test_settings_of_the_third_kind_are_sound_and_become_its_tables(tmp_path: Path):
    assert lines(written(tmp_path)) == []
    settings = load_settings(tmp_path / "bellwatch.toml")
    assert isinstance(settings.buses["desk"], FolderBus)
    assert isinstance(settings.probes["notes"], FileProbe)
    assert Settings.model_validate(settings.model_dump(exclude_none=True, by_alias=True)) == settings


OTHER = '[probes.other]\nbus = "desk"\nvessel = "k1"\nevery_s = 5\nfile = "k1.txt"\n'


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        (
            'kind = "folder"',
            'kind = "drawer"',
            'buses.desk.kind: found "drawer"; '
            'expected "modbus-rtu" or "modbus-tcp" or "mqtt" or "sdi-12" or "text-lines" or "folder"',
        ),
        (
            'file = "k1.txt"\n'
            'lines = [{ quantity = "temperature", line = 2, scale = 0.5, accuracy_c = 0.01 }]',
            "",
            "probes.notes: found neither registers nor a topic nor values nor a pattern nor a file; expected "
            "unit_id and registers (on a Modbus bus), or topic and fields (on an MQTT bus), "
            "or address and values (on an SDI-12 bus), or pattern and groups (on a text bus), "
            "or file and lines (on a folder)",
        ),
        (
            "line = 2, ",
            "lime = 2, ",
            '.lime: found an unknown key; expected a key of this table, perhaps "line"',
        ),
        ("line = 2, ", "", "probes.notes.lines[0].line: found nothing; expected a [line] table"),
        ("line = 2, ", "line = 0, ", "probes.notes.lines[0].line: found 0; expected 1 or more"),
        (
            'bus = "desk"',
            'bus = "air"',
            'probes.notes.bus: found "air" of kind "mqtt"; '
            'expected a bus of kind "folder", as the probe has a file',
        ),
        (
            "accuracy_c = 0.01",
            "accuracy_mg_l = 0.01",
            "probes.notes.lines[0].accuracy_mg_l: found 0.01; expected accuracy_c, the accuracy of temp",
        ),
        (
            "[probes.thermometer]",
            OTHER + 'lines = [{ quantity = "temperature", line = 2 }]\n[probes.thermometer]',
            'probes.other.file: found "k1.txt"; expected another one, as probes.notes reads the same there',
        ),
        (
            'lines = [{ quantity = "temperature", line = 2, scale',
            'lines = [{ quantity = "temperature", line = 1 }, { quantity = "temperature", line = 2, scale',
            'probes.notes.lines[1].quantity: found "temperature" a second time',
        ),
        (
            "[probes.thermometer]",
            OTHER + 'lines = [{ quantity = "oxygen", line = 3 }]\n[probes.thermometer]',
            "warning: probes.other.lines[0].quantity: found oxygen, which is logged but raises no alarm",
        ),
        ('folder = "', 'folder = "/nowhere', 'buses.desk.folder: found "/nowhere'),
    ],
)
def test_each_mistake_in_it_gives_its_line(tmp_path: Path, old: str, new: str, line: str):
    found = lines(written(tmp_path, old, new))
    assert any(line in one for one in found), found


def test_the_schema_offers_the_third_kind(tmp_path: Path):
    validator = Draft202012Validator(settings_schema())
    assert validator.is_valid(read_values(written(tmp_path)))
    assert not validator.is_valid(read_values(written(tmp_path, "line = 2, ", "")))


def test_the_plan_has_its_sources(tmp_path: Path):
    plan = rack_plan(load_settings(written(tmp_path)), lambda *key: hash(key))
    (source,) = [source for source in plan.sources if source.probe == "notes"]
    assert (source.quantity, source.vessel, source.bus) == (Quantity.TEMPERATURE, "k1", "desk")
    assert source.accuracy == 0.01


def test_the_daemon_runs_its_driver(tmp_path: Path):
    (tmp_path / "k1.txt").write_text("polyps, shelf 2\n31.5\n")
    settings = load_settings(written(tmp_path))
    rows = "SELECT DISTINCT probe, value FROM reading JOIN source ON source.id = source"
    with running_daemon(settings, SteadyClock()):
        wait_for(lambda: asked(settings.journal.path, rows))
    assert asked(settings.journal.path, rows) == [("notes", 15.75)]


def test_a_bus_is_told_the_axis_and_what_utc_is_on_it(tmp_path: Path):
    wall = Wall(NOON_MS, synchronised=False)
    keeper = TimeKeeper(journal_at(tmp_path), wall)
    settings = load_settings(written(tmp_path))
    emitted: list[Any] = []
    driver: Any = _buses(settings, _surroundings(keeper, "bellwatch/third", "an-id"), emitted.append)[0]
    wall.synchronised, wall.set_ahead_ms = True, 3 * HOUR_MS
    keeper.check(lambda *_: None)
    around, now_ms = driver.around, keeper.clock.now_ms()
    assert around.clock is keeper.clock
    assert close(around.utc_ms(now_ms) - now_ms, 3 * HOUR_MS)
    assert around.axis_ms(around.utc_ms(now_ms)) == now_ms
    assert (around.topic, around.id) == ("bellwatch/third", "an-id")


def test_nothing_else_in_the_daemon_tells_kinds_apart():
    """Neither a kind's name nor its classes stand outside the folder of kinds."""
    kinds = [*(f'"{kind}"' for kind in KINDS if kind != "folder"), *(bus.__name__ for bus in KINDS.values())]
    probes = [bus.probe_table.__name__ for bus in KINDS.values()]
    marks = re.compile("|".join([*kinds, *probes]))
    telling = [
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "daemon").rglob("*.py")
        if path.parent.name != "buses" and marks.search(path.read_text())
    ]
    assert telling == []


@pytest.mark.parametrize(("kind", "folder"), [("sdi-12", "sdi12"), ("text-lines", "text")])
def test_each_kind_that_came_later_stands_in_files_of_its_own_and_in_two_lines_of_the_table(kind, folder):
    """No line of another file names it, its classes or its modules: what it took elsewhere is counted."""
    bus = KINDS[kind]
    names = f"{bus.__name__}|{bus.probe_table.__name__}|{re.escape(bus.__module__)}|drivers\\.{folder}"
    marks, own = re.compile(rf'"{kind}"|\b({names})\b'), (f"daemon/buses/{folder}.py", f"drivers/{folder}/")
    touched: Counter[str] = Counter()
    for path in (it for room in ("daemon", "drivers", "rules") for it in (ROOT / room).rglob("*.py")):
        lines_of = path.read_text().splitlines()
        touched[path.relative_to(ROOT).as_posix()] = sum(map(bool, map(marks.search, lines_of)))
    assert all(count for path, count in touched.items() if path == own[0])
    assert {path: count for path, count in touched.items() if count and not path.startswith(own)} == {
        "daemon/buses/kinds.py": 2  # its import and its row
    }
