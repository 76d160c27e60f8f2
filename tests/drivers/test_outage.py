"""An outage is retried ever more slowly up to a bound, and told on each change and every ten minutes."""

from drivers.outage import FIRST_RETRY_MS, LONGEST_RETRY_MS, REMIND_EVERY_MS, Outage


def test_the_wait_doubles_up_to_its_bound_and_starts_afresh():
    outage = Outage()
    waits = [outage.retry_ms(7_000) - 7_000 for _ in range(9)]
    assert waits == [500, 1_000, 2_000, 4_000, 8_000, 16_000, 30_000, 30_000, 30_000]
    outage.over()
    assert outage.retry_ms(0) == FIRST_RETRY_MS
    assert max(waits) == LONGEST_RETRY_MS


def test_the_same_text_is_said_once_until_the_reminder():
    outage = Outage()
    said = [outage.failed("no such port", t) for t in (0, 1, REMIND_EVERY_MS - 1, REMIND_EVERY_MS)]
    assert said == [True, False, False, True]


def test_a_change_is_said_at_once():
    outage = Outage()
    assert [outage.failed(text, 5) for text in ("gone", "busy", "busy", "gone")] == [True, True, False, True]


def test_after_a_recovery_the_same_text_is_news():
    outage = Outage()
    assert outage.failed("gone", 0)
    outage.over()
    assert outage.failed("gone", 1)
