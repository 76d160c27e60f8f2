"""What probes publish, bytes to values: a plain number, a place in a JSON document, or SenML.

Sources: RFC 8259 (JSON), RFC 6901 (JSON Pointer), RFC 8428 (SenML) and RFC 9100 (its versions).
Stricter than Python: no "nan", no "1_000", no other encodings than UTF-8, no repeated names.
"""

import json
import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from drivers.errors import PayloadError, SetupError

MAX_PAYLOAD_BYTES = 64 * 1024
# RFC 8428, 4.5.3: smaller times count from now, others from 1970.
FIRST_ABSOLUTE_S = 2**28
YEAR_10000_S = 253_402_300_800
# RFC 8428 defines version 10 and takes lower ones; RFC 9100 adds 26 (10 with secondary units).
SENML_VERSION = 10
SENML_WITH_SECONDARY_UNITS = 26

_PLAIN_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_ARRAY_INDEX = re.compile(r"0|[1-9]\d{0,8}", re.ASCII)
_SENML_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*", re.ASCII)
_SENML_TYPES: dict[str, type] = {
    **dict.fromkeys(("bn", "bu", "n", "u", "vs", "vd"), str),
    **dict.fromkeys(("bt", "bv", "bs", "bver", "v", "s", "t", "ut"), float),
    "vb": bool,
}
_SENML_VALUES = {"v", "vs", "vb", "vd"}


class _Number(str):
    """A number as it is written."""

    __slots__ = ()


_JSON_TYPES = {str: "text", bool: "true or false", list: "an array", dict: "an object"}
_JSON_TYPES |= dict.fromkeys((float, _Number), "a number")


@dataclass(frozen=True, slots=True)
class SenmlRecord:
    """One measurement of a SenML pack with the base fields applied.

    `value` is None for text, boolean, data and sum-only records; `time_ms` (UTC milliseconds) is
    None when the sender gave no time, that is, measured about now. `dated` tells a time that the
    sender gave by the calendar from one that counts from the arrival of the message.
    """

    name: str
    unit: str | None
    value: float | None
    time_ms: int | None
    dated: bool


def decode_plain(payload: bytes) -> float:
    """Return the number that is the whole payload; raise PayloadError."""
    text = _text(payload).strip(" \t\r\n")
    if not _PLAIN_NUMBER.fullmatch(text):
        raise PayloadError(
            f"{_shown(text)} is not a plain number; send digits with a decimal point, as in 18.5"
        )
    return _finite(float(text), "the number")


def decode_json(payload: bytes, pointer: str) -> float:
    """Return the number at a JSON Pointer (RFC 6901); raise PayloadError."""
    found = _at(payload, pointer)
    if type(found) is not float:
        raise PayloadError(f"{_json_type(found)} at {pointer!r} where a number is due")
    return _finite(found, f"the number at {pointer!r}")


def json_says(payload: bytes, pointer: str, text: str) -> bool:
    """Return whether a text or a number is at a JSON Pointer, a short one also as 7.0; raise PayloadError."""
    found = _at(payload, pointer, _Number)
    return bool(found == text) or (type(found) is _Number and f"{float(found):.15g}" == text)


def _at(payload: bytes, pointer: str, number: type = float) -> Any:  # noqa: ANN401 - a JSON document can be anything
    found = _parse(payload, number)
    for token in pointer_tokens(pointer):
        found = _step(found, token, pointer)
    return found


def pointer_tokens(pointer: str) -> list[str]:
    """Return the unescaped reference tokens of a JSON Pointer; raise SetupError when it is none."""
    if (pointer and not pointer.startswith("/")) or re.search("~(?![01])", pointer):
        raise SetupError(f"pointer {pointer!r} must start with '/', and write '~' as ~0 and '/' as ~1")
    return [token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:]]


def decode_senml(payload: bytes, now_s: float) -> list[SenmlRecord]:
    """Return the resolved records of a SenML pack in JSON; `now_s` (Unix seconds) dates relative times.

    Raises PayloadError for the whole pack when any record breaks RFC 8428.
    """
    pack = _parse(payload)
    if not isinstance(pack, list):
        raise PayloadError(f"{_json_type(pack)} where a SenML array of records is due")
    base: dict[str, Any] = {}
    records = []
    for number, fields in enumerate(pack, start=1):
        _check_labels(fields, f"SenML record {number}")
        _check_version(fields, base, first=number == 1)
        base |= {label: value for label, value in fields.items() if label.startswith("b")}
        if not all(label.startswith("b") for label in fields):
            records.append(_resolve(fields, base, now_s, f"SenML record {number}"))
    return records


def _text(payload: bytes) -> str:
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise PayloadError(f"payload of {len(payload)} bytes; at most {MAX_PAYLOAD_BYTES} are read")
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError as error:
        raise PayloadError(f"byte {error.start} is not UTF-8 text") from error


@lru_cache(maxsize=2)  # one payload is read field by field, for many probes
def _parse(payload: bytes, number: type = float) -> Any:  # noqa: ANN401 - a JSON document can be anything
    try:
        return json.loads(
            _text(payload),
            parse_float=number,
            parse_int=number,
            parse_constant=_refuse_constant,
            object_pairs_hook=_object_without_repeats,
        )
    except RecursionError as error:
        raise PayloadError("JSON nested too deeply to be a measurement") from error
    except json.JSONDecodeError as error:
        raise PayloadError(f"not JSON: {error.msg} at character {error.pos}") from error


def _refuse_constant(name: str) -> float:
    raise PayloadError(f"{name} is not a number in JSON; leave the value out instead")


def _object_without_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) < len(pairs):
        raise PayloadError(f"a JSON object repeats a name among {_shown(', '.join(fields))}")
    return fields


def _step(found: Any, token: str, pointer: str) -> Any:  # noqa: ANN401
    if isinstance(found, dict) and token in found:
        return found[token]
    if isinstance(found, list) and _ARRAY_INDEX.fullmatch(token) and int(token) < len(found):
        return found[int(token)]
    raise PayloadError(f"nothing at {pointer!r}: {_json_type(found)} has no {_shown(token)}")


def _check_labels(fields: Any, where: str) -> None:  # noqa: ANN401
    if not isinstance(fields, dict):
        raise PayloadError(f"{where} is {_json_type(fields)}, not an object")
    for label, value in fields.items():
        wanted = _SENML_TYPES.get(label)
        if wanted is None and label.endswith("_"):
            raise PayloadError(f"{where}: {_shown(label)} must be understood (RFC 8428, 4.4) but is not")
        if wanted is not None and type(value) is not wanted:
            raise PayloadError(f"{where}: {label} is {_json_type(value)}, not {_JSON_TYPES[wanted]}")
        if wanted is float:
            _finite(value, f"{where}: {label}")


def _check_version(fields: dict[str, Any], base: dict[str, Any], first: bool) -> None:
    version = fields.get("bver")
    if version is None:
        return
    if not (0 < version <= SENML_VERSION or version == SENML_WITH_SECONDARY_UNITS) or version % 1:
        raise PayloadError(f"SenML version {version:g}; understood are up to {SENML_VERSION}, and 26")
    if not first and version != base.get("bver", SENML_VERSION):
        raise PayloadError(f"SenML version changes to {version:g} within one pack")


def _resolve(fields: dict[str, Any], base: dict[str, Any], now_s: float, where: str) -> SenmlRecord:
    name = base.get("bn", "") + fields.get("n", "")
    if not _SENML_NAME.fullmatch(name):
        raise PayloadError(
            f"{where}: name {_shown(name)}; allowed are letters and digits, then also - : . / _"
        )
    values = _SENML_VALUES & fields.keys()
    if len(values) > 1 or (not values and "s" not in fields and "bs" not in base):
        raise PayloadError(
            f"{where} ({_shown(name)}) must have one of v, vs, vb and vd, and has {len(values)}"
        )
    value = None
    if "v" in fields:
        value = _finite(base.get("bv", 0.0) + fields["v"], f"{where}: the value")
    time_ms, dated = _resolve_time(base.get("bt", 0.0) + fields.get("t", 0.0), now_s, where)
    return SenmlRecord(name, fields.get("u", base.get("bu")), value, time_ms, dated)


def _resolve_time(time_s: float, now_s: float, where: str) -> tuple[int | None, bool]:
    if not -FIRST_ABSOLUTE_S < time_s < YEAR_10000_S:
        raise PayloadError(f"{where}: time {time_s:g} s is neither near now nor a date")
    if time_s >= FIRST_ABSOLUTE_S:
        return round(time_s * 1000), True
    return (round((now_s + time_s) * 1000) if time_s else None), False


def _finite(value: float, what: str) -> float:
    if not math.isfinite(value):
        raise PayloadError(f"{what} is too large")
    return value


def _json_type(value: Any) -> str:  # noqa: ANN401
    return _JSON_TYPES.get(type(value), "null")


def _shown(text: str) -> str:
    """Return the beginning of foreign text, safe on one line."""
    return ascii(text if len(text) <= 40 else text[:40] + "...")
