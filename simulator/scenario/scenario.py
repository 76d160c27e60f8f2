"""What a scenario file says: the room, loops, vessels, probes, wires and scripted events.

Each field's unit is in its name and its limits stand beside it. Where a default carries a
number of the trade, its source is beside it.
"""

from dataclasses import dataclass
from datetime import datetime

from simulator.encoding.registers import BYTE_ORDERS, REGISTER_TYPES
from simulator.scenario.tables import amount, choice

QUANTITIES = ("temperature", "conductivity", "salinity", "oxygen", "oxygen_saturation", "air_pressure")
RACK_QUANTITIES = ("air_pressure",)


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Title, start, length and integration step of a scenario."""

    title: str
    start: datetime
    lasts_h: float = amount(0.01, 24 * 400)
    step_s: float = amount(1, 60, 10.0)
    seed: int = amount(0, 2**63, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """The air around the rack: a daily course with weather wandering about it."""

    mean_c: float = amount(-5, 45)
    swing_c: float = amount(0, 15, 1.0)  # half of the day's range
    warmest_h: float = amount(0, 24, 16.0)  # local time of day; common practice, no source
    wander_c: float = amount(0, 5, 0.2)  # standard deviation of the slow wandering
    humidity_percent: float = amount(0, 100, 55.0)
    pressure_hpa: float = amount(850, 1080, 1013.25)
    pressure_trend_hpa_per_day: float = amount(-40, 40, 0.0)
    pressure_wander_hpa: float = amount(0, 20, 3.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chiller:
    """A compressor or Peltier chiller with an on-off thermostat of its own."""

    setpoint_c: float = amount(-5, 40)
    power_w: float = amount(1, 20_000)  # heat taken out while it runs
    hysteresis_c: float = amount(0, 5, 0.1)  # on above setpoint + this, off below setpoint - this
    min_off_s: float = amount(0, 3600, 180.0)  # common practice for compressors, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Coil:
    """A valve that lets a loop's coolant through a vessel's coil while the vessel is too warm."""

    loop: str
    ua_w_per_k: float = amount(0.01, 10_000)
    setpoint_c: float = amount(-5, 40)
    hysteresis_c: float = amount(0, 5, 0.1)


@dataclass(frozen=True, slots=True, kw_only=True)
class TopOff:
    """Keeps the level with fresh water: starts a band below the full mark, ends at the mark."""

    rate_l_per_h: float = amount(0.001, 1000)
    band_l: float = amount(0.001, 100)


@dataclass(frozen=True, slots=True, kw_only=True)
class Loop:
    """A coolant circuit with one chiller, shared by vessels with a coil."""

    coolant_l: float = amount(0.1, 10_000)
    temperature_c: float = amount(-5, 40)
    ua_w_per_k: float = amount(0.01, 10_000)
    chiller: Chiller


@dataclass(frozen=True, slots=True, kw_only=True)
class Vessel:
    """One vessel of sea water with its equipment, as it is at the start."""

    kind: str = choice("kreisel", "pseudokreisel", "tray", "dish", "tank")
    stage: str
    volume_l: float = amount(0.05, 100_000)  # the full mark
    surface_m2: float = amount(0.0001, 1000)
    ua_w_per_k: float = amount(0.01, 10_000)  # to the room
    kla_per_h: float = amount(0.01, 100)  # with air and circulation
    kla_still_per_h: float = amount(0.01, 100)  # by the still surface alone
    temperature_c: float = amount(-2, 40)
    salinity: float = amount(0, 42)
    cover: float = amount(0, 1, 1.0)  # share of an open surface's evaporation that is left
    brim: float = amount(1, 3, 1.1)  # volume at which it runs over, as a multiple of volume_l
    pump_heat_w: float = amount(0, 5000, 0.0)
    respiration_mg_per_h: float = amount(0, 100_000, 0.0)  # at 15 degrees C
    oxygen_percent: float = amount(0, 300, 99.0)
    chiller: Chiller | None = None
    coil: Coil | None = None
    top_off: TopOff | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Bus:
    """A wire: a pseudo-terminal that carries Modbus RTU, or the broker."""

    kind: str = choice("modbus-rtu", "mqtt")
    baud: int = amount(300, 1_000_000, 9600)  # sets the silence that ends a frame
    reply_delay_ms: float = amount(0, 1000, 2.0)  # wall clock


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One quantity of a probe: how the probe errs, and how its wire carries the value.

    noise_sd, resolution, bias and drift_per_day are in the quantity's unit. The value on the
    wire is (value - offset) / scale.
    """

    quantity: str = choice(*QUANTITIES)
    lag_s: float = amount(0, 3600, 0.0)  # time constant of the first-order response
    noise_sd: float = amount(0, 100, 0.0)
    resolution: float = amount(0, 100, 0.0)
    bias: float = amount(-100, 100, 0.0)
    drift_per_day: float = amount(-100, 100, 0.0)
    scale: float = amount(-1e9, 1e9, 1.0)
    offset: float = amount(-1e9, 1e9, 0.0)
    function: str = choice("holding", "input", default="holding")
    address: int | None = amount(0, 65535, None)
    type: str = choice(*REGISTER_TYPES, default="float32")
    byte_order: str = choice(*BYTE_ORDERS, default="big")
    word_order: str = choice(*BYTE_ORDERS, default="big")
    pointer: str | None = None
    senml_name: str | None = None
    decimals: int = amount(0, 12, 4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """A device on a bus; without a vessel it measures the air of the whole rack."""

    bus: str
    measures: tuple[Measure, ...]
    vessel: str | None = None
    every_s: float = amount(0.1, 86_400, 30.0)
    unit_id: int | None = amount(1, 247, None)
    topic: str | None = None
    format: str | None = choice("plain", "json", "senml", default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that happens at a time after the start, and ends after a while or never."""

    kind: str
    at_min: float = amount(0, 24 * 60 * 400)
    lasts_min: float | None = amount(0.01, 24 * 60 * 400, None)
    vessel: str | None = None
    loop: str | None = None
    probe: str | None = None
    bus: str | None = None
    quantity: str | None = choice(*QUANTITIES, default=None)
    probes_too: bool | None = None
    percent: float | None = amount(100, 300, None)
    fraction: float | None = amount(0.01, 0.95, None)
    salinity: float | None = amount(0, 42, None)
    temperature_c: float | None = amount(-2, 40, None)
    rise_c: float | None = amount(-30, 30, None)
    ramp_min: float | None = amount(0.01, 24 * 60 * 30, None)
    size: float | None = amount(-1000, 1000, None)
    per_day: float | None = amount(-1000, 1000, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A whole scenario, checked: every name that it mentions exists."""

    course: Course
    room: Room
    loops: dict[str, Loop]
    vessels: dict[str, Vessel]
    buses: dict[str, Bus]
    probes: dict[str, Probe]
    events: tuple[Event, ...]

    @property
    def start_ms(self) -> int:
        """The scenario's own start in UTC milliseconds."""
        return round(self.course.start.timestamp() * 1000)

    @property
    def utc_offset_h(self) -> float:
        """Hours by which local time is ahead of UTC at the start; the room's daily course follows it."""
        offset = self.course.start.utcoffset()
        return offset.total_seconds() / 3600 if offset is not None else 0.0
