"""Values that people, files and messages write: strict, finite, within bounds, on one line."""

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.tables.values import cell, from_cell, number, one_line, utc_ms

COPENHAGEN = ZoneInfo("Europe/Copenhagen")


@pytest.mark.parametrize(("text", "value"), [("18.5", 18.5), ("-.5", -0.5), ("+7.", 7.0), ("1e-05", 1e-05)])
def test_a_number_is_read_as_it_is_written(text, value):
    assert number(text) == value


@pytest.mark.parametrize(
    "text", ["1_5", "1e999", "nan", "inf", "-Infinity", "", " 1", "1 ", "0x10", "1,5", "١٥", "1\n", "9" * 400]
)
def test_what_python_would_take_for_a_number_and_people_would_not_is_none(text):
    with pytest.raises(ValueError, match="expected a number"):
        number(text)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_that_was_written_with_all_its_digits_comes_back_bit_for_bit(value):
    assert number(repr(value)).hex() == value.hex()


def test_a_moment_is_read_to_the_millisecond():
    assert utc_ms("2026-03-29T00:59:59.999Z") == 1_774_745_999_999
    assert utc_ms("2026-03-29T03:00:00", COPENHAGEN) == 1_774_746_000_000, "after the clocks went forward"
    assert utc_ms("1970-01-01T00:00:00Z") == 0


@pytest.mark.parametrize(
    "text",
    [
        "0001-01-01T00:00:00+14:00",
        "9999-12-31T23:59:59-14:00",
        "1970-01-01T00:00:00+01:00",
        "2100-01-01T00:00:00Z",
        "2026-02-30T00:00:00Z",
        "2026-03-29T00:00:00",
        "noon",
    ],
)
def test_what_is_no_moment_that_can_be_computed_with_is_refused(text):
    with pytest.raises(ValueError):  # noqa: PT011 - the words differ
        utc_ms(text)


@given(st.text())
def test_no_text_breaks_its_line_steers_a_terminal_or_cannot_be_written(text):
    line = one_line(text)
    assert line.isprintable()
    assert line.splitlines() in ([], [line])
    line.encode()
    assert one_line(line) == line


@given(st.text() | st.text("='-+@1", max_size=6))
def test_a_cell_is_never_a_formula_and_comes_back_the_same(text):
    """What begins with = + - @ is taken for a formula (OWASP, CSV Injection)."""
    assert not cell(text).startswith(("=", "+", "-", "@"))
    assert from_cell(cell(text)) == text
