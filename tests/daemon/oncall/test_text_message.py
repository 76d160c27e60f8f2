"""One text message, against an independent codec of the GSM 7-bit alphabet (the library gsm0338).

Lengths: 3GPP TS 23.038, section 6.2.1, and TS 23.040: 140 octets, so 160 septets or 70 UCS-2 units.
"""

import codecs
import unicodedata

import gsm0338
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.oncall.text_message import fits, one_message, plain

CODEC = gsm0338.Codec()
LETTERS = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), max_size=400)


def septets(text):
    """How many places a text takes by the independent codec; None where it has a character outside."""
    try:
        return len(CODEC.encode(text)[0])
    except (UnicodeError, ValueError):
        return None


def test_every_character_of_the_basic_plane_counts_as_in_the_codec():
    assert codecs.lookup("utf-16-be")
    for number in range(0x10000):
        character = chr(number)
        # NUL stands for @ and ESC for the extension in the codec's own tables.
        if unicodedata.category(character) == "Cs" or character in "\x00\x1b":
            continue
        counted = septets(character)
        most = 160 // counted if counted else 0
        assert fits(character * most), repr(character)
        assert not fits(character * (most + 1)), repr(character)


@given(LETTERS)
def test_a_text_fits_as_the_codec_counts(text):
    text = text.replace("\x00", "").replace("\x1b", "")
    counted = septets(text)
    assert fits(text) == (counted is not None and counted <= 160)
    assert septets(plain(text)) is not None, "all is written in the alphabet"


@given(LETTERS, LETTERS, st.sampled_from(["#1.1", "#123.45"]))
def test_a_message_always_fits_ends_with_its_number_and_keeps_what_must_be_said_where_it_can(must, may, last):
    text = one_message([(0, must)], may, last)
    assert fits(text)
    assert text.endswith(last)
    if fits(f"{plain(must)} {last}"):
        assert text.startswith(plain(must))


@pytest.mark.parametrize(
    ("text", "as_sent"),
    [
        ("19.2 °C ± 0.1", "19.2 C +/- 0.1"),
        ("Kühler prüfen, Ærø", "Kühler prüfen, Ærø"),
        ("čerpadlo – ventil…", "cerpadlo - ventil..."),
        ("O₂ ≤ 5 µmol", "O2 <= 5 umol"),
        ("Проверь насос, Юлия", "Prover nasos, Yuliya"),
        ("Łukasz Żółć, Νίκος", "Lukasz Zolc, Nikos"),
        ("Ju\u0308rgen, Zoe\u0308, A\u030ase", "Jürgen, Zoe, Åse"),  # as some machines write file and name
        ("Київ, Ґанна, Ђорђе Љубић", "Kiiv, Ganna, Djordje Ljubic"),
        ("\u22122 °C, ½ ma\u00adchine\u200b, night\u2011shift", "-2 C, 1/2 machine, night-shift"),
        ("水 ✓", "? ?"),
    ],
)
def test_all_is_written_in_the_alphabet_of_text_messages(text, as_sent):
    assert plain(text) == as_sent


def test_words_are_left_out_from_the_end_of_the_note():
    text = one_message([(0, "A" * 130)], "first second third fourth fifth", "#9.1")
    assert text == "A" * 130 + " first second third... #9.1"


def test_what_matters_least_is_left_out_first():
    parts = [(0, "A" * 100), (2, "B" * 30), (1, "C" * 20)]
    assert one_message(parts, "first second", "#9.1") == "A" * 100 + "C" * 20 + " first second #9.1"
    assert one_message(parts, "first " * 6 + "x", "#9.1") == "A" * 100 + " " + "first " * 6 + "x #9.1"
