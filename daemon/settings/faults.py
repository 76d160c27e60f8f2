"""What pydantic finds wrong with the settings, in the installer's words."""

from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from daemon.errors import Finding
from daemon.settings import alarms as alarm
from daemon.settings import measurements as measurement
from daemon.settings import rack
from daemon.settings import stages as stage
from daemon.settings.commands import CommandSettings
from daemon.settings.types import PATTERNS_IN_WORDS, Table
from daemon.settings.words import one_of, quoted, shown, where

Keys = tuple[str | int, ...]

# Which table is at a place; "*" stands for a name or a position in a list.
_TABLES: dict[Keys, type[Table]] = {
    (): rack.Settings,
    ("rack",): rack.RackSettings,
    ("journal",): rack.JournalSettings,
    ("mirror",): rack.MirrorSettings,
    ("broker",): rack.BrokerSettings,
    ("commands",): CommandSettings,
    ("buses", "*", "<modbus-rtu>"): rack.ModbusBus,
    ("buses", "*", "<mqtt>"): rack.MqttBus,
    ("probes", "*", "<modbus-rtu>"): rack.ModbusProbe,
    ("probes", "*", "<modbus-rtu>", "registers", "*"): measurement.RegisterSettings,
    ("probes", "*", "<mqtt>"): rack.MqttProbe,
    ("probes", "*", "<mqtt>", "fields", "*"): measurement.PayloadFieldSettings,
    ("vessels", "*"): rack.VesselSettings,
    ("vessels", "*", "plan", "*"): alarm.StageStepSettings,
    ("alarms",): alarm.AlarmSettings,
    ("supplies", "*"): alarm.SupplySettings,
    ("stages", "*"): stage.StageSettings,
    **{("stages", "*", quantity, "<limits>"): table for quantity, table in stage.LIMITS.items()},
}


@dataclass(frozen=True, slots=True)
class Fault:
    """A finding that makes part of the file unusable, and the keys that lead there."""

    keys: Keys
    finding: Finding


def faults_of(error: ValidationError) -> list[Fault]:
    """Return what is wrong, in the order of the file's tables, without what merely follows from it."""
    details = error.errors(include_url=False)
    return [_fault(detail) for detail in details if not _follows(detail, details)]


def _follows(detail: ErrorDetails, others: list[ErrorDetails]) -> bool:
    """Whether an error is there only because of another: a default that needs a key that is wrong, a key
    that is missing because it is misspelt, a list that is empty because its entries are wrong."""
    kind, loc = detail["type"], detail["loc"]
    if kind == "too_short":
        return any(other["loc"][: len(loc)] == loc and len(other["loc"]) > len(loc) for other in others)
    if kind == "missing":
        return any(
            other["type"] == "extra_forbidden"
            and other["loc"][:-1] == loc[:-1]
            and get_close_matches(str(other["loc"][-1]), _known_keys(loc[:-1]), 1) == [loc[-1]]
            for other in others
        )
    return kind == "default_factory_not_called"


def _fault(detail: ErrorDetails) -> Fault:
    loc = detail["loc"]
    keys = tuple(key for key in loc if not _is_tag(key) and key != "[key]")
    if detail["type"] == "union_tag_not_found":
        return _neither_kind(keys, detail["input"])
    return Fault(keys, Finding(where(*keys), _found(detail, keys), _expected(detail)))


def _is_tag(key: str | int) -> bool:
    """Whether part of a place is one of our marks for a choice, which the file does not have."""
    return isinstance(key, str) and key.startswith("<") and key.endswith(">")


def _neither_kind(keys: Keys, value: object) -> Fault:
    """Of a bus whose kind is unknown, or a probe that shows no sign of either kind."""
    if not isinstance(value, dict):
        finding = Finding(where(*keys), shown(value), "a table")
    elif keys[0] == "buses":
        finding = Finding(where(*keys, "kind"), shown(value.get("kind")), '"modbus-rtu" or "mqtt"')
    else:
        expected = "unit_id and registers (on a Modbus bus), or topic and fields (on an MQTT bus)"
        finding = Finding(where(*keys), "neither registers nor a topic", expected)
    return Fault(keys, finding)


def _found(detail: ErrorDetails, keys: Keys) -> str:
    if detail["type"] == "missing":
        return "nothing"
    if detail["type"] == "extra_forbidden":
        return "an unknown key"
    if detail["type"] == "too_short":
        entries = len(detail["input"])
        return f"a list of {entries}" if entries else "an empty list"
    if detail["loc"][-1] == "[key]":
        return f"the name {quoted(str(keys[-1]))}"
    if "password" in str(keys[-1]):
        return "a value that is not shown"
    return shown(detail["input"])


def _expected(detail: ErrorDetails) -> str:
    kind, context = detail["type"], detail.get("ctx", {})
    if kind == "missing":
        return _description(detail["loc"])
    if kind == "extra_forbidden":
        return one_of("a key of this table", _known_keys(detail["loc"][:-1]), str(detail["loc"][-1]))
    expected = EXPECTED[kind](context) if kind in EXPECTED else detail["msg"]
    may_be_off = detail["loc"][-1] in ("<number>", "<limits>")
    return f'{expected}, or "none" to switch it off' if may_be_off else expected


A_MOMENT = "a moment with its UTC offset, such as 2026-09-01T08:00:00+02:00"

EXPECTED: dict[str, Callable[[dict[str, Any]], str]] = {
    "bool_type": lambda _: "true or false",
    "datetime_from_date_parsing": lambda _: A_MOMENT,
    "datetime_parsing": lambda _: A_MOMENT,
    "datetime_type": lambda _: A_MOMENT,
    "timezone_aware": lambda _: A_MOMENT,
    "dict_type": lambda _: "a table",
    "enum": lambda context: context["expected"].replace("'", '"'),
    "finite_number": lambda _: "a number",
    "float_type": lambda _: "a number",
    "greater_than": lambda context: f"more than {context['gt']:g}",
    "greater_than_equal": lambda context: f"{context['ge']:g} or more",
    "int_from_float": lambda _: "a whole number",
    "int_type": lambda _: "a whole number",
    "less_than_equal": lambda context: f"{context['le']:g} or less",
    "literal_error": lambda context: context["expected"].replace("'", '"'),
    "model_type": lambda _: "a table",
    "path_type": lambda _: "the path of a file, in quotes",
    "string_pattern_mismatch": lambda context: PATTERNS_IN_WORDS[context["pattern"]],
    "string_type": lambda _: "text in quotes",
    "too_short": lambda context: _at_least(context.get("min_length", 1)),
    "tuple_type": lambda _: "a list of tables",
    "value_error": lambda context: str(context["error"]),
}


def _at_least(entries: int) -> str:
    return "at least one entry" if entries == 1 else f"at least {entries} entries"


def _table(loc: Keys) -> type[Table]:
    pattern = ["*" if isinstance(key, int) else key for key in loc]
    if len(pattern) > 1:
        pattern[1] = "*"
    return _TABLES[tuple(pattern)]


def _known_keys(loc: Keys) -> list[str]:
    return [field.alias or name for name, field in _table(loc).model_fields.items()]


def _description(loc: Keys) -> str:
    """Return what a missing key is for; of a whole table, that it is needed."""
    description = _table(loc[:-1]).model_fields[str(loc[-1])].description
    return f"a value ({description})" if description else f"a [{loc[-1]}] table"
