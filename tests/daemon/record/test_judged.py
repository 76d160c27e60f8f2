"""The judged values of a record beside what an engine says that was fed otherwise, a few readings at a time.

What would refute it: a flag amended at the edge of a block, a limit on a ramp, a move of stage in a block,
a value derived from what another probe gives, a correction between two calibrations only.
"""

from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest

from daemon.journal.dating import Dating
from daemon.journal.fold import configuring, fold
from daemon.journal.journal import Journal
from daemon.record import from_journal
from daemon.record.from_journal import JournalTables, Part
from daemon.record.judged import Judging
from daemon.record.tables import BANDS, TESTS
from daemon.sources.drift_correction import calibrations_at, drift_corrected
from daemon.sources.journal import journal_recording
from rules.care.drift import Correction
from rules.quality.flags import unpack
from rules.rack.channels import channels_of
from rules.rack.stage_plan import StageStep
from rules.readings import Readings
from tests.rigs.eventful_rack import CLOCK_WAS_OFF_MS, eventful
from tests.rules.test_engine_law import CALM
from tests.rules.test_pieces import at_tick, steady

pytestmark = [pytest.mark.usefixtures("quiet_logs"), pytest.mark.timeout(600)]


@pytest.fixture(scope="module")
def rack(tmp_path_factory):
    return eventful(tmp_path_factory.mktemp("rack"))


@pytest.fixture(scope="module", params=[200_000, 97])
def rows(rack, request):
    """The table judged, written in blocks of so many readings, by channel and reading."""
    with pytest.MonkeyPatch.context() as patch, closing(Journal(rack, writable=False)) as journal:
        patch.setattr(from_journal, "BLOCK", request.param)
        parts = [part for name, part in JournalTables(journal, Part()).all() if name == "judged"]
    found = {}
    for row in (row for part in parts for row in part.to_pylist()):
        key = row["vessel"], row["quantity"], row["probe"], row["seq"]
        assert key not in found
        found[key] = row
    return found


def judged(recording):
    """What one engine says, fed a few readings at a time: value, flag, tests, error, stage; bands of some."""
    engine, found, channels = None, {}, {}
    for item in recording.inputs():
        parts = (
            [item.part(at, at + 5) for at in range(0, len(item), 5)] if isinstance(item, Readings) else [item]
        )
        for part in parts:
            engine, outcome = fold(engine, part)
            channels = {channel.name: channel for channel in channels_of(engine.plan)}
            looked_at = isinstance(part, Readings) and part.seq[0] % 7 == 0
            now = {its.channel.name: its.tolerance for its in engine.channels()} if looked_at else {}
            for late in outcome.amendments:
                its = channels[late.channel]
                key = its.vessel, str(its.quantity), its.source.probe, late.seq
                found[key] |= {"flag": late.summary, "tests": late.tests}
            for flags in outcome.flags:
                its = channels[flags.channel]
                stages = engine.stages()
                for at, seq in enumerate(flags.seq.tolist()):
                    newest = at == len(flags.seq) - 1 and flags.time_ms[at] == engine.clock_ms
                    found[its.vessel, str(its.quantity), its.source.probe, seq] = {
                        "value": flags.value[at],
                        "raw": part.value[part.seq == seq][0] if its.measured else None,
                        "flag": flags.summary[at],
                        "tests": flags.tests[at],
                        "error": 0.0 if flags.error is None else flags.error[at],
                        "stage": stages[its.vessel].stage if its.vessel in stages else "",
                        "time_ms": int(flags.time_ms[at]),
                        **({"tolerance": now[flags.channel]} if newest and now else {}),
                    }
    return found


def same(one, other):
    return one == other or (one is None and np.isnan(other))


@pytest.fixture(scope="module")
def expected(rack):
    return judged(journal_recording(rack))


def test_every_value_is_as_an_engine_says_that_is_fed_a_few_at_a_time(rows, expected):
    assert rows.keys() == expected.keys()
    assert sum("tolerance" in its for its in expected.values()) > 500
    for key, its in expected.items():
        row = rows[key]
        assert same(row["value"], its["value"]), key
        assert row["raw"] == its["raw"]
        assert row["flag"] == its["flag"], key
        tests = unpack(np.array([its["tests"]], dtype=np.uint32))[:, 0]
        assert [row[test] for test in TESTS] == tests.tolist()
        assert same(row["plus_minus"], its["error"])
        assert row["stage"] == its["stage"]
        assert row["time"].timestamp() * 1000 == its["time_ms"] + CLOCK_WAS_OFF_MS
        if "tolerance" not in its:
            continue
        bands = its["tolerance"] and (its["tolerance"].critical, its["tolerance"].advisory)
        wanted = (bands[0].low, bands[1].low, bands[1].high, bands[0].high) if bands else (None,) * 4
        for band, limit in zip(BANDS, wanted, strict=True):
            assert row[band] == (limit if limit is None else pytest.approx(limit, abs=1e-12)), (key, band)


def test_all_that_it_is_to_show_is_in_it(rows):
    assert {row["quantity"] for row in rows.values()} >= {"salinity", "oxygen_saturation"}
    assert {row["stage"] for row in rows.values()} == {"ephyra", "juvenile", "nursling", ""}
    lows = {row["advisory_low"] for row in rows.values() if row["stage"] == "nursling"}
    assert len(lows) > 50, "on a ramp the limits move"
    assert {row["probe"] for row in rows.values() if row["vessel"] == "k1"} == {"k1-multi", "second"}


@pytest.fixture(scope="module")
def corrected(rack):
    return judged(drift_corrected(journal_recording(rack), calibrations_at(rack)))


def test_drift_is_taken_off_as_a_replay_takes_it_off(rows, corrected):
    for key, its in corrected.items():
        assert same(rows[key]["corrected"], its["value"]), key
    changed = [row for row in rows.values() if row["corrected"] not in (None, row["value"])]
    assert {row["quantity"] for row in changed} == {"conductivity", "salinity"} | DERIVED
    assert {row["vessel"] for row in changed} == {"k1"}


DERIVED = {"oxygen_saturation"}
"""Oxygen's saturation goes by salinity, and so by conductivity."""


def test_a_clock_that_was_a_guess_is_marked(rack, tmp_path):
    from daemon.journal.dating import Stretch

    with closing(Journal(rack, writable=False)) as journal:
        journal.copy_to(tmp_path / "guess.sqlite")
    with closing(Journal(tmp_path / "guess.sqlite", writable=True)) as journal:
        (known,) = journal.rows_of("dating", ["from_ms", "ahead_ms"])
        with journal.transaction():
            journal.state.keep_stretch(Stretch(known[0], 0, False))
        tables = JournalTables(journal, Part())
        parts = [part for name, part in tables.all() if name in ("reading", "judged", "event")]
    assert {row["clock_set"] for part in parts for row in part.to_pylist()} == {False}
    assert [note for note in tables.notes if "clock_set is false" in note]


def test_what_is_corrected_stands_beside_its_own_reading_where_only_one_of_the_two_is_lost():
    """As reported a thermometer runs out of its range, corrected it does not: of two vessels of a loop, one
    of which moves to another stage, the two engines do not judge the same together."""
    readings = steady(100)
    hot = np.where(readings.source == 1, 49.2 + 0.0025 * np.arange(len(readings)), readings.value)
    readings, ends = replace(readings, value=hot), readings.at_ms[[0, -1]].tolist()
    moved_ms = int(readings.at_ms[at_tick(readings, 80)])
    plan = replace(CALM, steps={"kreisel-2": (StageStep(moved_ms, "ephyra"),)})
    judging = Judging({1: [Correction(*ends, zero=3.0)]}, Dating())
    judging.of(configuring(plan, ends[0]))
    rows = [*judging.of(readings), *judging.held_back()]
    assert not judging.trouble
    of_others = [its for its in rows if its["vessel"] == "kreisel-2" or its["quantity"] == "conductivity"]
    assert len(of_others) >= 10
    for its in of_others:
        assert its["corrected"].tolist() == pytest.approx(its["value"].tolist(), abs=0.0, nan_ok=True)
