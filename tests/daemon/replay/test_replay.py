"""Replay gives what the watch gave: byte for byte, wherever the blocks end, with or without a restart."""

import csv
import gzip
import json
import os
import random
import re
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from itertools import islice, pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.check.load import load_settings
from daemon.commands.cli import main
from daemon.errors import BellwatchError
from daemon.journal.journal import Journal
from daemon.replay.replay import FlagTally, plans_of, replay
from daemon.replay.words import event_line
from daemon.sources.journal import journal_recording
from daemon.sources.recording import in_order, one_by_one
from rules import RULES_VERSION
from rules.quantities import Quantity
from rules.readings import Action, Amendment, ChannelFlags, Outcome, Readings
from tests.rigs.bench import START_MS, Bench, swinging
from tests.rigs.examples import examples
from tests.rigs.nights.recorded_nights import events_at, live, simulated, write_settings
from tests.rigs.places import DATA, ROOT

pytestmark = pytest.mark.timeout(600)
"""Whole nights take minutes on a machine that is slow or busy."""

MICROCAT = DATA / "microcat_dune2_2026_60s.csv.gz"
SEA_COLUMNS = (
    "--column=water_temperature_degC=sea/temperature[C]",
    "--column=conductivity_S_per_m=sea/conductivity[S/m]",
)
SEA_SETTINGS = """
[rack]
name = "mooring"
time_zone = "Atlantic/Reykjavik"
[journal]
path = "unused.sqlite"
[buses.wire]
kind = "mqtt"
host = "127.0.0.1"
[vessels.sea]
kind = "tank"
stage = "deep"
[probes.recorder]
bus = "wire"
vessel = "sea"
every_s = 60
topic = "sea"
format = "json"
fields = [{ quantity = "temperature", pointer = "/t" }, { quantity = "conductivity", pointer = "/c" }]
[stages.deep.temperature]
advisory_low_c = 6.3
advisory_high_c = 8.0
critical_low_c = 3.0
critical_high_c = 12.0
max_rise_c_per_hour = 2.0
max_fall_c_per_hour = 2.0
rate_window_s = 1800
[stages.deep.salinity]
advisory_low = 34.9
advisory_high = 35.3
critical_low = 34.0
critical_high = 36.0
deadband = 0.1
# A mooring in a current is no vessel: its water may be another one from minute to minute.
[quality.temperature]
max_jump_c = "none"
[quality.conductivity]
max_jump_ms_cm = "none"
"""


@pytest.fixture(scope="module")
def nights(tmp_path_factory):
    """Journals of simulated nights, taken in live; the first with power cuts in between."""
    folder = tmp_path_factory.mktemp("nights")
    file = write_settings(folder / "nursery.toml")
    return {
        "settings": file,
        "chiller": live(
            folder / "chiller.sqlite",
            simulated("chiller_night", hours=7),
            file,
            restarts=(0.43, 0.5, 0.51),
            turn_ms=120_000,
        ),
        "bad line": live(folder / "bad.sqlite", simulated("bad_line", hours=1.2), file),
        "probe in air": live(
            folder / "air.sqlite",
            simulated("probe_in_air", hours=2.2),
            file,
            keeper=False,
            turn_ms=120_000,
        ),
    }


@pytest.mark.parametrize("night", ["chiller", "bad line", "probe in air"])
def test_replay_gives_the_very_events_of_a_simulated_night(nights, night):
    path = nights[night]
    lived = events_at(path)
    assert len(lived) >= 4
    again = replay(journal_recording(path), [None])[0]
    assert [event_line(event) for event in again.events] == lived
    assert again.complete


def test_replay_gives_the_very_events_of_measured_sea_water(tmp_path):
    """Two weeks of a moored recorder (see tests/data/README.md), live turn by turn and then in one block."""
    settings_file = tmp_path / "sea.toml"
    settings_file.write_text(SEA_SETTINGS)
    from drivers.readings import Reading

    with gzip.open(MICROCAT, "rt") as file:
        rows = list(csv.DictReader(file))[:6000]
    readings = [
        Reading("recorder", quantity, float(row[column]) * factor, _ms(row["time_utc"]))
        for row in rows
        for quantity, column, factor in (
            ("temperature", "water_temperature_degC", 1),
            ("conductivity", "conductivity_S_per_m", 10),
        )
    ]
    path = live(tmp_path / "sea.sqlite", readings, settings_file, turn_ms=1_800_000)
    lived = events_at(path)
    assert {"low", "high", "falling", "rising"} <= {json.loads(body)["condition"] for body in lived}
    again = replay(journal_recording(path), [None])[0]
    assert [event_line(event) for event in again.events] == lived


def _ms(text):
    return int(datetime.fromisoformat(text).timestamp() * 1000)


@pytest.fixture(scope="module")
def whole(nights):
    """The inputs of a night, and what comes of them in one piece."""
    items = list(journal_recording(nights["chiller"]).inputs())
    return items, _judged(items)


@settings(max_examples=examples(5), deadline=None)
@given(data=st.data())
def test_where_the_blocks_end_changes_nothing(whole, data):
    """A journal cut into blocks at forty places, actions in between: the same events and flag counts."""
    items, judged = whole
    cut = []
    for item in items:
        if isinstance(item, Readings):
            places = data.draw(st.lists(st.integers(1, len(item)), max_size=40))
            bounds = sorted({0, *places, len(item)})
            cut += [item.part(a, b) for a, b in pairwise(bounds)]
        else:
            cut.append(item)
    assert len(cut) >= len(items)
    assert _judged(cut) == judged


def _judged(items):
    from daemon.sources.recording import Recording

    recording = Recording("x", {}, 0, items[0].at_ms, 0, lambda: iter(items), {})
    result = replay(recording, [None])[0]
    return (
        [event_line(event) for event in result.events],
        {channel: counts.tolist() for channel, counts in result.flags.items()},
    )


def test_ranges_read_by_other_processes_come_in_order(nights):
    """Small ranges, two processes: the same inputs as the journal's own slow way gives."""
    from daemon.sources import journal as sources_journal

    path = nights["chiller"]
    journal = Journal(path, writable=False)
    slow = _flat(journal.inputs.after(0))
    actions = journal.inputs.numbered_actions()
    journal.close()
    recording = journal_recording(path)
    assert _flat(recording.inputs()) == slow
    loaded = sources_journal._in_parallel(path, list(pairwise([0, 700, 701, 5000, 10**9])), 2)
    assert _flat(in_order(map(sources_journal._readings, loaded), actions)) == slow


def _flat(inputs):
    flat = []
    for item in one_by_one(inputs):
        if isinstance(item, Action):
            flat.append((item.at_ms, item.kind, item.who, json.dumps(item.body)))
        else:
            columns = (item.seq, item.at_ms, item.source, item.time_ms, item.value)
            flat += zip(*(column.tolist() for column in columns), strict=True)
    return flat


def test_an_amended_flag_is_counted_once():
    counts = {}
    tally = FlagTally(counts)

    def flags(*summary, first=0):
        n = len(summary)
        return ChannelFlags(
            "v/temperature",
            np.arange(n) + first,
            np.arange(n),
            np.zeros(n),
            np.array(summary, dtype=np.uint8),
            np.zeros(n, dtype=np.uint32),
        )

    tally.add(Outcome(flags=[flags(1, 1, 1)]))
    tally.add(Outcome(flags=[flags(1, first=3)], amendments=[Amendment("v/temperature", 2, 4, 0)]))
    assert counts["v/temperature"].tolist() == [0, 3, 0, 0, 1, 0, 0, 0, 0, 0]
    parts = [flags(1, 3, first=4), flags(1, first=6), flags(2, first=7)]
    late = [Amendment("v/temperature", 5, 4, 0), Amendment("v/temperature", 6, 3, 0)]
    tally.add(Outcome(flags=parts, amendments=late))
    assert counts["v/temperature"].tolist() == [0, 4, 1, 1, 2, 0, 0, 0, 0, 0]


def test_what_falls_due_within_a_block_changes_no_flag(tmp_path):
    """A reminder to calibrate parts the block in which it falls due, also the first one: four days."""
    sea = tmp_path / "sea.csv"
    with gzip.open(MICROCAT, "rt") as file:
        sea.write_text("".join(islice(file, 6000)))
    plain, reminding, flags = tmp_path / "plain.toml", tmp_path / "reminding.toml", {}
    plain.write_text(SEA_SETTINGS)
    reminding.write_text(SEA_SETTINGS.replace("every_s = 60", "every_s = 60\ncalibrate_every_days = 1"))
    for settings_file in (plain, reminding):
        file = settings_file.with_suffix(".csv")
        command = ["replay", str(sea), "--time-column", "time_utc", *SEA_COLUMNS, "--flags", str(file)]
        assert main([*command, "--settings", str(settings_file)]) == 0
        flags[settings_file] = sorted(file.read_text().splitlines())
    assert flags[plain] == flags[reminding]
    assert len(flags[plain]) > 100


def test_a_planned_move_within_the_first_block_takes_place_and_changes_no_flag(tmp_path, capsys):
    """The block is parted in its middle; water of 6.7 °C is below what is tolerated from then on."""
    sea = tmp_path / "sea.csv"
    with gzip.open(MICROCAT, "rt") as file:
        sea.write_text("".join(islice(file, 6000)))
    step = '[[vessels.sea.plan]]\nstart = 2026-07-13T12:00:00Z\nstage = "warmer"\n'
    warmer = '[stages.warmer]\nbased_on = "deep"\ntemperature = { advisory_low_c = 7.5 }\n'
    flags, events = {}, {}
    for name, more in (("plain", ""), ("moving", step + warmer)):
        settings_file, at = tmp_path / f"{name}.toml", tmp_path / name
        settings_file.write_text(SEA_SETTINGS + more)
        command = ["replay", str(sea), "--time-column", "time_utc", *SEA_COLUMNS, "--flags", f"{at}.csv"]
        assert main([*command, "--settings", str(settings_file), "--events", f"{at}.json"]) == 0
        counts = [
            line for line in capsys.readouterr().out.splitlines() if re.search(r"sea/\w+ .*[0-9]+ ", line)
        ]
        flags[name] = counts, Path(f"{at}.csv").read_text()
        lines = Path(f"{at}.json").read_text().splitlines()
        low = [event for event in map(json.loads, lines) if event["condition"] == "low"]
        events[name] = [event["at_ms"] for event in low if event["evidence"]["limit"] == 7.5]
    assert flags["plain"] == flags["moving"]
    assert (len(flags["plain"][0]), len(flags["plain"][1].splitlines()) > 100) == (3, True)
    assert not events["plain"]
    assert _ms("2026-07-13T12:00:00+00:00") < events["moving"][0] < _ms("2026-07-13T18:00:00+00:00")


# The command


def test_the_command_says_that_the_past_is_as_it_was(nights, capsys):
    assert main(["replay", str(nights["chiller"])]) == 0
    said = capsys.readouterr().out
    assert "byte for byte" in said
    assert "kreisel-4 temperature" in said


def test_a_clock_that_was_off_is_told(nights, tmp_path, capsys):
    copy = tmp_path / "journal.sqlite"
    copy.write_bytes(nights["probe in air"].read_bytes())
    assert main(["replay", str(copy)]) == 0
    assert "clock was up to" not in capsys.readouterr().out
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute("INSERT INTO dating VALUES (0, -5400000, 1)")
    assert main(["replay", str(copy)]) == 0
    assert "clock was up to 90 min off" in capsys.readouterr().out


def test_the_command_shows_what_other_settings_change(nights, tmp_path, capsys):
    """A higher limit comes later, a fast fall no longer matters, a tighter dish does."""
    other = write_settings(
        tmp_path / "other.toml",
        "\n[stages.ephyra.temperature]\nmax_rise_c_per_hour = 0.8\nmax_fall_c_per_hour = 9.0\n"
        "\n[stages.planula.temperature]\nadvisory_high_c = 15.04\non_delay_s = 30\n",
    )
    arguments = ["--settings", str(nights["settings"]), "--against", str(other)]
    assert main(["replay", str(nights["chiller"]), *arguments]) == 0
    said = capsys.readouterr().out
    assert "vanishes  kreisel-4/temperature/falling" in said
    assert "moves     kreisel-4/temperature/rising" in said
    assert "appears   dish-1/temperature/high" in said


@pytest.mark.parametrize("night", ["chiller", "probe in air"])
def test_plans_in_one_pass_give_what_each_gives_alone(nights, night):
    """The plans of the time, the same as one, other limits of the ephyra, and another test of quality."""
    recording = journal_recording(nights[night])
    (own,) = plans_of([load_settings(nights["settings"])], recording)
    ephyra = own.tolerances["ephyra"]
    quick = {"on_delay_ms": 0, "rate_window_ms": 900_000, "max_rise_per_hour": 0.8}
    ephyra = {**ephyra, Quantity.TEMPERATURE: replace(ephyra[Quantity.TEMPERATURE], **quick)}
    other = replace(own, tolerances={**own.tolerances, "ephyra": ephyra}, own_tolerances={})
    fussy = replace(own.quality[Quantity.TEMPERATURE], max_change_per_hour=1.0)
    fussy = replace(other, quality={**own.quality, Quantity.TEMPERATURE: fussy})
    plans = [None, own, other, fussy]
    together = replay(recording, plans)
    for plan, result in zip(plans, together, strict=True):
        (alone,) = replay(recording, [plan])
        for name in ("events", "refused", "dangers", "readings", "until_ms", "complete", "passed_over"):
            assert getattr(result, name) == getattr(alone, name), name
        assert {name: its.tolist() for name, its in result.flags.items()} == {
            name: its.tolist() for name, its in alone.flags.items()
        }
    assert len({repr(result.events) for result in together}) >= 2 or night != "chiller"


def test_without_responses_nothing_is_acknowledged(nights, tmp_path):
    file = tmp_path / "events.jsonl"
    assert (
        main(["replay", str(nights["chiller"]), "--settings", str(nights["settings"]), "--events", str(file)])
        == 0
    )
    with_them = [json.loads(line)["trigger"] for line in file.read_text().splitlines()]
    arguments = ["--settings", str(nights["settings"]), "--without-responses", "--events", str(file)]
    assert main(["replay", str(nights["chiller"]), *arguments]) == 0
    without = [json.loads(line)["trigger"] for line in file.read_text().splitlines()]
    assert "acknowledged" in with_them
    assert "acknowledged" not in without
    assert without.count("raised") == with_them.count("raised")


def test_what_nothing_watches_is_said_beside_the_count_of_alarms(tmp_path, capsys):
    settings_file = tmp_path / "sea.toml"
    settings_file.write_text(SEA_SETTINGS + "[stages.deep.oxygen_saturation]\ncritical_low_percent = 50\n")
    arguments = ["--settings", str(settings_file), "--time-column", "time_utc", *SEA_COLUMNS]
    assert main(["replay", str(MICROCAT), *arguments]) == 0
    assert "sea oxygen saturation unwatched: by settings, no probe for it" in capsys.readouterr().out


def test_a_csv_of_another_logger_is_replayed(tmp_path, capsys):
    settings_file, events, flags = (tmp_path / name for name in ("sea.toml", "events.jsonl", "flags.csv"))
    settings_file.write_text(SEA_SETTINGS)
    arguments = ["--settings", str(settings_file), "--events", str(events), "--flags", str(flags)]
    assert main(["replay", str(MICROCAT), "--time-column", "time_utc", *SEA_COLUMNS, *arguments]) == 0
    assert "39796 readings" in capsys.readouterr().out  # two columns of the 19 898 rows of its README
    raised = [json.loads(line) for line in events.read_text().splitlines()]
    cold = [event for event in raised if (event["channel"], event["condition"]) == ("sea/temperature", "low")]
    days = {datetime.fromtimestamp(event["at_ms"] / 1000, UTC).day for event in cold}
    # its README: cold water on 13 to 15 and 19 to 20 July is real; on 11 and 25 July the recorder is on deck
    assert {13, 14, 19, 20} <= days <= {11, 13, 14, 15, 19, 20, 25}
    rows = csv.DictReader(flags.read_text().splitlines())
    in_air = [row for row in rows if row["channel"] == "sea/conductivity" and float(row["value"]) < 25]
    assert len(in_air) == 141  # its README: 141 rows are out of water (below 2.5 S/m)
    assert all("gross_range" in row["tests"].split() for row in in_air)


def test_settings_of_the_time_are_needed_for_a_csv(capsys):
    assert main(["replay", str(MICROCAT), "--time-column", "time_utc", *SEA_COLUMNS]) == 2
    assert "add --settings" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (["nowhere.sqlite"], "expected a journal, a CSV or an http address"),
        ([str(MICROCAT), "--column=depth=sea/depth"], "expected NAME=VESSEL/QUANTITY"),
        ([str(MICROCAT), "--column=x=moon/temperature"], "which probe of the settings measures temperature"),
        ([str(MICROCAT), "--column=x=sea/conductivity[furlong]"], "may be in mS/cm, S/m, uS/cm"),
        ([str(MICROCAT), "--column=salt=sea/temperature"], "column 'time' is not among"),
        ([str(MICROCAT)], "no column named"),
    ],
)
def test_bad_sources_get_one_clear_line(tmp_path, capsys, arguments, complaint):
    settings_file = tmp_path / "sea.toml"
    settings_file.write_text(SEA_SETTINGS)
    assert main(["replay", *arguments, "--settings", str(settings_file)]) == 2
    said = capsys.readouterr().err
    assert complaint in said
    assert said.count("\n") == 1


def test_readings_without_a_probe_in_the_settings_are_told(nights, tmp_path, capsys):
    text = nights["settings"].read_text()
    start, stop = text.index("[probes.dish-1-thermometer]"), text.index("[probes.tray-2-ct]")
    fewer = tmp_path / "fewer.toml"
    fewer.write_text(text[:start] + text[stop:])
    assert main(["replay", str(nights["bad line"]), "--settings", str(fewer)]) == 0
    assert "145 readings of dish-1-thermometer temperature dish-1 passed over" in capsys.readouterr().out


def test_stopping_leaves_a_valid_result_marked_as_partial(nights):
    recording = journal_recording(nights["chiller"])
    seen = []

    def stopped():
        seen.append(1)
        return len(seen) > 4

    part = replay(recording, [None, None], stopped=stopped)
    whole = replay(recording, [None])[0]
    assert [result.complete for result in part] == [False, False]
    assert 0 < part[0].readings < whole.readings
    assert whole.events[: len(part[0].events)] == part[0].events
    assert part[0].until_ms == part[1].until_ms < whole.until_ms


def test_an_interrupt_ends_the_command_with_what_there_is(tmp_path):
    """Ctrl-C at a real process: it says PARTIAL and up to when, and ends with 130."""
    code = (
        "import os, signal, sys\n"
        "import daemon.commands.engineer.replay as command\n"
        "import daemon.sources.recording as source\n"
        "in_blocks = source.in_blocks\n"
        "def blocks(readings):\n"
        "    for at, block in enumerate(in_blocks(readings, 5000)):\n"
        "        if at == 3: os.kill(os.getpid(), signal.SIGINT)\n"
        "        yield block\n"
        "source.in_blocks = blocks\n"
        "from daemon.commands.cli import main\n"
        "sys.exit(main(sys.argv[1:]))\n"
    )
    settings_file = tmp_path / "sea.toml"
    settings_file.write_text(SEA_SETTINGS)
    command = [sys.executable, "-c", code, "replay", str(MICROCAT), "--time-column", "time_utc", *SEA_COLUMNS]
    ended = subprocess.run(
        [*command, "--settings", str(settings_file)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        cwd=ROOT,
        env={**os.environ, "COLUMNS": "200"},
    )
    assert ended.returncode == 128 + signal.SIGINT, ended.stderr
    assert "PARTIAL: stopped at 2026-07-" in ended.stdout
    assert "15000 readings" in ended.stdout


@pytest.mark.parametrize("seed", [0, 1, 5, 8, 11])
def test_a_damaged_journal_is_told_in_one_line(nights, tmp_path, seed):
    """Of some of these SQLite says nothing and ends early."""
    damaged = tmp_path / "damaged.sqlite"
    content = bytearray(nights["chiller"].read_bytes())
    half = len(content) // 2
    content[half // 2 : half // 2 + half] = random.Random(seed).randbytes(half)
    damaged.write_bytes(content)
    with pytest.raises(BellwatchError, match="`bellwatch import FILE NEW` saves what can be read"):
        replay(journal_recording(damaged), [None])


def test_a_replay_says_where_other_rules_judged_than_todays(tmp_path, capsys):
    """A journal of the version before has plans without a version of the rules; today's come after."""
    path = tmp_path / "journal.sqlite"
    path.write_bytes(gzip.decompress((DATA / "journal_layout_2.sqlite.gz").read_bytes()))
    Journal(path, writable=True).close()
    assert main(["replay", str(path)]) == 1
    said = capsys.readouterr().out
    assert f"Judged from 2025-10-09 08:53:20 by rules before 1; today's are {RULES_VERSION}." in said
    assert "NOT as it was: 29 events of the time" in said
    assert "The rules have changed since" in said
    bench = Bench(tmp_path, START_MS + 1_000_000)
    bench.watch.stop()
    bench.power_cut()
    main(["replay", str(path)])
    by = f"by rules before 1, from 2025-10-09 09:10:00 by rules {RULES_VERSION}; today's are {RULES_VERSION}."
    assert by in capsys.readouterr().out


def test_a_replay_under_todays_rules_says_nothing_of_them(tmp_path, capsys):
    bench = Bench(tmp_path)
    bench.take(swinging(5))
    bench.power_cut()
    assert main(["replay", str(bench.path)]) == 0
    assert "by rules" not in capsys.readouterr().out
