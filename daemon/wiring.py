"""The one place that builds the daemon from its settings and connects the parts."""

import socket
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

from daemon.broker.command_desk import CommandDesk
from daemon.broker.connection import Connection
from daemon.broker.daily_word import DailyWord
from daemon.broker.echo import Echo
from daemon.broker.link import BrokerLink
from daemon.broker.messages import messages_of, rack_topic, watch_message
from daemon.broker.notices import Notices, Words
from daemon.broker.receipts import Receipts
from daemon.broker.standing_alarms import StandingAlarms
from daemon.check.witnesses import faults_of_the_rack
from daemon.clock import SteadyClock
from daemon.errors import JournalError
from daemon.journal.damage import replace_damaged
from daemon.journal.integrity import IntegrityCheck, open_journal
from daemon.journal.journal import Journal
from daemon.journal.outbox import Message
from daemon.journal.repair import JournalRepair, release_ballast
from daemon.journal.retention import Retention
from daemon.journal.sole_writer import SoleWriter
from daemon.machine import MACHINE, SERIES
from daemon.settings.plan import rack_plan
from daemon.settings.rack import BrokerSettings, Settings
from daemon.transaction import is_damage
from daemon.watch.backup_watch import BackupWatch
from daemon.watch.machine_probe import MachineProbe, machine_series
from daemon.watch.machine_watch import MachineWatch
from daemon.watch.newest_mark import NewestMark
from daemon.watch.service import Companion, Service
from daemon.watch.timekeeper import GivenTime, TimeKeeper
from daemon.watch.wall_clock import SystemWallClock, WallClock
from daemon.watch.watch import Watch
from drivers.readings import Bus, Clock, Emit, Surroundings
from rules.alarms.event import AlarmEvent
from rules.calling.records import Voice
from rules.care.rationale import own_record_of
from rules.engine import Engine
from rules.rack.plan import RACK_WIDE
from rules.readings import Notice

TURN_MS = 1_000
"""How long a reading may wait to be judged."""


def build(settings: Settings, clock: SteadyClock | None = None, wall: WallClock | None = None) -> Service:
    """Return the daemon, ready to run; raise BellwatchError where its journal cannot be used.

    A `clock` that is given is taken for UTC; `wall` stands for the system's clock in tests.
    """
    sole_writer, (journal, mark) = SoleWriter(settings.journal.path), _journal(settings.journal.path)
    wall = wall or SystemWallClock(trusted=settings.journal.trust_clock)
    keeper = TimeKeeper(journal, wall) if clock is None else GivenTime(clock)
    topic, voice = rack_topic(settings.broker.topic_root, settings.rack.name), _voice(journal, wall)
    words, watching = _words(settings, voice, keeper, topic)
    watch, utc_clock = _watch(settings, journal, keeper, words), keeper.utc_clock()
    watching.append(watch)
    presence = _presence(topic, utc_clock, voice, len(settings.vessels))
    connection = Connection(settings.broker, "alarms wait in the journal", presence)
    notices, repair = Notices(journal, words), JournalRepair(journal, lambda: keeper.dating)
    retention = Retention(journal, settings.journal.keep_days, mirrored=settings.mirror is not None)
    chores: list[Callable[[int], None]] = [
        lambda _now_ms: keeper.check(watch.redate),
        lambda now_ms: retention.step(now_ms, keeper.dating),
        *_at_the_broker(settings.broker, connection, topic, notices, voice),
        _daily_word(settings, notices, watch, keeper).step,
        MachineWatch(notices, repair, keeper).step,
        *_of_backups(settings, notices, keeper),
        mark.step,
    ]
    if settings.commands.enabled:
        chores.append(CommandDesk(connection, settings.commands, topic, journal, utc_clock).step)
    return Service(
        sole_writer,
        journal,
        watch,
        connection,
        BrokerLink(connection, topic, settings.broker.heartbeat_s, keeper.clock, utc_clock, voice),
        keeper.clock,
        min(TURN_MS, round(settings.journal.commit_every_s * 1000)),
        lambda emit: _probes(settings, keeper, journal, topic, emit),
        repair,
        chores,
        _companions(settings, journal, keeper),
    )


def _journal(path: Path) -> tuple[Journal, NewestMark]:
    """Return the journal, and the mark of how far it had come; one that went back begins a new run."""
    release_ballast(path)
    journal = open_journal(path)
    mark = NewestMark(journal)
    if why := mark.went_back():
        journal.begin_run(why)
    return journal, mark


def _voice(journal: Journal, wall: WallClock) -> Callable[[], Voice]:
    """Return who speaks for the rack, as it is at the time."""
    boot, host = wall.boot_id(), socket.gethostname()
    return lambda: Voice(journal.id, journal.run_id, boot, host)


def _presence(
    topic: str, utc_clock: Clock, voice: Callable[[], Voice], vessels: int
) -> Callable[[str], Message]:
    """Return what is said of the watch itself: one start, however often the broker is reached anew."""
    began_ms = utc_clock.now_ms()
    return lambda state: watch_message(
        topic, state, began_ms if state == "watching" else utc_clock.now_ms(), voice(), vessels
    )


def _at_the_broker(
    broker: BrokerSettings, connection: Connection, topic: str, notices: Notices, voice: Callable[[], Voice]
) -> list[Callable[[int], None]]:
    """Return what is done in each turn about what is said at the broker, and heard there of ourselves."""
    standing = StandingAlarms(notices.journal, connection, notices.words)
    return [
        standing.step,
        Receipts(connection, topic, notices, broker.heartbeat_s, standing, expected=broker.oncall).step,
        Echo(connection, topic, notices, voice, broker.heartbeat_s).step,
        notices.tell_new_run,
    ]


def _daily_word(
    settings: Settings, notices: Notices, watch: Watch, keeper: TimeKeeper | GivenTime
) -> DailyWord:
    """Return what is said each morning; the engine and the dating are others after a redating."""

    def engine() -> Engine:
        return watch.engine

    def utc_ms(at_ms: int) -> int:
        return keeper.dating.utc_ms(at_ms)

    zone = ZoneInfo(settings.rack.time_zone)
    return DailyWord(notices, engine, list(faults_of_the_rack(settings)), utc_ms, zone)


def _of_backups(
    settings: Settings, notices: Notices, keeper: TimeKeeper | GivenTime
) -> Iterator[Callable[[int], None]]:
    """Yield what tells of backups, where the settings ask for any."""
    if settings.backup is not None:
        yield BackupWatch(
            notices,
            settings.backup.old_after_h,
            lambda at_ms: keeper.dating.utc_ms(at_ms),  # noqa: PLW0108 - the dating changes
        ).step


def _words(
    settings: Settings, voice: Callable[[], Voice], keeper: TimeKeeper | GivenTime, topic: str
) -> tuple[Words, list[Watch]]:
    """Return how an event or a notice is put into messages, and where the watch goes that knows the stages.

    While there is none in it, because it goes on from its journal, the stages of the file count.
    """
    zone, own, watching = ZoneInfo(settings.rack.time_zone), settings.own_records(), list[Watch]()
    first = {name: vessel.stage for name, vessel in settings.vessels.items()}

    def words(said: AlarmEvent | Notice) -> list[Message]:
        dating = keeper.dating
        if isinstance(said, Notice):
            return messages_of(dating.dated_notice(said), voice(), topic, zone)
        now = watching[0].engine.stages().get(said.vessel) if watching else None
        stage = now.stage if now else first.get(said.vessel, "")
        record = own_record_of(stage, said.quantity, said.condition, own)
        return messages_of(dating.dated(said), voice(), topic, zone, stage, record)

    return words, watching


def _companions(settings: Settings, journal: Journal, keeper: TimeKeeper | GivenTime) -> list[Companion]:
    """Return what goes on beside the watch; the mirror is loaded only where there is one."""
    check = IntegrityCheck(journal.path)
    if settings.mirror is None:
        return [check]
    from daemon.mirror.mirror import Mirror  # noqa: PLC0415

    return [check, Mirror(settings.mirror, settings.rack.name, journal, lambda: keeper.dating)]


def _watch(settings: Settings, journal: Journal, keeper: TimeKeeper | GivenTime, words: Words) -> Watch:
    """Return the watch, going on from the journal; what shows to be damaged then is set aside."""

    def begin() -> Watch:
        with journal.transaction():  # all new sources in one: each commit is waited for on the card
            plan = rack_plan(settings, journal.inputs.source_id)
            beside = {
                (MACHINE, name): journal.inputs.source_id(MACHINE, name, RACK_WIDE)
                for name in (SERIES if isinstance(keeper, TimeKeeper) else ())
            }
        if isinstance(keeper, GivenTime):  # in fast motion the machine comes late, and no probe is to blame
            plan = replace(plan, sources=tuple(replace(source, every_ms=0) for source in plan.sources))
        return Watch(
            journal,
            plan,
            keeper.clock.now_ms(),
            words,
            round(settings.journal.commit_every_s * 1000),
            beside,
        )

    try:
        return begin()
    except sqlite3.Error as error:
        if not is_damage(error):
            raise JournalError(f"journal {journal.path}: {error}") from error
        replace_damaged(journal, str(error))
        return begin()


def _probes(
    settings: Settings, keeper: TimeKeeper | GivenTime, journal: Journal, topic: str, emit: Emit
) -> list[Bus]:
    """Return all buses, and the machine as a probe but in fast motion: there it would say another time."""
    buses = _buses(settings, _surroundings(keeper, topic, journal.id), emit)
    if isinstance(keeper, TimeKeeper):

        def says() -> dict[str, float]:
            return machine_series(journal.path.parent, synchronised=keeper.dating.newest.synchronised)

        buses.append(MachineProbe(says, keeper.clock, emit))
    return buses


def _surroundings(keeper: TimeKeeper | GivenTime, topic: str, journal_id: str) -> Surroundings:
    return Surroundings(
        keeper.clock,
        lambda at_ms: keeper.dating.utc_ms(at_ms),  # noqa: PLW0108 - the dating changes
        lambda utc_ms: keeper.dating.axis_ms(utc_ms),  # noqa: PLW0108
        topic,
        journal_id,
    )


def _buses(settings: Settings, surroundings: Surroundings, emit: Emit) -> list[Bus]:
    return [
        bus.driver(name, probes, surroundings, emit)
        for name, bus in settings.buses.items()
        if (probes := settings.probes_on(name))
    ]
