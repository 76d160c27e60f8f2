"""Single values that people, files and messages write: a number, a moment, a line of text.

Stricter than Python, which reads 1_5 as 15, and within what the process can compute with.
"""

import json
import math
import re
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any

EARLIEST_MS, LATEST_MS = 0, 4_102_444_800_000
"""From 1970, where a clock without a battery begins, to the year 2100."""

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
FORMULA = (*"=+-@", *"＝＋－＠", "'", "\t", "\r", "\n")
"""How text begins that spreadsheets take for a formula, some also in full width or after white space."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def number(text: str) -> float:
    """Read a finite number in decimal digits; ValueError, in words, where it is none."""
    value = float(text) if _NUMBER.fullmatch(text) else math.nan
    if not math.isfinite(value):
        raise ValueError(f"{text[:40]!r}; expected a number, such as 18.5")
    return value


def utc_ms(text: str, zone: tzinfo | None = None) -> int:
    """Read a moment in ISO 8601 (without an offset: in `zone`) as UTC milliseconds; ValueError, in words."""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None and zone is None:
        raise ValueError(f"{text[:40]!r} without its offset from UTC")
    if not 1970 <= moment.year <= 2100:  # beyond, zones overflow
        raise ValueError(f"{text[:40]!r}; expected a moment from 1970 to 2099")
    since = (moment if moment.tzinfo else moment.replace(tzinfo=zone)) - _EPOCH
    found_ms = round(since / timedelta(milliseconds=1))
    if not EARLIEST_MS <= found_ms < LATEST_MS:
        raise ValueError(f"{text[:40]!r}; expected a moment from 1970 to 2099")
    return found_ms


def cell(text: str) -> str:
    """Write text for a cell of a CSV, so that a spreadsheet does not take it for a formula."""
    return f"'{text}" if text.startswith(FORMULA) else text


def from_cell(text: str) -> str:
    """Return the text that `cell` wrote."""
    return text[1:] if text[:1] == "'" and text[1:].startswith(FORMULA) else text


def one_line(text: str) -> str:
    """Return text without what could break its line, steer a terminal or turn its direction.

    What is no printable character (Unicode: control, format, surrogate, unassigned) goes, a space stays.
    """
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else " " * c.isspace() for c in text)


def json_object(payload: bytes) -> dict[str, Any]:
    """Return the JSON object in a payload; an empty one where there is none."""
    try:
        body = json.loads(payload)
    except (ValueError, RecursionError):
        return {}
    return body if isinstance(body, dict) else {}
