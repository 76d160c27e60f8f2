"""What one MQTT message means for one probe: measurements with their time, or what is wrong with it."""

import math
from dataclasses import dataclass
from itertools import product

from drivers.errors import PayloadError, SetupError, StaleReadingError
from drivers.payload import SenmlRecord, decode_json, decode_plain, decode_senml, pointer_tokens
from drivers.readings import emission_rank
from drivers.senml_units import from_senml

FORMATS = ("plain", "json", "senml")
# Clocks of probes and ours may disagree by so much before a reading counts as one of the future.
FUTURE_TOLERANCE_MS = 5_000


@dataclass(frozen=True, slots=True)
class Field:
    """Where a quantity lies in a payload: value = found * scale + offset, in the quantity's unit.

    JSON needs a `pointer`, SenML a `senml_name`; a SenML value is brought to our unit before scaling.
    """

    quantity: str
    pointer: str | None = None
    senml_name: str | None = None
    scale: float = 1.0
    offset: float = 0.0


@dataclass(frozen=True, slots=True)
class MqttTopic:
    """The topic that a probe publishes on, and how to read it; several probes may share one topic.

    In a topic "+" is any one level and a last "#" all below. `only_if` is a place in a JSON payload and the
    text that is there in the messages of this probe.
    """

    probe: str
    topic: str
    format: str
    fields: tuple[Field, ...]
    max_age_ms: int
    only_if: tuple[str, str] | None = None

    def __post_init__(self) -> None:
        if not is_filter(self.topic):
            raise SetupError(
                f"{self.probe}: topic {self.topic!r}; '+' and '#' stand for whole levels, '#' last, "
                "nor is it shared out with $share"
            )
        if self.format not in FORMATS:
            raise SetupError(f"{self.probe}: format {self.format!r}; it must be one of {', '.join(FORMATS)}")
        if self.max_age_ms <= 0:
            raise SetupError(f"{self.probe}: the greatest age of a message must be above 0")
        if not self.fields or (self.format == "plain" and len(self.fields) > 1):
            raise SetupError(f"{self.probe}: name at least one field; a plain number is exactly one")
        for field in self.fields:
            self._check_field(field)

    def _check_field(self, field: Field) -> None:
        if self.format == "json":
            if field.pointer is None:
                raise SetupError(f"{self.probe}: {field.quantity} in JSON needs a pointer, such as /water/t")
            pointer_tokens(field.pointer)
        if self.format == "senml" and not field.senml_name:
            raise SetupError(f"{self.probe}: {field.quantity} in SenML needs a senml_name (bn and n joined)")
        if not (math.isfinite(field.scale) and math.isfinite(field.offset)) or field.scale == 0:
            raise SetupError(f"{self.probe}: scale and offset must be finite numbers, and scale not 0")


def is_filter(topic: str) -> bool:
    """Return whether MQTT 5.0, 4.7.1, lets one subscribe to it, its first level without a wildcard.

    What begins with $ is the broker's own, or would be shared out among who asks so (4.7.2, 4.8.2).
    """
    first, *levels = topic.split("/")
    return (
        bool(topic)
        and "\0" not in topic
        and not topic.startswith("$")
        and not set("+#") & set(first)
        and all(level == "+" or not set("+#") & set(level) for level in levels[:-1])
        and all(level in ("+", "#") or not set("+#") & set(level) for level in levels[-1:])
    )


def overlap(one: str, other: str) -> bool:
    """Return whether a topic can fit both of two filters; a broker may then send its messages twice."""
    mine, theirs = one.split("/"), other.split("/")
    for here, there in zip(mine, theirs, strict=False):
        if "#" in (here, there):
            return True
        if here != there and "+" not in (here, there):
            return False
    longer = max(mine, theirs, key=len)[min(len(mine), len(theirs)) :]
    return longer in ([], ["#"])


def filters_of(topic: str) -> list[str]:
    """Return the topic and every filter that fits it, up to six levels."""
    first, *levels = topic.split("/")[:6]
    ways = [(first, *choice) for choice in product(*((level, "+") for level in levels))]
    parts = {way[:end] for way in ways for end in range(1, len(way) + 1)}
    return [
        topic,
        *("/".join(way) for way in ways if len(way) > 1),
        *("/".join((*part, "#")) for part in parts),
    ]


@dataclass(frozen=True, slots=True)
class Measurement:
    """A value in its quantity's unit at `time_ms`; `dated` when the sender gave that time by calendar."""

    quantity: str
    value: float
    time_ms: int
    dated: bool

    def is_repeat(self, newest_ms: int, arrival_ms: int) -> bool:
        """Return whether it is not newer than the newest that came, by a clock that was not set back since.

        One that is of the future now was dated before that.
        """
        return self.dated and self.time_ms <= newest_ms <= arrival_ms + FUTURE_TOLERANCE_MS


def measure(
    topic: MqttTopic, payload: bytes, arrival_ms: int
) -> tuple[list[Measurement], list[tuple[str, PayloadError]]]:
    """Return the measurements in a payload, oldest first, and per quantity what could not be read.

    One field's error does not stop the others. A SenML pack without any of the names gives neither.
    Raises PayloadError when the payload as a whole cannot be read.
    """
    records = decode_senml(payload, arrival_ms / 1000) if topic.format == "senml" else [None]
    found, errors = [], []
    for field, record in product(topic.fields, records):
        if record is None or record.name == field.senml_name:
            try:
                found.append(_measured(topic, field, payload, record, arrival_ms))
            except PayloadError as error:
                errors.append((field.quantity, error))
    return sorted(found, key=lambda m: (m.time_ms, emission_rank(m.quantity))), errors


def check_age(
    topic: MqttTopic, measurement: Measurement, retained: bool, waited: bool, arrival_ms: int
) -> None:
    """Raise StaleReadingError unless a measurement is about now, give or take the topic's `max_age_ms`.

    One that `waited` at the broker while nobody was there to take it may be of any age.
    """
    age_ms = arrival_ms - measurement.time_ms
    if retained and not measurement.dated:
        raise StaleReadingError(
            "a retained message without a date of its own can be of any age; "
            "publish without the retain flag, or SenML with a time"
        )
    if age_ms > topic.max_age_ms and not waited:
        raise StaleReadingError(
            f"measured {age_ms / 1000:.1f} s ago, more than the {topic.max_age_ms / 1000:g} s of max_age_s; "
            "check the probe's clock and its connection"
        )
    if age_ms < -FUTURE_TOLERANCE_MS:
        raise StaleReadingError(
            f"dated {-age_ms / 1000:.1f} s in the future; are its clock and this machine's right?"
        )


def _measured(
    topic: MqttTopic, field: Field, payload: bytes, record: SenmlRecord | None, arrival_ms: int
) -> Measurement:
    if record is None:
        is_json = topic.format == "json"
        value = decode_json(payload, field.pointer or "") if is_json else decode_plain(payload)
    elif record.value is None:
        raise PayloadError(f"record {record.name} carries no number; send it as v")
    else:
        value = from_senml(field.quantity, record.unit, record.value)
    value = value * field.scale + field.offset
    if not math.isfinite(value):
        raise PayloadError("the value is too large after scaling")
    time_ms = arrival_ms if record is None or record.time_ms is None else record.time_ms
    return Measurement(field.quantity, value, time_ms, record is not None and record.dated)
