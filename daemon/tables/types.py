"""What the values of a table from outside are made of: names, numbers and durations."""

from collections.abc import Callable
from pathlib import Path
from typing import Annotated, TypeGuard

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, Strict, StringConstraints

from rules.quantities import Quantity

NAME_PATTERN = r"^[a-z0-9][a-z0-9-]{0,40}$"
_UNSEEN = r"\x00-\x1f\x7f-\x9f\u00ad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff"
"""What breaks a line, steers a terminal, turns the direction of text or is not seen in it."""
COMMAND_ID_PATTERN = r"^[A-Za-z0-9-]{8,64}$"
REASON_PATTERN = rf"^[^{_UNSEEN}]{{1,200}}$"

# What to say when a text does not fit its pattern.
PATTERNS_IN_WORDS = {
    COMMAND_ID_PATTERN: "8 to 64 letters, digits and hyphens, new for each command",
    REASON_PATTERN: "1 to 200 characters on one line",
}


def like(pattern: str, words: str) -> StringConstraints:
    """Return the constraint to a pattern; `words` say what fits it."""
    PATTERNS_IN_WORDS[pattern] = words
    return StringConstraints(pattern=pattern)


# What ends a key whose value has the unit of a quantity.
UNIT_SUFFIXES = {
    Quantity.TEMPERATURE: "_c",
    Quantity.CONDUCTIVITY: "_ms_cm",
    Quantity.SALINITY: "",
    Quantity.OXYGEN: "_mg_l",
    Quantity.OXYGEN_SATURATION: "_percent",
    Quantity.AIR_PRESSURE: "_hpa",
}

# The same of the other units that a limit may be given in.
OTHER_SUFFIXES = {
    Quantity.TEMPERATURE: {"_f": "F"},
    Quantity.CONDUCTIVITY: {"_us_cm": "uS/cm", "_s_m": "S/m"},
    Quantity.SALINITY: {"_ppt": "ppt"},
    Quantity.OXYGEN: {"_ppm": "ppm"},
    Quantity.OXYGEN_SATURATION: {},
    Quantity.AIR_PRESSURE: {"_kpa": "kPa", "_mmhg": "mmHg"},
}

SPECIFIC_GRAVITIES = {
    f"_sg_{'_'.join(scale.lower().split('/'))}": f"specific gravity {scale}"
    for scale in ("20/20", "25/25", "60F/60F", "20/4")
}
"""The same of salinity, as values alone: without its scale a specific gravity means salinities 5 apart."""


def is_number(value: object) -> TypeGuard[float]:
    """Say whether a table gives a number; Python takes true and false for some."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def own_key(key: str) -> str:
    """Return the key that `key` stands for: the one that ends in its quantity's own unit."""
    per_hour = "_per_hour" if key.endswith("_per_hour") else ""
    stem = key.removesuffix("_per_hour")
    for quantity, others in OTHER_SUFFIXES.items():
        gravities = SPECIFIC_GRAVITIES if quantity is Quantity.SALINITY else {}
        for suffix in filter(stem.endswith, (*others, *gravities)):
            return stem.removesuffix(suffix) + UNIT_SUFFIXES[quantity] + per_hour
    return key


class Table(BaseModel):
    """One table from outside: it never changes, and a key that it does not know is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)


def _a_path(value: object) -> object:
    """Refuse the empty path, which would mean this very folder, and characters that no file name has."""
    if isinstance(value, str) and not (value and value.isprintable()):
        raise ValueError("the path of a file")
    return value


def read_as(read: Callable[[str], object], kind: type, words: str) -> Callable[[object], object]:
    """Return a check that takes a value of `kind` as it is, and text as `read` reads it."""

    def check(value: object) -> object:
        if type(value) is kind:
            return value
        try:
            if isinstance(value, str):
                return read(value)
        except ValueError:
            pass
        raise ValueError(words)

    return check


_A_NAME = "small letters, digits and hyphens, 1 to 41 of them, not starting with a hyphen"
Name = Annotated[str, like(NAME_PATTERN, _A_NAME)]
Label = Annotated[str, like(rf"^[^{_UNSEEN}]{{1,60}}$", "1 to 60 characters on one line")]
Note = Annotated[str, like(rf"^[^{_UNSEEN}]{{1,160}}$", "1 to 160 characters on one line")]
_A_HOST = "a host name or address alone, without scheme, user or port"
_BY_NAME, _BY_IPV6 = r"[A-Za-z0-9]([A-Za-z0-9._-]*[A-Za-z0-9])?", r"[0-9A-Fa-f]*(:[0-9A-Fa-f.]*){2,7}"
Host = Annotated[str, like(f"^({_BY_NAME}|{_BY_IPV6})$", _A_HOST)]
_A_SERVER = r"^https?://[A-Za-z0-9]([A-Za-z0-9._:-]*[A-Za-z0-9])?(/[A-Za-z0-9._~/-]*)?$"
_AN_ADDRESS = 'an address such as "https://data.example.org:8086", without user and query'
ServerUrl = Annotated[str, like(_A_SERVER, _AN_ADDRESS)]
_LEVELS = "letters, digits, '_' and '-', in levels parted by '/', without wildcards"
TopicRoot = Annotated[str, like(r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$", _LEVELS)]
_A_TOPIC = (
    "a topic of 1 to 250 characters that does not begin with '$'; below its first level '+' may stand for "
    "a level, and a last '#' for all below"
)
_LEVEL = rf"[^+#/{_UNSEEN}]"
# What begins with $ is the broker's own (MQTT 5, 4.7.2), or is shared out among who asks so (4.8.2).
_FILTER = rf"^([^$+#/{_UNSEEN}]{_LEVEL}*|/{_LEVEL}*)(/({_LEVEL}*|\+))*(/#)?$"
TopicFilter = Annotated[str, like(_FILTER, _A_TOPIC), Field(max_length=250)]
_A_POINTER = 'a JSON pointer, such as "/water/temperature" (RFC 6901)'
Pointer = Annotated[str, like(r"^(/[^\x00-\x1f]*)?$", _A_POINTER)]
_A_SENML_NAME = "a SenML name: letters, digits and - : . / _, starting with a letter or digit"
SenmlName = Annotated[str, like(r"^[A-Za-z0-9][A-Za-z0-9:./_-]*$", _A_SENML_NAME)]  # RFC 8428, 4.5.1
SerialPort = Annotated[str, like(r"^[^\x00-\x20]{1,250}$", 'the serial port, such as "/dev/ttyUSB0"')]
# Strict, so that no text and no true or false passes for a number: Python would read true as 1.
Whole = Annotated[int, Strict()]
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Switch = Annotated[bool, Strict()]
# The shortest duration is for tests and demonstrations; the longest, a day.
Seconds = Annotated[Number, Field(ge=0.05, le=86_400)]
Delay = Annotated[Number, Field(ge=0, le=86_400)]
Days = Annotated[Number, Field(gt=0, le=3_650)]
TcpPort = Annotated[Whole, Field(ge=1, le=65_535)]
FilePath = Annotated[Path, BeforeValidator(_a_path), Field(json_schema_extra={"minLength": 1})]
