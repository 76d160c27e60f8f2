"""The shape of the on-call settings file: the people, their turns and hours, and how they are told."""

import hashlib
import json
from collections.abc import Mapping
from datetime import date, datetime, time
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from daemon.settings.page import ServedPage
from daemon.settings.rack import BrokerSettings, TimeZone
from daemon.tables.types import (
    FilePath,
    Host,
    Label,
    Name,
    Note,
    Seconds,
    ServerUrl,
    Switch,
    Table,
    TcpPort,
    Whole,
    read_as,
)
from rules.calling.duty import When


def _clock(text: str) -> time:
    if len(text) != len("07:30"):
        raise ValueError(text)
    return time.fromisoformat(text)


_Day = Annotated[date, BeforeValidator(read_as(date.fromisoformat, date, "a date, such as 2026-11-02"))]
_Clock = Annotated[time, BeforeValidator(read_as(_clock, time, 'a time of day, such as "07:30"'))]
_A_MOMENT = 'a date and a time, such as "2026-12-24 18:00"'
_Moment = Annotated[datetime, BeforeValidator(read_as(datetime.fromisoformat, datetime, _A_MOMENT))]


class OnCallPart(Table):
    """The on-call process itself."""

    name: Name = Field("oncall", description="Name of this process at the broker; no two may share it")
    time_zone: TimeZone = Field(description="Time zone of the people on call (IANA name)")
    temperatures_in: Literal["C", "F"] = Field(
        "C", description="What messages show temperatures in: degrees Celsius or Fahrenheit"
    )
    state: FilePath = Field(description="The SQLite file that the process keeps its state in")
    routes_file: FilePath = Field(
        description="File with the routes of each person; only the process's user may read it"
    )
    racks: tuple[Name, ...] = Field(
        (), description="Racks that are missed even if they were never heard; others are missed too"
    )
    gather_s: Seconds = Field(
        15.0, description="A first call waits this long, so that one cause makes one call [s]"
    )


class SwapSettings(Table):
    """A stretch in which somebody takes over, by the clocks of the time zone."""

    start: _Moment = Field(alias="from", description="When the swap begins")
    end: _Moment = Field(alias="until", description="When it ends")
    person: Label = Field(description="Who is on call then")


class RotaSettings(Table):
    """Whose turn it is: a week each, in the order of the list, from one hand-over to the next."""

    people: Annotated[tuple[Label, ...], Field(min_length=1)] = Field(description="Who takes turns")
    first_day: _Day = Field(
        description="A day on which the first person's turn begins; hand-overs are on that day of the week"
    )
    hand_over: _Clock = Field(time(9), description="When on that day the turns change")
    swaps: tuple[SwapSettings, ...] = Field((), description="Stretches in which somebody takes over")


class QuietSettings(Table):
    """The hours in which only what cannot wait is told."""

    start: _Clock = Field(alias="from", description="When they begin")
    end: _Clock = Field(alias="until", description="When they end")


class DigestSettings(Table):
    """When the digest of what could wait is sent."""

    at: Annotated[tuple[_Clock, ...], Field(min_length=1)] = Field((time(8, 30),), description="Times of day")


class MannerSettings(Table):
    """How alarms of one priority are told; what is not given stays as built in."""

    when: When | None = Field(None, description="always; awake, which is never in the quiet hours; or digest")
    repeat_s: Seconds | None = Field(None, description="Said again this often until seen [s]")
    hand_over_s: Seconds | None = Field(None, description="The next person is called after this [s]")
    ask_again_s: Seconds | None = Field(
        None, description="What is seen and still stands is called again after this [s]"
    )


class SilenceSettings(Table):
    """When silence itself is a critical problem."""

    heartbeats_missed: Annotated[Whole, Field(ge=2, le=1000)] = Field(
        6, description="A rack is silent after so many missed heartbeats"
    )
    gone_after_s: Seconds = Field(
        60.0, description="A rack whose connection broke has this long to come back [s]"
    )
    stopped_after_s: Seconds = Field(
        1800.0, description="A rack that was stopped on purpose has this long to be started again [s]"
    )
    broker_after_s: Seconds = Field(300.0, description="The broker has this long to come back [s]")


class FloodSettings(Table):
    """What one person is sent at most; critical alarms are always sent, each at once."""

    calls: Annotated[Whole, Field(ge=1, le=100)] = Field(5, description="So many messages at most")
    within_s: Seconds = Field(600.0, description="Within this time; the rest becomes one message [s]")


class DeliverySettings(Table):
    """What happens where a message cannot be sent."""

    tries: Annotated[Whole, Field(ge=1, le=10)] = Field(
        2, description="Tries on each route before the next one"
    )
    retry_s: Seconds = Field(5.0, description="Wait between two tries on one route [s]")
    again_s: Seconds = Field(
        60.0, description="Wait before the routes are tried from the first again [s]; it doubles"
    )


class CommandsToRacks(Table):
    """What is asked through the broker: acknowledgements of the racks, answers of the people."""

    enabled: Switch = Field(
        False,
        description="Acknowledgements are passed on to the racks; each must allow it in its own settings",
    )
    answers: Switch = Field(
        False, description="People may answer through the broker, whose permissions say who is who"
    )


class PageSettings(ServedPage):
    """A page on which people answer from a phone, behind a link in each message."""

    url: ServerUrl = Field(description="Where phones find the page; short, since each message carries it")
    port: TcpPort = Field(8780, description="Port to listen at")
    link_s: Seconds = Field(86_400.0, description="A link is good for this long after its last message [s]")

    def address_of(self, token: str) -> str:
        """Return where a phone opens what a token is good for."""
        return f"{self.url.rstrip('/')}/{token}"


class PairSettings(Table):
    """A second watcher on another machine: it hears everything, and calls where the first does not.

    Both files name both, and have the same people, hours and times.
    """

    first: Name = Field(description="[oncall] name of the one who calls")
    second: Name = Field(description="[oncall] name of the one who waits for it")
    missing_after_s: Annotated[Seconds, Field(le=240)] = Field(
        120.0, description="Without a sign of life for so long the other one is missing [s]"
    )
    other_broker: Host | None = Field(
        None, description="Broker of the other one, where that is another one, bridged to this one's"
    )


PriorityWord = Literal["low", "medium", "high", "critical"]


class OnCallSettings(Table):
    """The settings of the on-call process."""

    oncall: OnCallPart
    broker: BrokerSettings = BrokerSettings()
    rota: RotaSettings
    quiet_hours: QuietSettings | None = None
    digest: DigestSettings = DigestSettings()
    daily_word: dict[Label, _Clock] = Field(
        {}, description="When each person gets the daily word, also where all is well, while on call"
    )
    priorities: dict[PriorityWord, MannerSettings] = Field({}, description="How each priority is told")
    silence: SilenceSettings = SilenceSettings()
    flood: FloodSettings = FloodSettings()
    delivery: DeliverySettings = DeliverySettings()
    commands: CommandsToRacks = CommandsToRacks()
    page: PageSettings | None = None
    pair: PairSettings | None = None
    notes: dict[str, Note] = Field(
        {}, description="First thing to check, by alarm; what a rack's own records say goes before it"
    )


def mark_of(settings: OnCallSettings, addresses: Mapping[str, list[str]]) -> str:
    """Return what tells these settings and addresses from any others, and tells nothing of them."""
    return hashlib.sha256((settings.model_dump_json() + json.dumps(addresses)).encode()).hexdigest()
