"""Text in lines of a given width: whole words, the band strip, and signs that every terminal can show."""

import os
import sys
from collections.abc import Iterator, Mapping

from rich.cells import cell_len, chop_cells

from daemon.view.rack_now import ChannelNow

_PLAIN = str.maketrans(
    {
        "°": "deg ", "±": "+/-", "µ": "u", "■": "#", "◆": "*", "▲": "^", "·": ".", "▨": "%", "◪": "~",
        "●": "o", "█": "#", "▒": "-", "░": ".", "◀": "<", "▶": ">",
    }
)  # fmt: skip
"""Without UTF-8: each sign by one that stands for it, so that nothing rests on what cannot be shown."""

STRIP_CELLS = 11


def plain(text: str) -> str:
    """Write text in ASCII."""
    return text.translate(_PLAIN).encode("ascii", "replace").decode()


def shows_utf8(encoding: str, environment: Mapping[str, str] = os.environ) -> bool:
    """Return whether a terminal shows more than ASCII: by its encoding, and by what the user set.

    Python writes UTF-8 also where LANG is C, and says so in LC_CTYPE; the terminal need not know.
    """
    given = {**environment, "LC_CTYPE": ""} if environment.get("LC_CTYPE") == "C.UTF-8" else environment
    said = next((given[key] for key in ("LC_ALL", "LC_CTYPE", "LANG") if given.get(key)), "")
    return encoding.lower().startswith("utf") and said not in ("C", "POSIX")


def say(*lines: str) -> None:
    """Print lines by signs that this terminal shows."""
    show = str if shows_utf8(sys.stdout.encoding or "utf-8") else plain
    print(*map(show, lines), sep="\n")


def wrapped(text: str, width: int, indent: int = 0) -> Iterator[str]:
    """Break text between words, later lines indented; a name that is longer than a line after its slashes."""
    line, empty = "", True
    for number, word in enumerate(text.split(" ")):
        for place, part in enumerate(_parts(word, width - indent)):
            glue = " " if number and not place else ""
            if not empty and cell_len(line + glue + part) > width:
                yield line
                line, empty = " " * indent, True
            line, empty = line + ("" if empty and number and line.isspace() else glue) + part, False
    yield line


def _parts(word: str, width: int) -> list[str]:
    if cell_len(word) <= width:
        return [word]
    parts = [part for step in word.split("/") for part in (step, "/")][:-1]
    joined = [step + slash for step, slash in zip(parts[::2], [*parts[1::2], ""], strict=True)]
    return [piece for part in joined for piece in (chop_cells(part, width) if part else [])]


def strip(channel: ChannelNow) -> str:
    """Draw where a value stands between the limits of its stage; empty where it has none.

    Light: beyond the advisory limits; medium: between them; full: the value, an arrow where it is outside.
    """
    limits, place = channel.limits, channel.place
    if limits is None or place is None:
        return ""
    low = -1.0 if limits.advisory_low_place is None else limits.advisory_low_place
    high = 1.0 if limits.advisory_high_place is None else limits.advisory_high_place
    half = STRIP_CELLS // 2
    cells = ["▒" if low <= (cell - half) / half <= high else "░" for cell in range(STRIP_CELLS)]
    cell = half + round(max(-1.0, min(place, 1.0)) * half)
    cells[cell] = "◀" if place < -1.0 else "▶" if place > 1.0 else "█"
    return "".join(cells)
