"""The small picture of a value's last hours: where things stand, by hand."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.web.picture import HEIGHT, TOP, WIDTH, picture_of

LIMITS = (8.0, 12.0, 18.0, 23.0)


def test_the_scale_holds_values_and_limits_and_the_bands_lie_inside_one_another():
    picture = picture_of([(6.0, 15.0), (0.0, 25.0)], LIMITS)
    per_unit = HEIGHT / (17.0 * 1.2)  # 8 to 25, and a tenth more on each side
    (x, y), (end_x, end_y) = (map(float, point.split(",")) for point in picture.trace.split())
    assert (x, end_x) == (0.0, WIDTH)
    assert y - end_y == pytest.approx(10 * per_unit, abs=0.11)
    assert picture.beyond == (TOP, HEIGHT)
    assert picture.outer[1] == pytest.approx(15 * per_unit)
    assert picture.inner[1] == pytest.approx(6 * per_unit)
    assert [text for _, text in picture.limits] == ["8", "12", "18", "23"]
    assert [hour for _, hour in picture.hours] == [1, 2, 3, 4, 5, 6]


def test_a_side_without_a_limit_is_open_and_said_to_be():
    picture = picture_of([(1.0, 60.0), (0.0, 40.0)], (30.0, 50.0, None, None))
    assert picture.inner[0] == TOP
    assert picture.words == (
        "The last 1.0 h: from 60 to 40, lowest 40, highest 60. Limits: above 50; critical above 30."
    )


def test_one_reading_makes_no_picture():
    assert picture_of([(0.0, 1.0)], LIMITS) is None


@given(
    st.lists(st.tuples(st.floats(0, 240), st.floats(allow_nan=False, allow_infinity=False)), min_size=2),
    st.tuples(*[st.none() | st.floats(allow_nan=False, allow_infinity=False)] * 4),
)
def test_whatever_a_rack_sends_is_drawn_without_an_error(points, limits):
    assert len(picture_of(points, limits).trace.split()) == len(points)
