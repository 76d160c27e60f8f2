"""The acceptable values of the alarm standard for one operator, from memory (`test_alarm_figures.py`)."""


def within_acceptable(got):
    """Hold the measures of a time within them."""
    assert got.per_day <= 144
    assert got.per_hour <= 6
    assert got.per_ten_minutes <= 1
    assert got.busy_hours < 0.01
    assert got.busy_ten_minutes < 0.01
    assert got.most_in_ten_minutes <= 10
    assert got.flood_time < 0.01
    assert got.chattering == 0
    assert got.stale < 5
