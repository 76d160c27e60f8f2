"""Probes that speak Modbus, and serial lines of them: settings, what can be wrong, how they are read."""

import math
from collections.abc import Container, Hashable, Iterator, Mapping
from contextlib import suppress
from itertools import combinations, product
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal

from pydantic import Field

from daemon.buses.measurement import Measurement
from daemon.buses.shape import BusSettings, ProbeSettings, Sent
from daemon.errors import Finding
from daemon.tables.types import SerialPort, Table, Whole
from daemon.tables.words import shown, where
from drivers import modbus
from drivers.errors import PayloadError
from drivers.readings import Bus, Emit, Surroundings
from rules.plain import taken_over
from rules.quantities import Quantity
from rules.rack.plan import FRESH

if TYPE_CHECKING:
    from drivers import modbus_bus

_BY_MANUAL = frozenset([*range(30_001, 40_000), *range(40_001, 50_000)])
"""Addresses as manuals number them; hardly any probe has such on the wire (common practice, no source)."""
SCAN_TIMEOUT_MS, HIGHEST_UNIT = 300, 247

UNITS = range(1, 248)
"""MODBUS over Serial Line V1.02, 2.2. Over TCP 255, and 0, reach a server on the network itself (MODBUS
Messaging on TCP/IP Implementation Guide V1.0b, 4.4.2.1). Both from memory."""


class RegisterPlace(Table):
    """Where a Modbus probe keeps a number."""

    function: Literal["holding", "input"] = Field(
        "holding", description="Holding registers (function 3) or input registers (function 4)"
    )
    address: Annotated[Whole, Field(ge=0, le=65_535)] = Field(
        description="First register, counted from 0 as on the wire (a manual's 40001 is address 0)"
    )
    type: Literal["int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64"] = Field(
        description="What the registers hold"
    )
    byte_order: Literal["big", "little"] = Field("big", description="Order of the bytes in a register")
    word_order: Literal["big", "little"] = Field("big", description="Order of the registers in a value")

    @property
    def words(self) -> range:
        """The 16 bit registers that the value fills, as addresses on the wire."""
        count = modbus.Register("", modbus.READ_HOLDING, 0, self.type).count
        return range(self.address, self.address + count)

    def register(self, **own: str) -> modbus.Register:
        """Return the same for the driver; SetupError where it runs over the last address."""
        function = modbus.READ_HOLDING if self.function == "holding" else modbus.READ_INPUT
        return taken_over(modbus.Register, self, function=function, **own)


class RegisterSettings(Measurement, RegisterPlace):
    """Where a Modbus probe keeps one quantity. The value is raw * scale + offset."""

    asked_first: ClassVar = ("function",)


class ModbusProbe(ProbeSettings):
    """A probe on a Modbus bus."""

    entries_key: ClassVar = "registers"
    address_key: ClassVar = "unit_id"
    known_by: ClassVar = "registers"

    unit_id: Annotated[Whole, Field(ge=0, le=255)] = Field(
        description="Modbus unit address, 1 to 247; 0 or 255 for what speaks Modbus TCP itself"
    )
    registers: Annotated[tuple[RegisterSettings, ...], Field(min_length=1)] = Field(
        description="What the probe measures, and where"
    )
    fresh_by: RegisterPlace | None = Field(
        default=None,
        description="A register that must change from poll to poll: a count of samples, uptime, its time",
    )
    bridge_registers: Annotated[Whole, Field(ge=0, le=100)] = Field(
        default=0,
        description="Unused registers between two values that may be read along, to make one question of two",
    )

    def reads(self) -> set[Hashable]:
        """Return the registers that it reads, with its unit."""
        return {(self.unit_id, r.function, word) for r in self.places.values() for word in r.words}

    def asked(self) -> tuple[modbus.Register, ...]:
        """Return the same for the driver; SetupError where one runs over the last address."""
        fresh = () if self.fresh_by is None else (self.fresh_by.register(quantity=FRESH),)
        return (*(register.register() for register in self.registers), *fresh)

    def as_sent(self) -> "ModbusProbe":
        """Return the same probe, of which every register is read as a number of its own."""
        return _Words.model_construct(**dict(self))

    def sent(self, index: int, came: Mapping[str, float]) -> Sent | None:
        """Return the bytes of a value, and what they would be by other types and orders."""
        register = self.registers[index]
        if not all(str(word) in came for word in register.words):
            return None
        data = b"".join(int(came[str(word)]).to_bytes(2, "big") for word in register.words)
        own = (register.type, register.byte_order, register.word_order)
        read: dict[tuple[str, str, str], float] = {}
        for way in product(modbus.TYPES, ("big", "little"), ("big", "little")):
            given = dict(zip(("type", "byte_order", "word_order"), way, strict=True))
            its = register.model_copy(update=given).register()
            if its.count == len(register.words) and (its.count > 1 or way[2] == "big"):
                whole = modbus.Read(its.function, its.address, its.count, (its,))
                with suppress(PayloadError):
                    read[way] = modbus.decode(its, whole, data)
        others = tuple((_how(*way), value) for way, value in read.items() if way != own)
        return Sent(data.hex(" "), read.get(own, math.nan), _how(*own), others)

    def findings(self, name: str) -> Iterator[Finding]:
        """Yield registers that run over the last address or into each other."""
        places = list(self.places.values())
        for index, (key, register) in enumerate(self.places.items()):
            path, found = where("probes", name, *key, "address"), shown(register.address)
            if register.words.stop > modbus.ADDRESSES:
                expected = f"{modbus.ADDRESSES - len(register.words)} or less for a {register.type}"
                yield Finding(path, found, expected)
            if register.address in _BY_MANUAL:
                expected = "an address counted from 0, as on the wire: a manual's 40001 is address 0 of the "
                expected += "holding registers, its 30001 address 0 of the input registers"
                yield Finding(path, found, expected, is_warning=True)
            for before, other in enumerate(places[:index]):
                taken = other.words
                if other.function == register.function and set(taken) & set(register.words):
                    apart = f"registers apart from those of registers[{before}], {taken[0]} to {taken[-1]}"
                    yield Finding(path, found, apart)

    def share_of(self, baud: int) -> float:
        """Return how much of the line's time its polls take: requests, answers, and the silences between
        them, the probe answering at once."""
        if any(place.words.stop > modbus.ADDRESSES for place in self.places.values()):
            return 0.0
        reads = modbus.plan_reads(self.asked(), self.bridge_registers)
        characters = sum(len(modbus.encode_read(self.unit_id, read)) + read.answer_bytes for read in reads)
        return (modbus.wire_time_s(characters, baud) + 2 * len(reads) * modbus.silence_s(baud)) / self.every_s


class _Words(ModbusProbe):
    """A probe of which each register is read by itself, under its address."""

    def asked(self) -> tuple[modbus.Register, ...]:
        words = {(it.register(quantity="").function, word) for it in self.registers for word in it.words}
        return tuple(modbus.Register(str(word), function, word, "uint16") for function, word in sorted(words))


def _how(kind: str, byte_order: str, word_order: str) -> str:
    orders = {"byte_order": byte_order, "word_order": word_order}
    return ", ".join([kind, *(f'{key} = "little"' for key, order in orders.items() if order == "little")])


class ModbusBus(BusSettings):
    """A serial line with Modbus RTU probes on it."""

    called: ClassVar = "a Modbus bus"
    probe_table: ClassVar = ModbusProbe
    asked_first: ClassVar = ("baud", "parity")

    kind: Literal["modbus-rtu"]
    port: SerialPort = Field(
        description="The serial port; a name under /dev/serial/by-id stays the same after re-plugging"
    )
    baud: Literal[1200, 2400, 4800, 9600, 14400, 19200, 38400, 57600, 115200] = Field(
        9600, description="Speed of the line [bit/s]"
    )
    parity: Literal["none", "even", "odd"] = Field("none", description="Parity bit of each character")
    stop_bits: Annotated[Whole, Field(ge=1, le=2)] = Field(1, description="Stop bits of each character")
    timeout_ms: Annotated[Whole, Field(ge=10, le=10_000)] = Field(
        1000, description="How long to wait for an answer [ms]"
    )
    retries: Annotated[Whole, Field(ge=0, le=10)] = Field(
        2, description="How often to ask again before the poll counts as failed"
    )

    @property
    def serial_port(self) -> str:
        """The port, which no other bus may use."""
        return self.port

    def to_scan(self, name: str) -> tuple[BusSettings, dict[str, ProbeSettings]]:
        """Return the line with little patience, and a probe of one register at each address."""
        quick = self.model_copy(update={"timeout_ms": min(self.timeout_ms, SCAN_TIMEOUT_MS), "retries": 0})
        return quick, scanned(name)

    def findings(self, name: str, probes: Mapping[str, ProbeSettings]) -> Iterator[Finding]:
        """Warn of two probes with one unit address, and of polls that need more time than there is."""
        mine = modbus_probes(probes)
        yield from unit_findings(mine, UNITS)
        share = sum(probe.share_of(self.baud) for probe in mine.values())
        if share > 1:
            found = f"{self.baud}, at which the polls take {share:.1f} times as long as there is"
            expected = "a faster line, a longer every_s, or fewer probes on it"
            yield Finding(where("buses", name, "baud"), found, expected, is_warning=True)

    def driver(self, name: str, probes: Mapping[str, ProbeSettings], around: Surroundings, emit: Emit) -> Bus:
        """Return what polls the probes; its library for serial ports is loaded only here."""
        from drivers import modbus_bus, rtu_wire  # noqa: PLC0415

        line = taken_over(rtu_wire.SerialLine, self)
        return modbus_bus.ModbusBus(name, line, asked(probes), around.clock, emit)


def scanned(bus: str) -> dict[str, ProbeSettings]:
    """Return a probe at each unit address, asked for one register, once."""
    one = RegisterSettings(quantity=Quantity.TEMPERATURE, address=0, type="uint16")
    return {
        str(unit): ModbusProbe(bus=bus, unit_id=unit, registers=(one,), every_s=86_400, silent_after_s=86_400)
        for unit in range(1, HIGHEST_UNIT + 1)
    }


def modbus_probes(probes: Mapping[str, ProbeSettings]) -> dict[str, ModbusProbe]:
    """Return those that speak Modbus."""
    return {name: probe for name, probe in probes.items() if isinstance(probe, ModbusProbe)}


def unit_findings(probes: Mapping[str, ModbusProbe], units: Container[int]) -> Iterator[Finding]:
    """Refuse an address that none of `units` has, and warn of two probes with one."""
    for name, probe in probes.items():
        if probe.unit_id not in units:
            expected = '1 to 247; 0 and 255 are for what speaks Modbus TCP itself (frames = "tcp")'
            yield Finding(where("probes", name, "unit_id"), shown(probe.unit_id), expected)
    for (first, one), (second, other) in combinations(probes.items(), 2):
        if one.unit_id == other.unit_id and not one.reads() & other.reads():
            expected = f"another one than that of probes.{first}, unless both are channels of one device"
            path = where("probes", second, "unit_id")
            yield Finding(path, shown(other.unit_id), expected, is_warning=True)


def asked(probes: Mapping[str, ProbeSettings]) -> "tuple[modbus_bus.ModbusProbe, ...]":
    """Return the probes for the driver."""
    from drivers import modbus_bus  # noqa: PLC0415

    return tuple(
        modbus_bus.ModbusProbe(
            name, probe.unit_id, round(probe.every_s * 1000), probe.asked(), probe.bridge_registers
        )
        for name, probe in modbus_probes(probes).items()
    )
