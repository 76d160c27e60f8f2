"""`bellwatch check --here`: whether this machine, as this user, can do what the settings ask of it."""

import grp
import os
import pwd
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

from daemon.broker.connection import Connection
from daemon.broker.messages import rack_topic
from daemon.buses.ports import serial_ports
from daemon.check.page import acts_findings, certificate_findings
from daemon.commands.going_live.live import Live
from daemon.errors import Finding, SettingsError
from daemon.journal.outbox import Message
from daemon.journal.sole_writer import holder_of
from daemon.machine import machine_readings
from daemon.settings.rack import Settings
from daemon.tables.words import shown, where
from daemon.watch.backup_watch import unfit_folder
from daemon.watch.wall_clock import SystemWallClock

BROKER_WITHIN_S = 5.0
POLLED_WITHIN_S = 60.0
LITTLE_ROOM_MB = 500
_LOOK_S = 0.05
_FILES = ("", "-wal", "-shm", ".lock", ".requests", ".newest")
"""What lies at the journal's path and beside it under its name; all of it is written by the watch."""
_SQLITE = b"SQLite format 3\0"
_NOT_LOCAL = ("nfs", "nfs4", "cifs", "smb3", "9p", "fuse.sshfs")

Found = Finding | str
"""What is wrong, or a line on what is well."""


def found_here(settings: Settings) -> Iterator[Found]:
    """Go through ports, journal, page, clock, machine, broker and probes; the slow ones at the end."""
    watched = _is_watched(settings.journal.path)
    yield from _ports(settings)
    yield from _journal(settings.journal.path)
    yield from _page(settings)
    if settings.backup and (unfit := unfit_folder(settings.journal.path, settings.backup)):
        expected = f"a folder on another disk, mounted, that {_user()} may write in; or same_disk = true"
        yield Finding("backup.folder", unfit, expected)
    yield from _clock(settings)
    for reading in machine_readings():
        yield (
            f"machine: {reading}"
            if reading.is_well
            else Finding(
                "machine",
                f"{reading.name} {reading.value:g} {reading.unit}",
                reading.what_to_do,
                is_warning=True,
            )
        )
    yield from _broker(settings)
    if watched:
        yield "probes: a watch is running and reads them; bellwatch status shows what they say"
    else:
        yield from _probes(settings)


def _is_watched(journal: Path) -> bool:
    holder = holder_of(journal) if os.access(journal.parent, os.X_OK) else None
    return holder is not None and holder.holds


def _ports(settings: Settings) -> Iterator[Found]:
    known = serial_ports()
    for name, bus in settings.buses.items():
        if bus.serial_port is None:
            continue
        path, port, device = where("buses", name, "port"), shown(bus.serial_port), Path(bus.serial_port)
        stable = next((it.name for it in known if it.device == bus.serial_port != it.name), None)
        if not device.exists():
            others = ", ".join(shown(it.name) for it in known) or "none: is the adapter plugged in?"
            yield Finding(path, f"no port {port} on this machine", f"one of those that are here: {others}")
        elif not device.is_char_device():
            yield Finding(
                path, f"{port}, which is no serial port", "a device below /dev, such as /dev/ttyUSB0"
            )
        elif not os.access(device, os.R_OK | os.W_OK):
            group = _group(device)
            expected = f"{_user()} in the group {group}: sudo usermod -aG {group} {_user()}, then log in anew"
            yield Finding(path, f"no right to {port} for {_user()}", expected)
        elif stable is not None:
            yield Finding(
                path, port, f"{shown(stable)}, which stays its name after re-plugging", is_warning=True
            )
        else:
            yield f"{path}: {port} is there, and we may open it"


def _user() -> str:
    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return str(os.geteuid())


def _group(file: Path) -> str:
    try:
        return grp.getgrgid(file.stat().st_gid).gr_name
    except KeyError:
        return str(file.stat().st_gid)


def _journal(path: Path) -> Iterator[Found]:
    folder, at = path.parent, "journal.path"
    if unfit := _unfit(path):
        yield Finding(at, *unfit)
        return
    if (kind := _file_system(folder)) in _NOT_LOCAL:
        yield Finding(at, f"a network share ({kind})", "a local disk: SQLite's locks do not hold on shares")
    free_mb = shutil.disk_usage(folder).free / 1e6
    if free_mb < LITTLE_ROOM_MB:
        yield Finding(
            at, f"{free_mb:.0f} MB of room", f"{LITTLE_ROOM_MB} MB or more: make room", is_warning=True
        )
    else:
        yield f"{at}: {_user()} may write there, {free_mb / 1000:.1f} GB of room"


def _unfit(path: Path) -> tuple[str, str] | None:
    """Return why the journal cannot be there, and what would be right; nobody else's folder is given away."""
    folder, user = path.parent, _user()
    if path.parts[0].startswith("~"):
        return shown(str(path)), "a path from the root on, since nobody's home is looked up here"
    if not folder.is_dir():
        found, expected = f"no folder {shown(str(folder))}", f"a folder that {user} may write in"
        return found, f"{expected}: sudo install -d -o {user} {folder}"
    if not os.access(folder, os.R_OK | os.W_OK | os.X_OK):
        expected = (
            f"one of its own: sudo install -d -o {user} {folder / 'bellwatch'}, and the journal in there"
        )
        found = f"the folder {shown(str(folder))}, which {user} may not write in"
        return found, f"{expected}; or run this as the user of the watch"
    return _unfit_file(path)


def _unfit_file(path: Path) -> tuple[str, str] | None:
    user, is_there = _user(), path.exists()
    if not (target := path.resolve()).parent.is_dir():
        found = f"a link to {shown(str(target))}, whose folder is not there"
        return found, "its disk mounted, or a journal that no link leads to"
    if is_there and not path.is_file():  # a look into a pipe would wait for ever
        kind = "folder" if path.is_dir() else "device"
        return f"the {kind} {shown(str(path))}", "a file in a folder, such as journal.sqlite"
    its = (file for end in _FILES if (file := path.with_name(path.name + end)).exists())
    for file in its:  # a watch that ran as somebody else, once, leaves them all
        if not os.access(file, os.R_OK | os.W_OK):
            expected = f"one that it may: if that is its journal, sudo chown {user} {path}*"
            found = f"the file {shown(str(file))}, which {user} may not write"
            return found, f"{expected}; or run this as the user of the watch"
    if is_there:
        with path.open("rb") as journal:
            if journal.read(len(_SQLITE)) not in (b"", _SQLITE):
                return (
                    f"the file {shown(str(path))}, which is no journal",
                    "a journal, or a file that is not there yet",
                )
    return None


def _page(settings: Settings) -> Iterator[Found]:
    page, unprivileged = settings.page, Path("/proc/sys/net/ipv4/ip_unprivileged_port_start")
    yield from certificate_findings(page)
    yield from acts_findings(page, settings.rack.people)
    if page.port < (least := int(unprivileged.read_text())):
        yield Finding("page.port", f"{page.port}, which only root may open", f"{least} or more, such as 8781")


def _file_system(folder: Path) -> str:
    """Return the kind of the file system that a folder is on, by the longest mount point above it."""
    real = str(folder.resolve())
    mounts = [line.split()[1:3] for line in Path("/proc/self/mounts").read_text().splitlines()]
    above = [(len(point), kind) for point, kind in mounts if f"{real}/".startswith(point.rstrip("/") + "/")]
    return max(above, default=(0, ""))[1]


def _clock(settings: Settings) -> Iterator[Found]:
    if SystemWallClock(trusted=settings.journal.trust_clock).is_synchronised():
        yield f"clock: {time.strftime('%Y-%m-%d %H:%M:%S %Z')}, looked after"
    else:
        expected = "a time service: sudo timedatectl set-ntp true; or trust_clock = true with a battery clock"
        yield Finding("clock", "no time service that looks after it", expected, is_warning=True)


def _broker(settings: Settings) -> Iterator[Found]:
    """Log in, say something that says nothing (no alarm of a vessel that cannot be), and see it taken."""
    broker = settings.broker
    name = f"{broker.host}:{broker.port}"
    try:
        connection = Connection(broker, "see that it runs")
    except SettingsError as error:
        yield from (Finding(f"broker.{it.path}", it.found, it.expected) for it in error.findings)
        return
    topic = f"{rack_topic(broker.topic_root, settings.rack.name)}/alarm"
    said, until = dict[int, str | None](), time.monotonic() + BROKER_WITHIN_S
    connection.on_confirmed = lambda answer: said.update([answer])
    connection.start()
    try:
        while not connection.connected and time.monotonic() < until:
            time.sleep(_LOOK_S)
        if not connection.connected:
            expected = "a broker that runs there (sudo systemctl status mosquitto) and lets this user in: "
            expected += "host, port, tls, username, password_file"
            yield Finding("broker", f"{name}: {connection.trouble or 'no answer'}", expected)
            return
        number = connection.publish(Message(f"{topic}/_try", "", retain=False)).mid
        while number not in said and time.monotonic() < until:
            time.sleep(_LOOK_S)
        if why := said.get(number, "no answer"):
            expected = f"its access list to let {broker.username or 'everybody'} write {topic}/#"
            yield Finding("broker", f"{name}: we may not publish ({why})", expected)
        else:
            yield f"broker: {name} lets us in, and we may publish"
    finally:
        connection.stop()


def _probes(settings: Settings) -> Iterator[Found]:
    patience_s = min(POLLED_WITHIN_S, 5 + max(probe.every_s for probe in settings.probes.values()))
    with Live.of(settings, settings.probes) as live:
        answers = live.answers(patience_s)
    told = set[str]()
    for name, answer in answers.items():
        probe = settings.probes[name]
        if answer.after_s is None:
            expected = f"a message: is it on, and is its {probe.address_key} right?"
            yield Finding(where("probes", name), f"nothing within {patience_s:.0f} s", expected)
        elif answer.trouble:
            if answer.trouble not in told:  # what is wrong with a bus is so for all of its probes
                at = ("probes", name) if answer.trouble.startswith(name) else ("buses", probe.bus)
                yield Finding(
                    where(*at), answer.trouble, f"an answer; bellwatch probe read {name} tries again"
                )
            told.add(answer.trouble)
        else:
            yield f"probes.{name}: answers"
    times = [it.after_s for it in answers.values() if it.after_s is not None and not it.trouble]
    if times:
        yield f"probes: {len(times)} of {len(answers)} have answered within {max(times):.1f} s"
