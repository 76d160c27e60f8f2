"""SDI-12, bytes and values: the standard's own examples. All readings are invented otherwise."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import GarbledAnswerError, RefusedError, SetupError
from drivers.sdi12.telegram import Promise, body, command, crc, identity, promise, values
from tests.rigs.parts.sdi12_sensor import arc

# SDI-12 version 1.4 (2023-02-20), 4.4.12.3 and 4.4.8.1: the worked examples of its CRC.
EXAMPLES = [
    b"0+3.14OqZ",
    b"0+2.718Gbc",
    b"0+1.414GtW",
    b"0+3.14+2.718+1.414Ipz",
    b"0+1.11+2.22+3.33+4.44+5.55+6.66I]q",
    b"0+7.77+8.88+9.99IvW",
    b"0+3.14+2.718IWO",
    b"0AP@",
    b"1+1.23+2.34+345+4.4678KoO",
    b"0+1.234-4.56+12354-0.00045+2.223+145.5+7.7003+4328.8+9+10+11.433+12Ba]",
]


@pytest.mark.parametrize("example", EXAMPLES)
def test_the_crc_of_the_standards_examples(example):
    assert crc(example[:-3]) == example[-3:]
    assert body(example + b"\r\n", example[:1].decode(), True) == example[1:-3].decode()


@given(st.binary(max_size=40))
def test_the_crc_is_that_of_another_implementation(text):
    assert crc(text) == arc(text)


def test_a_crc_may_hold_the_one_character_that_does_not_print():
    said = next(it for it in (f"0+{n}".encode() for n in range(1000)) if 0x7F in arc(it))
    assert body(said + arc(said) + b"\r\n", "0", True) == said[1:].decode()


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"0+3.14OqZ", "cut off"),
        (b"0+3.15OqZ\r\n", "CRC"),
        (b"1+3.14OqZ\r\n", "another address"),
        (b"0OqZ\r\n", "CRC"),
        (b"\r\n", "another address"),
    ],
)
def test_what_is_no_answer(answer, words):
    with pytest.raises(GarbledAnswerError, match=words):
        body(answer, "0", True)


def test_values_are_signed_and_bounded():
    assert values("+1.234-4.56+12354-0.00045+.5+7", 75) == [1.234, -4.56, 12354.0, -0.00045, 0.5, 7.0]
    for wrong in ("1.5", "+1.5 +2", "+", "+1.2.3", "+12345678", "+1e5", "+nan", "++1", "+1.5x"):
        with pytest.raises(GarbledAnswerError, match="no row of values"):
            values(wrong, 75)
    with pytest.raises(GarbledAnswerError):
        values("+1.5" * 9, 35)
    with pytest.raises(RefusedError, match="broken its measurement off"):
        values("", 75)


def test_promises():
    assert promise("0305", concurrent=False) == Promise(30, 5)
    assert promise("03012", concurrent=True) == Promise(30, 12)
    for said, concurrent in (("03012", False), ("0305", True), ("03x5", False), ("", True)):
        with pytest.raises(GarbledAnswerError, match="were due"):
            promise(said, concurrent)
    with pytest.raises(RefusedError, match="measures nothing"):
        promise("00000", concurrent=True)


def test_an_identification_as_in_the_standard():
    """4.4.2: two characters of version, eight of vendor, six of model, three of version, up to 13 more."""
    found = identity("14INVENTEDWATER1001serial-7")
    assert (found.version, found.maker, found.model, found.rest) == (14, "INVENTED", "WATER1", "001serial-7")
    with pytest.raises(GarbledAnswerError):
        identity("14INVENTED")


@pytest.mark.parametrize(
    ("what", "sent"),
    [("M", b"0M!"), ("MC3", b"0MC3!"), ("CC", b"0CC!"), ("RC0", b"0RC0!"), ("D9", b"0D9!"), ("I", b"0I!")],
)
def test_commands_that_read(what, sent):
    assert command("0", what) == sent


@pytest.mark.parametrize("what", ["A1", "Ab", "HA", "HB", "HA1", "XRESET", "V", "M10", "", "M!0A1", "D", "?"])
def test_nothing_else_is_ever_sent(what):
    with pytest.raises(SetupError, match="only what reads"):
        command("0", what)
    with pytest.raises(SetupError, match="must be one of"):
        command("?", "M")
