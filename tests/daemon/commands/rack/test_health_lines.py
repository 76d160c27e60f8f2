"""What the status page says of clock, journal and mirror, from a real journal."""

from zoneinfo import ZoneInfo

import pytest
import structlog

from daemon.commands.rack.health_lines import clock_lines, journal_lines, mirror_lines
from daemon.journal.damage import replace_damaged
from daemon.journal.dating import Dating, Stretch
from daemon.journal.outbox import Progress, RefusedPoint
from tests.rigs.bench import START_MS, Bench, swinging

ZONE = ZoneInfo("Europe/Copenhagen")


@pytest.fixture
def bench(tmp_path):
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
    bench = Bench(tmp_path)
    bench.take(swinging(60))
    yield bench
    bench.power_cut()
    structlog.reset_defaults()


def test_a_clock_that_is_not_synchronised_is_said(bench):
    assert clock_lines(Dating()) == []
    (line,) = clock_lines(Dating([Stretch(START_MS, 0, False)]))
    assert "not synchronised yet" in line


def test_a_journal_that_was_set_aside_is_named(bench):
    assert journal_lines(bench.journal) == []
    replace_damaged(bench.journal, "database disk image is malformed")
    (line,) = journal_lines(bench.journal)
    assert "database disk image is malformed" in line
    assert next(bench.path.parent.glob("journal.sqlite.damaged-*")).name.split("-")[0] in line


def test_the_mirrors_progress_trouble_and_refusals_are_said(bench):
    events = bench.journal.history.last_event_number()
    assert mirror_lines(bench.journal, ZONE) == [
        f"The mirror is {bench.journal.inputs.last_seq()} readings and {events} alarm events behind."
    ]
    newest = bench.journal.inputs.last_seq()
    refused = [RefusedPoint("reading,... value=1.0 0", "400: field type conflict")]
    bench.journal.outbox.keep_mirrored(Progress(newest - 5, events, START_MS, "no route to host"), refused, 0)
    behind, trouble, refusal = mirror_lines(bench.journal, ZONE)
    assert behind.startswith("The mirror is 5 readings behind, it has everything up to ")
    assert trouble == "The mirror is held up: no route to host"
    assert refusal == "The mirror's server refused 1 points, the last one so: 400: field type conflict"
    bench.journal.outbox.keep_mirrored(Progress(newest, events, START_MS, ""), [], 0)
    assert mirror_lines(bench.journal, ZONE)[0].startswith(
        "The mirror is up to date, it has everything up to "
    )
