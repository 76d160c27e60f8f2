"""Trouble on the buses is logged at once, then seldom, counted always, and kept for who looks."""

from contextlib import closing

import pytest
import structlog

from daemon.journal.journal import Journal
from daemon.journal.state import KeptTrouble
from daemon.watch.trouble_log import KEPT_FOR_MS, KINDS_KEPT, SAY_AGAIN_MS, TroubleLog
from drivers.readings import Trouble


def trouble(time_ms, kind="timeout", probe="k1-ct", raw=b""):
    return Trouble("wet-side", probe, kind, f"{probe}: {kind}", raw, time_ms)


@pytest.fixture
def journal(tmp_path):
    with closing(Journal(tmp_path / "journal.sqlite", writable=True)) as journal:
        yield journal


def noted(journal, *troubles):
    log = TroubleLog(journal)
    with structlog.testing.capture_logs() as lines:
        for each in troubles:
            log.note(each)
    return log, lines


def test_the_first_is_said_at_once_with_all_that_is_known(journal):
    _, (line,) = noted(journal, trouble(5, "garbled", raw=b"\x01\x04\xff"))
    assert (line["event"], line["log_level"]) == ("trouble", "warning")
    assert (line["bus"], line["probe"], line["kind"]) == ("wet-side", "k1-ct", "garbled")
    assert (line["what"], line["raw"], line["times"]) == ("k1-ct: garbled", "01 04 ff", 1)


def test_a_night_of_timeouts_is_a_line_every_ten_minutes_that_counts_them_all(journal):
    log, lines = noted(journal, *(trouble(second * 1000) for second in range(3_600)))
    log.keep(3_600_000)
    assert [line["times"] for line in lines] == [1 + n * SAY_AGAIN_MS // 1000 for n in range(6)]
    text = "k1-ct: timeout"
    (kept,) = journal.state.troubles()
    assert kept == KeptTrouble("wet-side", "k1-ct", "timeout", text, 3_600, 0, 3_599_000)


def test_another_kind_and_another_probe_are_news(journal):
    _, lines = noted(
        journal, trouble(1), trouble(2, "garbled"), trouble(3, probe="k2-ct"), trouble(4, probe=None)
    )
    assert [(line["probe"], line["kind"]) for line in lines] == [
        ("k1-ct", "timeout"),
        ("k1-ct", "garbled"),
        ("k2-ct", "timeout"),
        (None, "timeout"),
    ]


def test_raw_bytes_are_bounded(journal):
    _, (line,) = noted(journal, trouble(1, "payload", raw=b"\x00" * 100_000))
    assert len(line["raw"]) < 1_000


def test_what_was_kept_is_counted_on_after_a_restart_and_let_go_after_a_day(journal):
    first, _ = noted(journal, trouble(1_000), trouble(2_000, "garbled"))
    first.keep(2_000)
    again, _ = noted(journal, trouble(50_000))
    again.keep(50_000)
    assert [(it.kind, it.times, it.last_ms) for it in journal.state.troubles()] == [
        ("garbled", 1, 2_000),
        ("timeout", 2, 50_000),
    ]
    again.note(trouble(2_000 + KEPT_FOR_MS, "payload"))
    again.keep(2_000 + KEPT_FOR_MS)
    assert [it.kind for it in journal.state.troubles()] == ["timeout", "payload"]


def test_the_card_is_written_once_a_minute_at_most(journal):
    log, _ = noted(journal, trouble(1_000))
    for now_ms in (1_000, 31_000, 61_000):
        log.note(trouble(now_ms))
        log.keep(now_ms)
    assert journal.state.troubles()[0].times == 4
    log.note(trouble(62_000))
    log.keep(62_000)
    assert journal.state.troubles()[0].times == 4


def test_names_without_end_are_bounded_and_a_damaged_note_is_none(journal):
    log, _ = noted(journal, *(trouble(n, f"kind {n}") for n in range(2 * KINDS_KEPT)))
    log.keep(1_000)
    assert len(journal.state.troubles()) == KINDS_KEPT
    with journal.transaction():
        journal.state.keep_note("troubles", "[[1, 2")
    assert journal.state.troubles() == []
