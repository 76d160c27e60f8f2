"""The page *Animals*: the batches, what falls due, and one form for every act and sample of a batch."""

import sqlite3
import time
from collections.abc import Mapping
from typing import Any

from daemon.as_read import told
from daemon.culture.clauses import SAMPLES, SHORT, Asked, asked_by, beside, known_of
from daemon.culture.due import Due
from daemon.culture.record import Record, record_of
from daemon.culture.words import overview_lines, written_text
from daemon.errors import BellwatchError, UnansweredError
from daemon.page.acts import ask
from daemon.page.people import Visitor
from daemon.page.write import BETWEEN, another
from daemon.settings.page import Role
from daemon.settings.rack import Settings
from daemon.web.server import Request
from rules.culture.acts import SURENESS, What
from rules.water.ammonia import SCALES

_WORDS = ("vessel", "to", "stage")
_FOLDED = ("when", "into", "cause", "how", "of", "lineage", "parents", "born", "corrects")
_KEYED = (*_FOLDED, "note")

_KINDS = (*What, *SHORT, *(it for it in SAMPLES if it not in SHORT.values()))
_NOTHING: dict[str, Any] = {"codes": [], "gone": [], "batches": [], "due": []}


class Animals:
    """Shows the batches and takes what was done with them; call it from any thread."""

    def __init__(self, settings: Settings) -> None:
        self._settings, self._known, self._due = settings, known_of(settings), Due(settings)

    def __call__(self, request: Request, visitor: Visitor) -> dict[str, Any]:
        """Return what the page shows: what was kept, or what is wrong with what is still in the form."""
        form, said, again = dict(request.form), "", {}
        if request.acts:
            try:
                if not (said := visitor.refused(Role.ACT, request)):
                    record = record_of(self._settings)
                    asked = self._asked(record, form)
                    ask(self._settings, asked.kind, asked.body | another(form), visitor.name, form)
                    said = f"{written_text(asked.body, record.culture, f' by {visitor.name}')}."
                    form = {"batch": asked.body["cohort"]}
            except UnansweredError as error:  # sent once more it is the same, and written down once
                said, again = str(error), {"form_id": form["id"]}
            except (BellwatchError, sqlite3.Error) as error:
                said = told(str(error))
        shown = self._shown(request)
        last = {What.BEGIN} if shown["codes"] else set()
        return (
            again
            | shown
            | {
                "said": said,
                "form": form,
                "folded": any(form.get(key) for key in (*_FOLDED, "new")),
                "kinds": {it: beside(it) for it in (*(it for it in _KINDS if it not in last), *last)},
                "sure": SURENESS,
                "scales": list(SCALES),
                "vessels": {name: its.label or name for name, its in self._settings.vessels.items()},
                "stages": sorted(self._known.stages),
            }
        )

    def _asked(self, record: Record, form: Mapping[str, str]) -> Asked:
        """Return what the form says as one clause says it; RequestError where that is nothing."""
        batch = form.get("new") or form.get("batch", "")
        numbers = _numbers(form.get("value", ""))
        of = record.culture.cohorts.get(batch)
        lives_in = of.vessels if of else []
        said = {"vessel": lives_in[0]} if form.get("to") and len(lives_in) == 1 else {}
        said |= {key: form[key] for key in (*_WORDS, *_KEYED) if form.get(key)}
        words = [said[key] for key in _WORDS if key in said]
        words += [f"{key}={said[key]}" for key in _KEYED if key in said]
        kind = form.get("what", "")
        words += [f"{key}={'+'.join(_numbers(form[key]))}" for key in beside(kind) if form.get(key)]
        return asked_by(batch, [kind, *numbers, *words], self._known, lives_in)

    def _shown(self, request: Request) -> dict[str, Any]:
        """Return the batches, and what falls due where that is asked for: it may take a while."""
        try:
            record = record_of(self._settings)
            due = self._due.lines(int(time.time() * 1000)) if request.form.get("due") else []
        except (BellwatchError, sqlite3.Error) as error:
            return {"trouble": f"What was written down cannot be shown: {error}"} | _NOTHING
        batches = list(overview_lines(record)) if record.culture.cohorts else []
        codes = [code for code, of in record.culture.cohorts.items() if of.vessels]
        gone = [code for code in record.culture.cohorts if code not in codes]  # to be put right
        return {"trouble": "", "codes": codes, "gone": gone, "batches": batches, "due": due}


def _numbers(text: str) -> list[str]:
    """Return what somebody typed as a row of numbers: 8,1 8.4; 7.8."""
    return [it.replace(",", ".") for it in BETWEEN.split(text.strip()) if it]
