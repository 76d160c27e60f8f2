"""What the values of a table from outside are made of: names, numbers and durations."""

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, Strict, StringConstraints

from rules.quantities import Quantity

NAME_PATTERN = r"^[a-z0-9][a-z0-9-]{0,40}$"
HOST_PATTERN = r"^[A-Za-z0-9]([A-Za-z0-9._:-]*[A-Za-z0-9])?$"
TOPIC_ROOT_PATTERN = r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$"
_UNSEEN = r"\x00-\x1f\x7f-\x9f\u00ad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff"
"""What breaks a line, steers a terminal, turns the direction of text or is not seen in it."""
TOPIC_PATTERN = rf"^[^+#{_UNSEEN}]{{1,250}}$"
PORT_PATTERN = r"^[^\x00-\x20]{1,250}$"
SERVER_URL_PATTERN = r"^https?://[A-Za-z0-9]([A-Za-z0-9._:-]*[A-Za-z0-9])?(/[A-Za-z0-9._~/-]*)?$"
POINTER_PATTERN = r"^(/[^\x00-\x1f]*)?$"  # RFC 6901
LABEL_PATTERN = rf"^[^{_UNSEEN}]{{1,60}}$"
NOTE_PATTERN = rf"^[^{_UNSEEN}]{{1,160}}$"
REASON_PATTERN = rf"^[^{_UNSEEN}]{{1,200}}$"
COMMAND_ID_PATTERN = r"^[A-Za-z0-9-]{8,64}$"
SENML_NAME_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9:./_-]*$"  # RFC 8428, section 4.5.1

# What to say when a text does not fit its pattern.
PATTERNS_IN_WORDS = {
    NAME_PATTERN: "small letters, digits and hyphens, 1 to 41 of them, not starting with a hyphen",
    HOST_PATTERN: "a host name or address alone, without scheme, user or port",
    SERVER_URL_PATTERN: 'an address such as "https://data.example.org:8086", without user and query',
    TOPIC_ROOT_PATTERN: "letters, digits, '_' and '-', in levels parted by '/', without wildcards",
    TOPIC_PATTERN: "one topic of 1 to 250 characters, without the wildcards '+' and '#'",
    POINTER_PATTERN: 'a JSON pointer, such as "/water/temperature" (RFC 6901)',
    PORT_PATTERN: 'the serial port, such as "/dev/ttyUSB0"',
    LABEL_PATTERN: "1 to 60 characters on one line",
    NOTE_PATTERN: "1 to 160 characters on one line",
    REASON_PATTERN: "1 to 200 characters on one line",
    COMMAND_ID_PATTERN: "8 to 64 letters, digits and hyphens, new for each command",
    SENML_NAME_PATTERN: "a SenML name: letters, digits and - : . / _, starting with a letter or digit",
}


# What ends a key whose value has the unit of a quantity.
UNIT_SUFFIXES = {
    Quantity.TEMPERATURE: "_c",
    Quantity.CONDUCTIVITY: "_ms_cm",
    Quantity.SALINITY: "",
    Quantity.OXYGEN: "_mg_l",
    Quantity.OXYGEN_SATURATION: "_percent",
    Quantity.AIR_PRESSURE: "_hpa",
}


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


Name = Annotated[str, StringConstraints(pattern=NAME_PATTERN)]
Label = Annotated[str, StringConstraints(pattern=LABEL_PATTERN)]
Host = Annotated[str, StringConstraints(pattern=HOST_PATTERN)]
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
