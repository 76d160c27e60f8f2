"""What fits into one text message: the GSM 7-bit alphabet and its 160 places.

3GPP TS 23.038, section 6.2.1: a message in the default alphabet holds 160 characters, those of its
extension table take two places each; a message with any other character is sent in UCS-2 and
holds 70. The table below is checked in the tests against an independent codec.
"""

import unicodedata

SEPTETS = 160
UCS2_UNITS = 70
_BASIC = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
_EXTENDED = frozenset("\f^{}\\[~]|€")
_PLAIN = {"°": "", "±": "+/-", "µ": "u", "·": ".", "×": "x", "–": "-", "—": "-", "…": "...", "\u00a0": " ",
          "‘": "'", "’": "'", "“": '"', "”": '"', "₂": "2", "≤": "<=", "≥": ">=", "→": "->"}  # fmt: skip


def plain(text: str) -> str:
    """Write text in the default alphabet as far as that keeps its meaning; "19 °C" becomes "19 C"."""
    return "".join(_plain_character(character) for character in text)


def _plain_character(character: str) -> str:
    if character in _BASIC or character in _EXTENDED:
        return character
    if character in _PLAIN:
        return _PLAIN[character]
    letters = unicodedata.normalize("NFKD", character)
    bare = "".join(letter for letter in letters if not unicodedata.combining(letter))
    return bare if bare and all(letter in _BASIC for letter in bare) else character


def fits(text: str) -> bool:
    """Return whether a text goes out as one text message."""
    if all(character in _BASIC or character in _EXTENDED for character in text):
        return sum(2 if character in _EXTENDED else 1 for character in text) <= SEPTETS
    return len(text.encode("utf-16-be")) // 2 <= UCS2_UNITS


def one_message(must: str, may: str, last: str) -> str:
    """Join what must be said, as much of what may be said as fits, and the last words.

    Words that do not fit are left out from the end of `may`; where even `must` is too long, it is cut.
    """
    must, may, last = plain(must), plain(may), plain(last)
    words = may.split()
    for count in range(len(words), -1, -1):
        rest = " ".join(words[:count]) + ("..." if 0 < count < len(words) else "")
        text = " ".join(part for part in (must, rest, last) if part)
        if fits(text):
            return text
    while must and not fits(f"{must}... {last}"):
        must = must[:-1]
    return f"{must}... {last}"
