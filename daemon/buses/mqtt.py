"""Probes that publish to a broker: their settings, what can be wrong with them, and how they are read."""

from collections.abc import Hashable, Iterator, Mapping
from itertools import combinations
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from daemon.buses.broker_link import BrokerLink
from daemon.buses.measurement import Measurement
from daemon.buses.shape import BusSettings, ProbeSettings
from daemon.errors import Finding
from daemon.tables.types import Label, Pointer, Seconds, SenmlName, Table, TopicFilter
from daemon.tables.words import shown, where
from drivers import mqtt_message
from drivers.readings import Bus, Emit, Surroundings


class PayloadPlace(Table):
    """Where a payload holds a number."""

    pointer: Pointer | None = Field(None, description="Where in a JSON payload (JSON pointer, RFC 6901)")
    senml_name: SenmlName | None = Field(None, description="Resolved name of the SenML record (RFC 8428)")


class PayloadFieldSettings(Measurement, PayloadPlace):
    """Where a payload holds one quantity. The value is raw * scale + offset."""


class OnlyIf(Table):
    """A text in a JSON payload by which a gateway tells its probes apart."""

    pointer: Pointer = Field(description="Where in the payload (JSON pointer, RFC 6901)")
    equals: Label = Field(description="The text, or the number, that is there")


class MqttProbe(ProbeSettings):
    """A probe that publishes to a topic."""

    entries_key: ClassVar = "fields"
    address_key: ClassVar = "topic"
    known_by: ClassVar = "a topic"
    asked_first: ClassVar = ("format",)

    topic: TopicFilter = Field(
        description="The topic that the probe publishes to; + is any one level, a last # all below"
    )
    only_if: OnlyIf | None = Field(
        None, description="What tells the messages of this probe from others that come under its topic"
    )
    format: Literal["plain", "json", "senml"] = Field("plain", description="How its payload is written")
    max_age_s: Seconds = Field(120.0, description="An older reading is refused as stale [s]")
    fields: Annotated[tuple[PayloadFieldSettings, ...], Field(min_length=1)] = Field(
        description="What the payload holds, and where"
    )

    fresh_by: PayloadPlace | None = Field(
        None,
        description="A value that must change from message to message: a count of samples, uptime, its time",
    )

    def reads(self) -> set[Hashable]:
        """Return the parts of its topic's payload that it reads."""
        which = self.only_if and (self.only_if.pointer, self.only_if.equals)
        return {(self.topic, which, field.pointer, field.senml_name) for field in self.places.values()}

    def findings(self, name: str) -> Iterator[Finding]:
        """Yield fields that do not say where their value is, or say it in the way of another format."""
        wanted = {"plain": None, "json": "pointer", "senml": "senml_name"}[self.format]
        for keys, field in self.places.items():
            for key, value in (("pointer", field.pointer), ("senml_name", field.senml_name)):
                path = where("probes", name, *keys, key)
                if key == wanted and value is None:
                    yield Finding(path, "nothing", f'where the value is, as the format is "{self.format}"')
                if key != wanted and value is not None:
                    yield Finding(path, shown(value), f'no such key, as the format is "{self.format}"')
        if self.max_age_s > self.silent_after_s:
            path, expected = where("probes", name, "max_age_s"), f"{shown(self.silent_after_s)} or less, "
            expected += "silent_after_s: a reading that is older when it comes shows no danger of now"
            yield Finding(path, shown(self.max_age_s), expected, is_warning=True)
        if self.only_if is not None and self.format == "plain":
            expected = 'no such key: a payload of the format "plain" is a number alone'
            yield Finding(where("probes", name, "only_if"), "a table", expected)
        for index, entry in enumerate(self.fields):
            if self.format == "senml" and entry.unit is not None:
                path = where("probes", name, "fields", index, "unit")
                yield Finding(path, shown(entry.unit), "no such key: a SenML record says its unit itself")
        if self.format == "plain" and len(self.places) > 1:
            found = f"{len(self.places)} entries"
            yield Finding(where("probes", name, "fields"), found, 'one, as the format is "plain"')

    def topic_read(self, name: str) -> mqtt_message.MqttTopic:
        """Return the same for the driver."""
        fields = self.taken(mqtt_message.Field)
        age_ms = round(self.max_age_s * 1000)
        only_if = None if self.only_if is None else (self.only_if.pointer, self.only_if.equals)
        return mqtt_message.MqttTopic(name, self.topic, self.format, fields, age_ms, only_if)


class MqttBus(BrokerLink, BusSettings):
    """A broker on which probes publish."""

    called: ClassVar = "an MQTT bus"
    probe_table: ClassVar = MqttProbe
    asked_first: ClassVar = ("host",)

    kind: Literal["mqtt"]

    @property
    def reached_at(self) -> tuple[str, int]:
        """The broker."""
        return self.host, self.port

    def findings(self, name: str, probes: Mapping[str, ProbeSettings]) -> Iterator[Finding]:
        """Yield what is wrong on the way to the broker, and topics of which a broker may send one twice."""
        yield from self.link_findings("buses", name)
        mine = [(key, probe.topic) for key, probe in probes.items() if isinstance(probe, MqttProbe)]
        for (first, one), (second, other) in combinations(mine, 2):
            if one != other and mqtt_message.overlap(one, other):
                expected = f"that of probes.{first}, or one that has no message in common with it"
                yield Finding(where("probes", second, "topic"), shown(other), expected)

    def driver(self, name: str, probes: Mapping[str, ProbeSettings], around: Surroundings, emit: Emit) -> Bus:
        """Return what subscribes to the probes' topics; its client library is loaded only here."""
        from drivers import mqtt_bus  # noqa: PLC0415

        password = self.password()
        return mqtt_bus.MqttBus(
            name,
            self.host,
            self.port,
            tuple(probe.topic_read(key) for key, probe in probes.items() if isinstance(probe, MqttProbe)),
            around,
            emit,
            username=self.username,
            password=password.get_secret_value() if password else None,
            tls=self.tls,
            ca_file=str(self.ca_file) if self.ca_file else None,
        )
