"""The one place that builds the daemon from its settings and connects the parts."""

import sqlite3
from collections.abc import Callable, Mapping
from zoneinfo import ZoneInfo

from daemon.broker.command_desk import CommandDesk
from daemon.broker.link import BrokerLink
from daemon.broker.messages import messages_of, rack_topic
from daemon.broker.standing_alarms import StandingAlarms
from daemon.clock import SteadyClock
from daemon.errors import JournalError
from daemon.journal.damage import replace_damaged
from daemon.journal.integrity import IntegrityCheck, open_journal
from daemon.journal.journal import Journal, Message
from daemon.journal.repair import JournalRepair
from daemon.journal.retention import Retention
from daemon.journal.schema import is_damage
from daemon.journal.sole_writer import SoleWriter
from daemon.settings.plan import rack_plan
from daemon.settings.rack import MirrorSettings, ProbeSettings, Settings
from daemon.settings.rack import ModbusBus as ModbusBusSettings
from daemon.settings.rack import ModbusProbe as ModbusProbeSettings
from daemon.settings.rack import MqttBus as MqttBusSettings
from daemon.settings.rack import MqttProbe as MqttProbeSettings
from daemon.watch.service import Bus, Companion, Service
from daemon.watch.timekeeper import GivenTime, TimeKeeper
from daemon.watch.wall_clock import SystemWallClock, WallClock
from daemon.watch.watch import Watch
from drivers.modbus import Register
from drivers.modbus_bus import ModbusBus, ModbusProbe
from drivers.mqtt_bus import MqttBus
from drivers.mqtt_message import Field, MqttTopic
from drivers.readings import Clock, Emit
from drivers.rtu_wire import SerialLine
from rules.alarms.event import AlarmEvent
from rules.readings import Notice

Words = Callable[[AlarmEvent | Notice], list[Message]]

_FUNCTIONS = {"holding": 3, "input": 4}


TURN_MS = 1_000
"""How long a reading may wait to be judged."""


def build(settings: Settings, clock: SteadyClock | None = None, wall: WallClock | None = None) -> Service:
    """Return the daemon, ready to run; raise BellwatchError where its journal cannot be used.

    A `clock` that is given is taken for UTC; `wall` stands for the system's clock in tests.
    """
    sole_writer = SoleWriter(settings.journal.path)
    journal = open_journal(settings.journal.path)
    wall = wall or SystemWallClock(trusted=settings.journal.trust_clock)
    keeper = TimeKeeper(journal, wall) if clock is None else GivenTime(clock)
    topic = rack_topic(settings.broker.topic_root, settings.rack.name)
    words = _words(settings, journal, keeper, topic)
    watch = _watch(settings, journal, keeper, words)
    link = BrokerLink(settings.broker, topic, keeper.utc_clock())
    commit_every_ms = round(settings.journal.commit_every_s * 1000)
    retention = Retention(journal, settings.journal.keep_days, mirrored=settings.mirror is not None)
    companions: list[Companion] = [IntegrityCheck(journal.path)]
    if settings.mirror is not None:
        companions.append(_mirror(settings.mirror, settings.rack.name, journal, keeper))
    if settings.commands.enabled:
        desk = CommandDesk(settings.broker, settings.commands, topic, journal, keeper.utc_clock())
        companions.append(desk)
    return Service(
        sole_writer,
        journal,
        watch,
        link,
        keeper.clock,
        min(TURN_MS, commit_every_ms),
        lambda emit: _buses(settings, keeper, emit),
        JournalRepair(journal, lambda: keeper.dating),
        [
            lambda _now_ms: keeper.check(watch.redate),
            lambda now_ms: retention.step(now_ms, keeper.dating),
            StandingAlarms(journal, link, words).step,
        ],
        companions,
    )


def _words(settings: Settings, journal: Journal, keeper: TimeKeeper | GivenTime, topic: str) -> Words:
    """Return how an event or a notice is put into the messages that it makes us publish."""
    zone = ZoneInfo(settings.rack.time_zone)

    def words(said: AlarmEvent | Notice) -> list[Message]:
        dating = keeper.dating
        dated = dating.dated_notice(said) if isinstance(said, Notice) else dating.dated(said)
        return messages_of(dated, journal.id, topic, zone)

    return words


def _mirror(
    settings: MirrorSettings, rack: str, journal: Journal, keeper: TimeKeeper | GivenTime
) -> Companion:
    """Return the mirror, loaded only where there is one."""
    from daemon.mirror.mirror import Mirror  # noqa: PLC0415

    return Mirror(settings, rack, journal, lambda: keeper.dating)


def _watch(settings: Settings, journal: Journal, keeper: TimeKeeper | GivenTime, words: Words) -> Watch:
    """Return the watch, going on from the journal; what shows to be damaged then is set aside."""

    def begin() -> Watch:
        return Watch(
            journal,
            rack_plan(settings, journal.source_id),
            keeper.clock.now_ms(),
            words,
            round(settings.journal.commit_every_s * 1000),
        )

    try:
        return begin()
    except sqlite3.Error as error:
        if not is_damage(error):
            raise JournalError(f"journal {journal.path}: {error}") from error
        replace_damaged(journal, str(error))
        return begin()


def _buses(settings: Settings, keeper: TimeKeeper | GivenTime, emit: Emit) -> list[Bus]:
    buses: list[Bus] = []
    for name, bus in settings.buses.items():
        probes = {probe: its for probe, its in settings.probes.items() if its.bus == name}
        if not probes:
            continue
        if isinstance(bus, ModbusBusSettings):
            buses.append(_modbus_bus(name, bus, probes, keeper.clock, emit))
        else:
            buses.append(_mqtt_bus(name, bus, probes, keeper.utc_clock(), keeper.on_axis(emit)))
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
    name: str, bus: MqttBusSettings, probes: Mapping[str, ProbeSettings], clock: Clock, emit: Emit
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
