"""What fits into one text message: the GSM 7-bit alphabet and its 160 places.

3GPP TS 23.038, section 6.2.1: a message in the default alphabet holds 160 characters, those of its
extension table take two places each. One with any other character would hold 70: so there is none, other
letters are written in this alphabet. The table below is checked in the tests against an independent codec.
"""

import unicodedata
from collections.abc import Sequence

SEPTETS = 160
_BASIC = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
_EXTENDED = frozenset("\f^{}\\[~]|€")
_PLAIN = {"°": "", "±": "+/-", "µ": "u", "·": ".", "×": "x", "–": "-", "—": "-", "…": "...", "\u00a0": " ",
          "‘": "'", "’": "'", "“": '"', "”": '"', "₂": "2", "≤": "<=", "≥": ">=", "→": "->", "\u2212": "-",
          "\u2010": "-", "⁄": "/", "„": '"', "•": "-", "′": "'", "`": "'"}  # fmt: skip
_LETTERS = {
    **dict(zip("абвгдезиклмнопрстуфыэ", "abvgdeziklmnoprstufye", strict=True)),
    **{
        "ж": "zh",
        "х": "kh",
        "ц": "ts",
        "ч": "ch",
        "ш": "sh",
        "щ": "shch",
        "ъ": "",
        "ь": "",
        "ю": "yu",
        "я": "ya",
        "і": "i",
        "є": "ye",
        "ґ": "g",
        "ј": "j",
        "љ": "lj",
        "њ": "nj",
        "ђ": "dj",
        "ћ": "c",
        "џ": "dz",
    },
    **dict(zip("αβγδεζηικλμνοπρσςτυφω", "avgdeziiklmnoprsstyfo", strict=True)),
    **{
        "θ": "th",
        "ξ": "x",
        "χ": "ch",
        "ψ": "ps",
        "ł": "l",
        "đ": "d",
        "ı": "i",
        "œ": "oe",
        "þ": "th",
        "ð": "d",
    },
}
"""How letters that have no plain form are written in Latin ones (common practice, from memory)."""


def plain(text: str) -> str:
    """Write text in the default alphabet; "19 °C" becomes "19 C", and what nobody can write "?"."""
    return "".join(_plain_character(character) for character in unicodedata.normalize("NFC", text))


def _plain_character(character: str) -> str:
    if character in _BASIC or character in _EXTENDED:
        return character
    if character in _PLAIN:
        return _PLAIN[character]
    letters = unicodedata.normalize("NFKD", character)
    bare = "".join(_PLAIN.get(letter, letter) for letter in letters if not _unseen(letter))
    if all(letter in _BASIC for letter in bare):
        return bare
    written = _LETTERS.get(bare.lower(), "?")
    return written if bare.islower() else written.capitalize()


def _unseen(character: str) -> bool:
    """Return whether a character only changes others: an accent, or what joins or turns them."""
    return unicodedata.category(character) in ("Mn", "Cf")


def fits(text: str) -> bool:
    """Return whether a text goes out as one text message."""
    if any(character not in _BASIC and character not in _EXTENDED for character in text):
        return False
    return sum(2 if character in _EXTENDED else 1 for character in text) <= SEPTETS


Parts = Sequence[tuple[int, str]]
"""What is said, in its order, each part with a rank: those of rank 0 must be said, of the highest may not."""


def one_message(parts: Parts, may: str, last: str) -> str:
    """Join what is said, what may be said beside, and the last words, so that all fits.

    First parts of a high rank are left out, then words from the end of `may`; then what must be said is cut.
    """
    may, last = plain(may), plain(last)
    for most in sorted({0, *(rank for rank, _ in parts)}, reverse=True):
        must = plain("".join(words for rank, words in parts if rank <= most))
        text = " ".join(part for part in (must, may, last) if part)
        if fits(text):
            return text
    words = may.split()
    for count in range(len(words), -1, -1):
        rest = " ".join(words[:count]) + ("..." if 0 < count < len(words) else "")
        text = " ".join(part for part in (must, rest, last) if part)
        if fits(text):
            return text
    while must and not fits(f"{must}... {last}"):
        must = must[:-1]
    return f"{must}... {last}"
