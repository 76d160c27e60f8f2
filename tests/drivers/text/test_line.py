"""Lines of text: what they hold, and patterns that nobody should write. All readings are invented."""

import time

import pytest

from drivers.errors import GarbledAnswerError, PayloadError, SetupError
from drivers.text.line import LONGEST_LINE, LinePattern, Lines, TextValue

TEMPERATURE = TextValue("temperature", "t")


def test_values_by_named_groups():
    pattern = LinePattern(
        r"T=(?P<t>[-+.\d]+) ?C;O=(?P<o>[^;]+)", (TEMPERATURE, TextValue("oxygen", "o", scale=0.1, offset=1))
    )
    assert pattern.read(b"T=18.5C;O=70") == [("temperature", 18.5), ("oxygen", 8.0)]
    assert pattern.read(b"T=-1. C;O=7e1") == [("temperature", -1.0), ("oxygen", 8.0)]
    assert pattern.read(b"T=18.5C;O=70;") is None, "the whole line, not a part of it"
    for wrong, words in ((b"T=1.2.3C;O=7", "not a plain number"), (b"T=1C;O=9e999", "too large")):
        with pytest.raises(PayloadError, match=words):
            pattern.read(wrong)


def test_a_group_that_took_no_part_is_told():
    pattern = LinePattern(r"T(?P<t>\d+)?", (TEMPERATURE,))
    assert pattern.read(b"T18") == [("temperature", 18.0)]
    with pytest.raises(PayloadError, match="temperature in group t"):
        pattern.read(b"T")


def test_the_checksum_of_nmea_0183():
    """The sentence is an example often printed with NMEA 0183 (its checksum 47; from memory)."""
    sentence = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
    pattern = LinePattern(r"\$GPGGA(,[^,]*){8},(?P<t>[\d.]+),M.*", (TEMPERATURE,), "xor")
    assert pattern.read(sentence) == [("temperature", 545.4)]
    with pytest.raises(GarbledAnswerError, match="checksum"):
        pattern.read(sentence.replace(b"545.4", b"545.5"))
    assert pattern.read(sentence.removesuffix(b"*47")) is None


@pytest.mark.parametrize("slow", [r"(?P<t>(a|aa)+)$", r"((?P<t>a+)\2)+b", r"(?P<t>a{1,100}){1,100}b"])
def test_a_pattern_that_takes_for_ever_is_given_up(slow):
    begun = time.monotonic()
    with pytest.raises(PayloadError, match="takes too long"):
        LinePattern(slow, (TEMPERATURE,)).read(b"a" * 200 + b"!")
    assert time.monotonic() - begun < 2


@pytest.mark.parametrize("wrong", ["(", "(?P<t>a", "a" * 401, "(?P<u>a)", r"(?P<t>((\d{99}){99}){99})"])
def test_impossible_patterns(wrong):
    with pytest.raises(SetupError):
        LinePattern(wrong, (TEMPERATURE,))
    with pytest.raises(SetupError, match="checksum"):
        LinePattern("(?P<t>a)", (TEMPERATURE,), "crc")


def test_repeats_of_columns_are_no_monster():
    columns = r"(?:[^,]{1,20},){30}\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2},(?P<t>[-.\d]{1,9})(?: ?[A-Z]){0,500}"
    line = 30 * b"x," + b"2030-01-01T10:00:00,18.5 C"
    assert LinePattern(columns, (TEMPERATURE,)).read(line) == [("temperature", 18.5)]


def test_lines_are_cut_at_any_end_wherever_the_stream_is_cut():
    stream = b"one\r\ntwo\nthree\rfour\r\n\r\n  \r\nfive"
    for step in (1, 2, 3, 100):
        lines, found = Lines(begins_anywhere=False), []
        for start in range(0, len(stream), step):
            found += lines.feed(stream[start : start + step])
        assert found == [b"one", b"two", b"three", b"four"]


def test_the_rest_of_a_line_begun_before_us_is_no_line():
    lines = Lines(begins_anywhere=True)
    assert lines.feed(b"8.5\n1") == []
    assert lines.feed(b"8.5\n") == [b"18.5"]


def test_a_line_without_end_is_bounded_and_its_rest_no_line():
    lines = Lines(begins_anywhere=False)
    found = lines.feed(b"x" * 5_000)
    assert [len(line) for line in found] == [LONGEST_LINE + 1]
    assert lines.feed(b"18.5\n19.5\n") == [b"19.5"]
    with pytest.raises(GarbledAnswerError, match="more than 1024"):
        LinePattern("(?P<t>x+)", (TEMPERATURE,)).read(found[0])
