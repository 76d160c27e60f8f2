"""Trouble on the buses is logged at once, then seldom, and counted always."""

import structlog

from daemon.watch.trouble_log import SAY_AGAIN_MS, TroubleLog
from drivers.readings import Trouble


def trouble(time_ms, kind="timeout", probe="k1-ct", raw=b""):
    return Trouble("wet-side", probe, kind, f"{probe}: {kind}", raw, time_ms)


def noted(*troubles):
    log = TroubleLog()
    with structlog.testing.capture_logs() as lines:
        for each in troubles:
            log.note(each)
    return log, lines


def test_the_first_is_said_at_once_with_all_that_is_known():
    _, (line,) = noted(trouble(5, "garbled", raw=b"\x01\x04\xff"))
    assert (line["event"], line["log_level"]) == ("trouble", "warning")
    assert (line["bus"], line["probe"], line["kind"]) == ("wet-side", "k1-ct", "garbled")
    assert (line["what"], line["raw"], line["times"]) == ("k1-ct: garbled", "01 04 ff", 1)


def test_a_night_of_timeouts_is_a_line_every_ten_minutes_that_counts_them_all():
    log, lines = noted(*(trouble(second * 1000) for second in range(3_600)))
    assert [line["times"] for line in lines] == [1 + n * SAY_AGAIN_MS // 1000 for n in range(6)]
    assert log.counts["wet-side", "k1-ct", "timeout"] == 3_600


def test_another_kind_and_another_probe_are_news():
    _, lines = noted(trouble(1), trouble(2, "garbled"), trouble(3, probe="k2-ct"), trouble(4, probe=None))
    assert [(line["probe"], line["kind"]) for line in lines] == [
        ("k1-ct", "timeout"),
        ("k1-ct", "garbled"),
        ("k2-ct", "timeout"),
        (None, "timeout"),
    ]


def test_raw_bytes_are_bounded():
    _, (line,) = noted(trouble(1, "payload", raw=b"\x00" * 100_000))
    assert len(line["raw"]) < 1_000
