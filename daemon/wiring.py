"""The one place that builds the daemon from its settings and connects the parts."""

from collections.abc import Mapping
from zoneinfo import ZoneInfo

from daemon.broker_link import BrokerLink
from daemon.clock import SteadyClock
from daemon.journal import Journal
from daemon.messages import event_messages, rack_topic
from daemon.rack_plan import rack_plan
from daemon.rack_settings import ModbusBus as ModbusBusSettings
from daemon.rack_settings import ModbusProbe as ModbusProbeSettings
from daemon.rack_settings import MqttBus as MqttBusSettings
from daemon.rack_settings import MqttProbe as MqttProbeSettings
from daemon.rack_settings import ProbeSettings, Settings
from daemon.service import Bus, Service
from daemon.watch import Watch
from drivers.modbus import Register
from drivers.modbus_bus import ModbusBus, ModbusProbe
from drivers.mqtt_bus import MqttBus
from drivers.mqtt_message import Field, MqttTopic
from drivers.readings import Emit
from drivers.rtu_wire import SerialLine

_FUNCTIONS = {"holding": 3, "input": 4}


def build(settings: Settings, clock: SteadyClock | None = None) -> Service:
    """Return the daemon, ready to run; raise BellwatchError where its journal cannot be used.

    The clock never starts before the newest entry of the journal: without a battery clock a Pi
    may come back from a power cut believing it is yesterday.
    """
    journal = Journal(settings.journal.path, writable=True)
    clock = clock or SteadyClock.not_before(journal.clock_ms())
    topic = rack_topic(settings.broker.topic_root, settings.rack.name)
    zone = ZoneInfo(settings.rack.time_zone)
    watch = Watch(
        journal,
        rack_plan(settings, journal.source_id),
        clock.now_ms(),
        lambda event: event_messages(event, journal.id, topic, zone),
    )
    return Service(
        journal,
        watch,
        BrokerLink(settings.broker, topic, clock),
        clock,
        round(settings.journal.commit_every_s * 1000),
        lambda emit: _buses(settings, clock, emit),
    )


def _buses(settings: Settings, clock: SteadyClock, emit: Emit) -> list[Bus]:
    buses: list[Bus] = []
    for name, bus in settings.buses.items():
        probes = {probe: its for probe, its in settings.probes.items() if its.bus == name}
        if not probes:
            continue
        if isinstance(bus, ModbusBusSettings):
            buses.append(_modbus_bus(name, bus, probes, clock, emit))
        else:
            buses.append(_mqtt_bus(name, bus, probes, clock, emit))
    return buses


def _modbus_bus(
    name: str, bus: ModbusBusSettings, probes: Mapping[str, ProbeSettings], clock: SteadyClock, emit: Emit
) -> ModbusBus:
    line = SerialLine(bus.port, bus.baud, bus.parity, bus.stop_bits, bus.timeout_ms, bus.retries)
    here = [_modbus_probe(name, its) for name, its in probes.items() if isinstance(its, ModbusProbeSettings)]
    return ModbusBus(name, line, tuple(here), clock, emit)


def _modbus_probe(name: str, probe: ModbusProbeSettings) -> ModbusProbe:
    registers = tuple(
        Register(
            register.quantity,
            _FUNCTIONS[register.function],
            register.address,
            register.type,
            register.byte_order,
            register.word_order,
            register.scale,
            register.offset,
        )
        for register in probe.registers
    )
    return ModbusProbe(name, probe.unit_id, round(probe.every_s * 1000), registers)


def _mqtt_bus(
    name: str, bus: MqttBusSettings, probes: Mapping[str, ProbeSettings], clock: SteadyClock, emit: Emit
) -> MqttBus:
    password = bus.password()
    topics = [_mqtt_topic(name, its) for name, its in probes.items() if isinstance(its, MqttProbeSettings)]
    return MqttBus(
        name,
        bus.host,
        bus.port,
        tuple(topics),
        clock,
        emit,
        username=bus.username,
        password=password.get_secret_value() if password else None,
        tls=bus.tls,
        ca_file=str(bus.ca_file) if bus.ca_file else None,
    )


def _mqtt_topic(name: str, probe: MqttProbeSettings) -> MqttTopic:
    fields = tuple(
        Field(field.quantity, field.pointer, field.senml_name, field.scale, field.offset)
        for field in probe.fields
    )
    return MqttTopic(name, probe.topic, probe.format, fields, round(probe.max_age_s * 1000))
