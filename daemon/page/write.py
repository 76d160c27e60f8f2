"""The page *Write*: a vessel's logbook and hand measurements, by the one table of kinds of entry."""

import re
import sqlite3
from collections.abc import Mapping
from contextlib import closing
from typing import Any
from zoneinfo import ZoneInfo

from daemon.as_read import told
from daemon.errors import BellwatchError, RequestError, UnansweredError
from daemon.journal.history import Entry
from daemon.journal.journal import Journal
from daemon.journal.logbook import FORM_KINDS, HAND, superseded
from daemon.page.acts import ask
from daemon.page.people import Visitor
from daemon.page.pulse import Pulse
from daemon.settings.page import Role
from daemon.settings.rack import Settings
from daemon.tables.values import number
from daemon.view.entries import corrected_text, entry_text
from daemon.view.rack_words import moment
from daemon.web.server import Request
from daemon.words import label, typed_in
from rules.care.misread import PLAUSIBLE
from rules.quantities import UNITS, Quantity
from rules.rack.logbook import ENTRY_KINDS, range_of, sample_of

SHOWN = 12
BETWEEN = re.compile(r"[\s;]+|,\s+")


class Writing:
    """Shows the form of a kind of entry and takes what is written; call it from any thread."""

    def __init__(self, settings: Settings, pulse: Pulse) -> None:
        self._settings, self._pulse = settings, pulse
        self._zone = ZoneInfo(settings.rack.time_zone)

    def __call__(self, request: Request, visitor: Visitor) -> dict[str, Any]:
        """Return what the page shows: what was kept, or what is wrong with what is still in the form."""
        form, said, again = dict(request.form), "", {}
        vessels = self._settings.vessels
        vessel = form.get("vessel", "")
        vessel = vessel if vessel in vessels else next(iter(vessels), "")
        kind = form.get("kind", "") if form.get("kind") in FORM_KINDS else FORM_KINDS[0]
        if request.acts:
            try:
                if not (said := visitor.refused(Role.ACT, request)):
                    self._write(vessel, kind, visitor, form)
                    called = vessels[vessel].label or vessel
                    said, form = f"{_called(kind)} of {called} written down by {visitor.name}.", {}
            except UnansweredError as error:  # sent once more it is the same, and written down once
                said, again = str(error), {"form_id": form["id"]}
            except RequestError as error:
                said = told(str(error)).replace("--unit ", "unit ")
        newest, trouble = self._newest(vessel)
        return again | {
            "said": said,
            "trouble": trouble,
            "vessel": vessel,
            "vessels": {name: its.label or name for name, its in vessels.items()},
            "kind": kind,
            "kinds": {it: _called(it) for it in FORM_KINDS},
            "asks": self._asks(vessel, kind),
            "quantities": {it.value: label(it) for it in Quantity},
            "units": list(dict.fromkeys(it for its in UNITS.values() for it in its if it)),
            "form": form,
            "is_hand": kind == HAND,
            "newest": newest,
        }

    def _write(self, vessel: str, kind: str, visitor: Visitor, form: Mapping[str, str]) -> None:
        """Ask the watch to write an entry down; RequestError where it is not."""
        try:
            body = {"vessel": vessel, **(_hand(form) if kind == HAND else _entry(kind, form))}
        except ValueError as error:
            raise RequestError(f"value: found {error}") from None
        ask(self._settings, HAND if kind == HAND else "log", body, visitor.name, form)

    def _asks(self, vessel: str, kind: str) -> str:
        """Say in which unit and between what a value is asked for; empty where there is none."""
        if kind == HAND or ENTRY_KINDS[kind].in_words:
            return ""
        rack, its = self._pulse.newest.rack, ENTRY_KINDS[kind]
        stage = next((it.stage.name for it in rack.vessels if it.name == vessel), "") if rack else ""
        low, high = range_of(kind, stage)
        return f"{its.unit}, {low:g} to {high:g}{'; several at once make a sample' if not its.whole else ''}"

    def _newest(self, vessel: str) -> tuple[list[tuple[int, str, str]], str]:
        """Return the newest entries of a vessel (number, kind, and in words), or why there are none."""
        try:
            with closing(Journal(self._settings.journal.path, writable=False)) as journal:
                known = journal.history.logbook((vessel,), FORM_KINDS)
                dating, now_ms = journal.state.dating(), journal.state.clock_ms()
        except (BellwatchError, sqlite3.Error) as error:
            return [], f"What was written down cannot be shown: {error}"
        over = superseded(known)

        def words(it: Entry) -> str:
            at = moment(dating.utc_ms(it.at_ms), dating.utc_ms(now_ms), self._zone)
            return f"{at} {_called(it.kind)} {entry_text(it)}, {it.who}{corrected_text(it, over)}"

        return [(it.seq, it.kind, words(it)) for it in known[: -SHOWN - 1 : -1]], ""


def _called(kind: str) -> str:
    return "pH" if kind == "ph" else kind.replace("_", " ").capitalize()


def _values(text: str) -> list[float]:
    """Read the values that somebody measured, 6.5 or 6,5; ValueError where one is no number."""
    return [number(word.replace(",", ".")) for word in BETWEEN.split(text.strip()) if word]


def _entry(kind: str, form: Mapping[str, str]) -> dict[str, Any]:
    body: dict[str, Any] = {"what": kind, "note": form.get("note", "")}
    in_words = ENTRY_KINDS[kind].in_words
    never_was = bool(form.get("withdrawn") and form.get("corrects"))
    values = [] if in_words or never_was else _values(form.get("value", ""))
    if not (values or in_words or never_was):
        raise ValueError(f"nothing; expected a number in {ENTRY_KINDS[kind].unit}")
    if in_words and not (body["note"].strip() or never_was):
        raise ValueError("nothing; expected a note in words")
    corrects = form.get("corrects", "")
    if corrects:
        if not corrects.isdecimal():
            raise ValueError(f"{corrects!r} as what it corrects; expected the number of an entry")
        body["corrects"] = int(corrects)
    body |= {"withdrawn": True} if never_was else {}
    return body | sample_of(values) | another(form)


def _hand(form: Mapping[str, str]) -> dict[str, Any]:
    value = _values(form.get("value", ""))
    if len(value) != 1:
        raise ValueError(f"{len(value)} values; expected one")
    words = {key: form.get(key, "") for key in ("quantity", "method", "instrument")}
    if words["quantity"] not in list(Quantity):
        raise ValueError(f"it of {words['quantity']!r}; expected one of {', '.join(Quantity)}")
    quantity, unit = Quantity(words["quantity"]), form.get("unit") or None
    return {"value": typed_in(value[0], quantity, unit, possible=PLAUSIBLE), **words, **another(form)}


def another(form: Mapping[str, str]) -> dict[str, bool]:
    """Return what a form says of an entry that somebody else seems to have written down already."""
    return {"another": True} if form.get("another") == "yes" else {}
