"""What is said of a probe that does not move; all readings are invented."""

from rules.quality.calm import LEAST_MS, TIMES_THE_LONGEST, Calm

DOUBTED_MS = TIMES_THE_LONGEST * LEAST_MS


def test_what_has_not_changed_for_half_an_hour_is_doubted_from_then_on():
    still = Calm(began_ms=0, changed_ms=0, value=15.0)
    said = [still.is_frozen(ms, counted=False) for ms in (0, DOUBTED_MS - 1, DOUBTED_MS, 2 * DOUBTED_MS)]
    assert said == [False, False, None, None]
    assert still.is_frozen(DOUBTED_MS, counted=True) is False, "each answer is a new one"
