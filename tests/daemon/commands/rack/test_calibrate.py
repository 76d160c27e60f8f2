"""Calibrating through the real commands, the real watch and its journal: live in standards, raw and shown.

The probe is simulated: its cell sends 1.03 * truth + 0.2, its thermometer truth + 0.4. What the tank and the
bottles are is known, so that the numbers on the screen can be held against it.
"""

import threading
import time
from contextlib import closing
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import structlog
from gsw import C_from_SP

from daemon.check.load import load_settings
from daemon.commands.cli import main
from daemon.errors import RequestError
from daemon.journal.asking import ask_daemon
from daemon.journal.dating import Stretch
from daemon.journal.journal import Journal
from daemon.journal.sole_writer import SoleWriter
from daemon.sources.drift_correction import calibrations_at, drift_corrected
from daemon.sources.journal import journal_recording
from drivers.readings import Reading
from rules.readings import Readings
from tests.daemon.commands.rack.test_care import SETTINGS, START_MS
from tests.rigs.nights.recorded_nights import quiet, watch_of

DAY_MS = 86_400_000
ZONE = ZoneInfo("Europe/Lisbon")
TANK_C, BOTTLE_C = 15.0, 22.0
TANK = float(C_from_SP(33.0, TANK_C, 0.0))
GAIN, ZERO, WARM = 1.03, 0.2, 0.4


class Rack:
    """The watch in a thread, fed every 10 ms with what the probe sends of the water that it is in."""

    def __init__(self, file):
        self.file, self.truth, self.celsius = file, TANK, TANK_C
        self.gain, self.zero = GAIN, ZERO
        self.now_ms, self.step_ms = START_MS, 30_000
        self._stop, self._lock, self._crash = threading.Event(), threading.Lock(), []
        self._rng = np.random.default_rng(7)
        self._thread = threading.Thread(target=self._run, name="watch under test")

    def _run(self):
        try:
            quiet()
            settings = load_settings(self.file)
            holder = SoleWriter(settings.journal.path)
            journal = Journal(settings.journal.path, writable=True)
            watch = watch_of(journal, settings, self.now_ms)
            while not self._stop.wait(0.01):
                with self._lock:
                    self.now_ms += self.step_ms
                    watch.take(self._sent(), self.now_ms)
            watch.stop()
            journal.close()
            holder.release()
        except BaseException as error:
            self._crash.append(error)
            raise

    def _sent(self):
        cell = self.gain * self.truth + self.zero + self._rng.normal(0.0, 0.005)
        values = {"temperature": self.celsius + WARM, "conductivity": cell}
        return [Reading("k1-multi", quantity, value, self.now_ms) for quantity, value in values.items()]

    def put_into(self, truth, celsius):
        with self._lock:
            self.truth, self.celsius = truth, celsius
        time.sleep(0.3)  # readings of the water before are past then

    def later(self, days, gain=None, zero=None):
        """Let days pass, the cell drifting evenly, a reading every quarter of a day."""
        with self._lock:
            first, start = self.now_ms, (self.gain, self.zero)
            self.step_ms = DAY_MS // 4
        end = (start[0] if gain is None else gain, start[1] if zero is None else zero)
        while self.now_ms < first + days * DAY_MS:
            share = min((self.now_ms - first) / (days * DAY_MS), 1.0)
            with self._lock:
                self.gain, self.zero = (a + share * (b - a) for a, b in zip(start, end, strict=True))
            time.sleep(0.01)
        with self._lock:
            self.gain, self.zero = end
            self.step_ms = 30_000

    def __enter__(self):
        self._thread.start()
        time.sleep(0.5)
        return self

    def __exit__(self, *_):
        self._stop.set()
        self._thread.join(30)
        if self._crash:
            raise self._crash[0]


@pytest.fixture
def rack(tmp_path, monkeypatch):
    silent = structlog.wrap_logger(structlog.ReturnLogger(), processors=[])
    monkeypatch.setattr("daemon.watch.watch.log", silent)  # the alarms of a probe that is in a bottle
    file = tmp_path / "bellwatch.toml"
    file.write_text(SETTINGS.format(folder=tmp_path))
    with Rack(file) as running:
        yield running


@pytest.fixture
def ask(rack, capsys, monkeypatch):
    """Run a command, putting the probe into each bottle in turn where it is asked for."""

    def run(*words, bottles=()):
        waiting = iter(bottles)

        def enter(prompt):
            print(prompt)
            rack.put_into(*next(waiting))
            return ""

        monkeypatch.setattr("builtins.input", enter)
        status = main([*words, "--settings", str(rack.file)])
        said = capsys.readouterr()
        return status, said.out, said.err

    return run


CELL = ("calibrate", "k1-multi", "conductivity", "--who", "kim")
LOW, HIGH = 1.413 * 1327.4 / 1408.23, 12.88 * 12.0993 / 12.8246  # by the tables at 22 °C, between 20 and 25
SEA = float(C_from_SP(35.0, BOTTLE_C, 0.0))


def test_it_is_read_live_in_two_bottles_and_the_bottle_is_right_afterwards(rack, ask):
    words = ("--in", "kcl-1.413", "--in", "seawater", "--salinity", "35", "--temperature", "22")
    status, said, _ = ask(*CELL, *words, bottles=[(LOW, BOTTLE_C), (SEA, BOTTLE_C)])
    assert status == 0
    assert said.count("stable: ") == 2
    assert "Its alarms go out meanwhile: `bellwatch maintain vessel/k1`" in said
    assert "Put k1-multi into seawater" in said
    assert "as the probe sends it (raw). It moves the slope and offset" in said
    (made,) = calibrations_at(load_settings(rack.file).journal.path)
    assert made.line.slope == pytest.approx(1 / GAIN, rel=0.002)
    sends = float(said.split("it sends ")[1].split(",")[0])  # in the bottle that it is in now
    assert sends == pytest.approx(GAIN * SEA + ZERO, abs=0.05)
    rack.put_into(SEA, BOTTLE_C)
    _, shown, _ = ask(*CELL, "--in", "seawater", "--salinity", "35", "--temperature", "22",
                      bottles=[(SEA, BOTTLE_C)])  # fmt: skip
    shown_was = float(shown.split("shown was ")[1].split()[0])
    assert shown_was == pytest.approx(SEA, abs=made.uncertainty_at(SEA))


def test_raw_and_shown_points_say_which_and_come_to_the_same(rack, ask):
    """Raw 42.9 for 42.3; then from the screen: what shows S gives the line that S has."""
    status, said, _ = ask(*CELL, "--standard", "bottle", "--point", "44.00=42.00")
    assert (status, "It moves the slope" in said) == (0, True)
    status, said, _ = ask(*CELL, "--standard", "bottle", "--shown", "42.00=42.50")
    assert status == 0
    assert "44 read for 42.5, as the probe sends it (raw)" in said
    assert f"shown as {(GAIN * TANK + ZERO) * 42 / 44:.2f}"[:13] in said
    last = calibrations_at(load_settings(rack.file).journal.path)[-1]
    assert last.line.slope == pytest.approx(42.5 / 44.0)


def test_one_point_keeps_what_it_does_not_move(rack, ask):
    assert ask(*CELL, "--standard", "two", "--point", "1.6=1.4", "--point", "44=42")[0] == 0
    assert ask(*CELL, "--standard", "one", "--shown", "42=42.42")[0] == 0
    two, one = calibrations_at(load_settings(rack.file).journal.path)
    assert one.line.offset == two.line.offset != 0.0
    assert one.line.value_of(44.0) == pytest.approx(42.42)


def test_what_drifted_is_taken_off_the_record_and_the_due_date_follows(rack, ask):
    """Right at first; in 60 days the gain falls by 2 % and the zero by 0.1: all between is put right."""
    path = load_settings(rack.file).journal.path
    two = ("--point", f"{GAIN * LOW + ZERO}={LOW}", "--point", f"{GAIN * SEA + ZERO}={SEA}")
    assert ask(*CELL, "--standard", "bottles", *two, "--standard-accuracy", "0.02")[0] == 0
    rack.later(60, gain=0.98 * GAIN, zero=ZERO - 0.1)
    found = ("--point", f"{0.98 * GAIN * LOW + ZERO - 0.1}={LOW}",
             "--point", f"{0.98 * GAIN * SEA + ZERO - 0.1}={SEA}")  # fmt: skip
    assert ask(*CELL, "--standard", "bottles", *found, "--standard-accuracy", "0.02")[0] == 0
    visits = calibrations_at(path)
    source = next(id for id, key in Journal(path, writable=False).inputs.sources().items()
                  if key[1] == "conductivity")  # fmt: skip
    between = []
    for item in drift_corrected(journal_recording(path), visits).inputs():
        if isinstance(item, Readings):
            here = (item.source == source) & (item.time_ms >= visits[0].at_ms)
            between.extend(visits[0].line.of(item.value[here & (item.time_ms <= visits[1].at_ms)]))
    assert len(between) > 100
    assert np.abs(np.array(between) - TANK).max() < 0.06  # noise 0.005, and steps of the drift between turns
    _, listed, _ = ask("calibrations")
    assert "drifts by 1.8 mS/cm in 100 d at 49.96" in listed  # 2 % of that and 0.1 in 60 d
    _, certificate, _ = ask("calibrations", "k1-multi", "--certificate")
    assert "as found        sent" in certificate
    assert "since the last  gain 0.98" in certificate


def test_a_new_probe_is_said_to_be_one(rack, ask):
    """An old probe of 2 % less in 60 days, then another that sends a tenth more: nothing wore by that."""
    one = ("--standard", "bottle", "--point")
    assert ask(*CELL, *one, "42=42")[0] == 0
    rack.later(60, gain=GAIN, zero=ZERO)
    assert ask(*CELL, *one, "41.16=42")[0] == 0
    for more in (("--found", "46=42"), ("--cleaned", "46=46")):
        status, _, said = ask(*CELL, *one, "46.2=42", "--replaced", *more)
        assert (status, "of a new probe nothing is found or wiped" in said) == (2, True)
    assert "drifts by" in ask("calibrations")[1]
    rack.later(60, gain=GAIN, zero=ZERO)
    assert ask(*CELL, *one, "46.2=42", "--replaced")[0] == 0
    *_, new = calibrations_at(load_settings(rack.file).journal.path)
    assert new.line.slope == pytest.approx(42 / 46.2)
    listed, certificate = (ask("calibrations", *more)[1] for more in ((), ("--certificate",)))
    assert "by kim, of a new probe" in listed
    assert "drifts by" not in listed
    assert "since the last  a new probe" in certificate


def test_what_was_made_from_a_line_that_no_longer_held_is_refused_and_not_listed(rack, ask):
    path = load_settings(rack.file).journal.path
    assert ask(*CELL, "--standard", "one", "--point", "44=42")[0] == 0
    late = {"probe": "k1-multi", "quantity": "conductivity", "standard": "late",
            "points": [{"read": 44.0, "true": 43.0}], "base": {"slope": 1.1, "offset": 0.0}}  # fmt: skip
    with pytest.raises(RequestError, match="somebody else calibrated it meanwhile"):
        ask_daemon(path, "calibrate", late, "ada")
    assert [it.standard for it in calibrations_at(path)] == ["one"]


def test_a_clock_that_was_set_later_dates_a_calibration_anew(rack, ask):
    """The machine began two days behind, as one without a battery does: so many later by the certificate."""
    one = ("--standard", "bottle", "--point", "42=42")
    assert ask(*CELL, *one)[0] == 0
    path = load_settings(rack.file).journal.path
    (made,) = calibrations_at(path)
    was = f"{datetime.fromtimestamp(made.at_ms / 1000, ZONE):%Y-%m-%d %H:%M}"
    dated = f"{datetime.fromtimestamp(made.at_ms / 1000 + 2 * 86_400, ZONE):%Y-%m-%d %H:%M}"
    assert was in ask("calibrations")[1]
    rack.__exit__()
    with closing(Journal(path, writable=True)) as journal, journal.transaction():
        journal.state.keep_stretch(Stretch(START_MS - 1, 2 * DAY_MS, True))
    for certificate in ((), ("--certificate",)):
        _, said, _ = ask("calibrations", *certificate)
        assert (dated in said, was in said) == (True, False)


def test_a_mistake_is_taken_back_and_tells_nothing_of_the_probe(rack, ask):
    """Right, then 60 days later a bottle of 1 % less drift, first typed in as 9 %: the record sees 1 %."""
    one = ("--standard", "bottle", "--point")
    assert ask(*CELL, *one, "42=42")[0] == 0
    rack.later(60)
    assert ask(*CELL, *one, "38.2=42")[0] == 0
    status, _, error = ask(*CELL, "--withdrawn", *one, "41.58=42")
    assert (status, error) == (2, "--withdrawn: goes alone; calibrate anew once it is taken back\n")
    status, said, _ = ask(*CELL, "--withdrawn", "--note", "misread")
    assert (status, "taken back by kim" in said) == (0, True)
    assert "slope 1, offset 0 mS/cm (was slope 1.099, offset 0 mS/cm)" in said
    assert ask(*CELL, "--withdrawn")[0] == 2
    assert ask(*CELL, *one, "41.58=42")[0] == 0
    first, second = calibrations_at(load_settings(rack.file).journal.path)
    assert (first.points[0].read, second.points[0].read) == (42.0, 41.58)
    assert "drifts by 0.7 mS/cm in 100 d at 42" in ask("calibrations")[1]  # 1 % of 42 in 60 d


def test_what_does_not_settle_is_not_taken(rack, ask):
    rack.zero = 0.0

    def drifting():
        for _ in range(400):
            rack.zero += 0.1
            time.sleep(0.01)

    thread = threading.Thread(target=drifting)
    thread.start()
    status, _, error = ask(*CELL, "--in", "kcl-12.88", "--within", "2s", bottles=[(HIGH, BOTTLE_C)])
    thread.join()
    assert status == 2
    assert "not stable within 2 s (still moving by +" in error


def test_nobody_waits_beside_a_bottle_for_what_cannot_be(rack, ask):
    """Refused before the probe is asked to be put anywhere: nothing is in `bottles`."""
    status, _, error = ask("calibrate", "k1-multi", "temperature", "--who", "kim", "--in", "kcl-12.88")
    assert (status, error) == (2, "kcl-12.88 is no standard for temperature; there are: ice\n")
    oxygen = ("calibrate", "k1-multi", "oxygen", "--who", "kim", "--in", "air-saturated-water")
    status, _, error = ask(*oxygen)  # sea water holds a fifth less than fresh water
    assert (status, "give its --salinity, 0 for fresh water" in error) == (2, True)
    for words, said in (
        ((*CELL, "--in", "seawater"), "seawater: give the --salinity on its bottle"),
        ((*oxygen[:-1], "moist-air"), "moist-air: no barometer of the rack to ask; give --air-pressure-hpa"),
        ((*oxygen, "--salinity", "0"), "air-saturated-water: no barometer of the rack to ask"),
        ((*oxygen[:-1], "moist-air", "--air-pressure-hpa", "29.9"), "air saturation at 20 °C"),
        ((*CELL, "--in", "kcl-12.88", "--temperature", "40"), "kcl-12.88 at 40 °C: give its temperature"),
        ((*CELL, "--in", "kcl-1.413", "--temperature", "0"), "kcl-1.413 at 0 °C: give its temperature"),
    ):
        status, _, error = ask(*words)
        assert (status, error.startswith(said)) == (2, True)
    rack.__exit__()
    status, _, error = ask(*CELL, "--in", "kcl-12.88")
    assert (status, error) == (
        2,
        "no watch runs that reads the probe; start `bellwatch run`, or give --point\n",
    )


def test_a_certificate_claims_no_accuracy_that_nobody_stated(rack, ask):
    assert ask(*CELL, "--point", "36=35", "--standard", "a bottle")[0] == 0
    _, said, _ = ask("calibrations", "k1-multi", "--certificate")
    assert "sent 36 (raw), true 35 mS/cm (accuracy not stated)" in said
    assert "sure at 35      mS/cm (accuracy not stated)" in said
    more = ("--standard", "a bottle", "--standard-accuracy", "0.5")
    assert ask(*CELL, "--point", "36=35", *more)[0] == 0
    assert "true 35 ± 0.5 mS/cm" in ask("calibrations", "--certificate")[1]
    status, _, error = ask("calibrations", "k9")
    assert status != 0
    assert "there is no k9" in error


def test_a_probe_that_is_adjusted_is_read_as_found_and_as_left(rack, ask):
    """As found counts for the record before, as left for the line from now on."""
    words = ("--in", "kcl-12.88", "--adjusted", "--temperature", "22")
    status, said, _ = ask(*CELL, *words, bottles=[(HIGH, BOTTLE_C), (HIGH, BOTTLE_C), (HIGH, BOTTLE_C)])
    assert status == 0
    assert "as found" in said
    assert "as left" in said
    (made,) = calibrations_at(load_settings(rack.file).journal.path)
    assert made.found[0].read == pytest.approx(GAIN * HIGH + ZERO, abs=0.02)


def test_units_at_the_terminal(rack, ask):
    warm = ("calibrate", "k1-multi", "temperature", "--who", "kim", "--standard", "ice", "--unit", "F")
    assert ask(*warm, "--point", "32.72=32", "--standard-accuracy", "0.09")[0] == 0
    (made,) = calibrations_at(load_settings(rack.file).journal.path)
    assert made.line.offset == pytest.approx(-0.4)
    assert made.points[0].uncertainty == pytest.approx(0.05)
    by_hand = (
        "measure",
        "k1",
        "temperature",
        "60.08",
        "--method",
        "glass",
        "--instrument",
        "3",
        "--who",
        "kim",
    )
    status, said, _ = ask(*by_hand, "--unit", "F", "--accuracy", "0.9")
    assert (status, "15.60 by hand" in said) == (0, True)
    status, _, error = ask(*by_hand, "--unit", "psi")
    assert (status, "may be in C, K, F" in error) == (2, True)
