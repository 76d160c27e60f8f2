"""The questions of `bellwatch init`: one for each key that a settings file must have and has not."""

import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, TextIO, get_origin

from pydantic.fields import FieldInfo

from daemon.buses.kinds import KINDS
from daemon.buses.measurement import Measurement
from daemon.buses.ports import serial_ports
from daemon.buses.shape import ProbeSettings
from daemon.check.check import findings_in
from daemon.commands.going_live.scan import ANSWERS, SCANNED_AT_FIRST, who_answers
from daemon.errors import BellwatchError, Finding
from daemon.settings.file import typed
from daemon.settings.rack import BrokerSettings, JournalSettings, RackSettings, VesselSettings
from daemon.tables.types import NAME_PATTERN, PATTERNS_IN_WORDS, Table
from daemon.tables.words import one_of, path_of, where

_PASSWORD = "/etc/bellwatch/broker-password"
_RACK = {"name": "rack-1", "time_zone": "", "lineage": "unknown", "temperatures_in": "C", "people": ""}
_BROKER = {"host": "localhost", "oncall": "false", "username": "", "password_file": _PASSWORD}
_ZONE_LINK, _ZONES = Path("/etc/localtime"), "zoneinfo/"
_Keys = tuple[str, ...]


class EndOfAnswersError(Exception):
    """Whoever answers has no more to say; the text is what was asked."""


class Interview:
    """`values` are those of the file and of the answers; `added` is what is new, with its meaning."""

    def __init__(self, values: dict[str, Any], answers: TextIO, out: TextIO) -> None:
        self.values = values
        self.added: dict[_Keys, dict[str, tuple[Any, str]]] = {}
        self._found: dict[str, list[str]] = {}
        self._answers = answers
        self._out = out

    def run(self) -> None:
        """Ask for all that is missing; EndOfAnswersError where the answers end before."""
        self._fill(("rack",), RackSettings, _RACK | {"time_zone": _zone()})
        self._fill(("journal",), JournalSettings, {"path": "/var/lib/bellwatch/journal.sqlite"})
        self._fill(("broker",), BrokerSettings, _BROKER)
        self._each("vessels", "vessel", self._vessel)
        self._each("buses", "bus (a port that probes share)", self._bus)
        self._each("probes", "probe", self._probe)

    def _vessel(self, name: str) -> None:
        self._fill(("vessels", name), VesselSettings, {"kind": "kreisel"})

    def _bus(self, name: str) -> None:
        keys = ("buses", name)
        kind = self._at(keys).get("kind") or self._one_of(keys, "kind", "kind of bus", KINDS)
        if kind in KINDS:
            has_port = "serial_port" in vars(KINDS[kind]) and "port" not in self._at(keys)
            self._fill(keys, KINDS[kind], {"port": self._port()} if has_port else {})

    def _port(self) -> str:
        """Return the first port that no bus has, having said which there are."""
        used = {bus.get("port") for bus in self.values.get("buses", {}).values()}
        free = [port.name for port in serial_ports() if not {port.name, port.device} & used]
        print(f"ports that no bus has: {', '.join(free) or 'none; is the adapter in?'}", file=self._out)
        return free[0] if free else ""

    def _address(self, bus: str, key: str) -> dict[str, str]:
        """Return the address of a probe that answers on its bus and is nobody's yet, if there is one."""
        if bus not in self._found:
            self._found[bus] = list(self._who_answers(bus))
        used = {str(probe.get(key)) for probe in self.values["probes"].values() if probe.get("bus") == bus}
        return next(({key: address} for address in self._found[bus] if address not in used), {})

    def _who_answers(self, name: str) -> Iterator[str]:
        """Yield the addresses that answer now, where the bus is sound and its port one of this machine's."""
        given = self.values["buses"][name]
        if self._wrong(("buses", name), "") or not Path(given.get("port") or "/nowhere").exists():
            return
        if to_scan := KINDS[given["kind"]].model_validate(given).to_scan(name):
            quick, probes = to_scan
            print(f"{name}: looking who answers ...", file=self._out, flush=True)
            try:
                for address, what in who_answers(name, quick, dict(list(probes.items())[:SCANNED_AT_FIRST])):
                    if what == ANSWERS:
                        print(f"{address}: {what}", file=self._out, flush=True)
                        yield address
            except BellwatchError as error:
                print(error, file=self._out)

    def _probe(self, name: str) -> None:
        keys = ("probes", name)
        given = self._at(keys)
        bus = given.get("bus") or self._one_of(keys, "bus", "on which bus", self.values.get("buses", {}))
        if "vessel" not in given and not given.keys() - {"bus"}:
            vessels = self.values.get("vessels", {})
            self._one_of(keys, "vessel", "in which vessel (- for the rack's air pressure)", ["-", *vessels])
        kind = self.values.get("buses", {}).get(bus, {}).get("kind")
        if kind not in KINDS:
            return  # `check` has told what is wrong with it
        table = KINDS[kind].probe_table
        usual = {} if table.address_key in given else self._address(bus, table.address_key)
        self._fill(keys, table, usual, but=table.entries_key)
        if table.entries_key not in given:
            self._entries(keys, table)

    def _entries(self, keys: _Keys, table: type[ProbeSettings]) -> None:
        """Ask for what a probe measures, one quantity after the other."""
        (entry,) = (a for a in table.model_fields[table.entries_key].annotation.__args__ if a is not Ellipsis)  # type: ignore[union-attr]
        entries: list[dict[str, Any]] = []
        while said := self._ask("  quantity that it measures (empty: no more)") or not entries:
            self._at(keys)[table.entries_key] = [*entries, new := {"quantity": said or ""}]
            at: tuple[str | int, ...] = (*keys, table.entries_key, len(entries))
            try:
                if not self._refused(at, "quantity"):
                    self._entry(at, entry, new)
                    entries.append(new)
            finally:  # what is half said of one is asked again
                self._at(keys)[table.entries_key] = entries
            self._set(keys, table.entries_key, entries, "")

    def _entry(self, at: tuple[str | int, ...], entry: type[Measurement], new: dict[str, Any]) -> None:
        for key, field in entry.model_fields.items():
            wanted = field.is_required() or key in entry.asked_first or self._is_missing((*at, key))
            if wanted and key not in new:
                new[key] = self._answer(at, key, field, _usual(field), new)

    def _each(self, section: str, what: str, complete: Any) -> None:  # noqa: ANN401
        """Complete the tables of a section, and ask for more of them, one by one."""
        for name in list(self.values.get(section, {})):
            complete(name)
        while True:
            enough = bool(self.values.get(section))
            try:
                name = self._ask(f"name of a {what}" + ("; empty: no more" if enough else ""))
            except EndOfAnswersError:
                name = ""  # whoever has said all there is need not say so
                if not enough:
                    raise
            if not name and enough:
                return
            taken = name in self.values.get(section, {})
            if taken or not re.fullmatch(NAME_PATTERN, name):
                expected = "another name" if taken else PATTERNS_IN_WORDS[NAME_PATTERN]
                print(Finding(section, f'"{name}"', expected), file=self._out)
                continue
            self.values.setdefault(section, {})[name] = {}
            complete(name)
            if self._refused((section, name)):
                self._forget(section, name)

    def _fill(
        self, keys: _Keys, table: type[Table], ask: Mapping[str, str] | None = None, but: str = ""
    ) -> None:
        """Ask for what a table lacks and must have, and where it is new for `ask`, with what is usual."""
        usual, asked = ask or {}, getattr(table, "asked_first", ())
        if self._at(keys) and keys not in self.added:  # somebody has gone through what can be left out
            usual, asked = {}, ()
        wanted = [key for key, field in table.model_fields.items() if field.is_required() or key in asked]
        for key in dict.fromkeys([*usual, *wanted]):
            if key in self._at(keys) or key == but:
                continue
            field = table.model_fields[key]
            value = self._answer(keys, key, field, usual.get(key) or _usual(field), self._at(keys))
            if value not in ("", []):
                self._set(keys, key, value, field.description or "")
            elif key == "username":  # there is no password without
                return

    def _answer(self, keys: Iterable[str | int], key: str, field: FieldInfo, usual: str, table: Any) -> Any:  # noqa: ANN401
        """Return what is answered for a key, once `check` has nothing against it."""
        keys = tuple(keys)
        before = dict(table)
        while True:
            said = self._ask(f"{path_of(*keys, key)}: {field.description}", usual)
            if get_origin(field.annotation) is tuple:
                readings: list[Any] = [[part.strip() for part in said.split(",") if part.strip()]]
            else:
                readings = [said] if typed(said) == said else [typed(said), said]
            if said == "" and not field.is_required():
                return ""
            refused = []
            for value in readings:
                table[key] = value
                refused.append(self._wrong(keys, key))
                table.clear()
                table.update(before)
                if not refused[-1]:
                    return value
            print(*refused[0], sep="\n", file=self._out)

    def _one_of(self, keys: _Keys, key: str, what: str, names: Iterable[str]) -> str:
        names = list(names)
        while True:
            said = self._ask(
                f"{'.'.join(keys)}: {what}: {', '.join(names)}", names[0] if len(names) == 1 else ""
            )
            if said in names:
                return said if said == "-" else str(self._set(keys, key, said, ""))
            print(
                Finding(where(*keys, key), f'"{said}"', one_of("one of these", names, said)), file=self._out
            )

    def _ask(self, what: str, usual: str = "") -> str:
        print(what + (f" [{usual}]" if usual else ""), end=": ", file=self._out, flush=True)
        line = self._answers.readline()
        if not line:
            raise EndOfAnswersError(what)
        return line.strip() or usual

    def _at(self, keys: _Keys) -> dict[str, Any]:
        table = self.values
        for key in keys:
            table = table.setdefault(key, {})
        return table

    def _set(self, keys: _Keys, key: str, value: Any, meaning: str) -> Any:  # noqa: ANN401
        self._at(keys)[key] = value
        self.added.setdefault(keys, {})[key] = (value, meaning)
        return value

    def _forget(self, section: str, name: str) -> None:
        del self.values[section][name]
        if not self.values[section]:
            del self.values[section]
        self.added.pop((section, name), None)

    def _refused(self, keys: Iterable[str | int], key: str = "") -> bool:
        wrong = self._wrong(tuple(keys), key)
        print(*wrong, sep="\n", file=self._out, end="\n" if wrong else "")
        return bool(wrong)

    def _wrong(self, keys: tuple[str | int, ...], key: str) -> list[Finding]:
        """Return what `check` has against a key of a table, or against all of the table."""
        path = where(*keys, *filter(None, [key]))
        errors = (finding for finding in findings_in(self.values) if not finding.is_warning)
        of_table = (path, f"{path}.", f"{path}[")
        return [it for it in errors if it.path == path or (not key and it.path.startswith(of_table[1:]))]

    def _is_missing(self, keys: tuple[str | int, ...]) -> bool:
        """Return whether `check` misses a key that is not always needed."""
        return any(it.path == where(*keys) and it.found == "nothing" for it in findings_in(self.values))


def _usual(field: FieldInfo) -> str:
    return str(field.default) if isinstance(field.default, str | int) else ""


def _zone() -> str:
    """Return the machine's time zone; empty where it does not say."""
    return str(_ZONE_LINK.resolve()).partition(_ZONES)[2]
