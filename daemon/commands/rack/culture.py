"""`bellwatch culture`: batches of animals, written down in a line of short clauses, and read back."""

import argparse
import time
from contextlib import closing
from zoneinfo import ZoneInfo

from daemon.check.load import load_settings
from daemon.commands.rack.request import add_request, ask, writer
from daemon.culture.clauses import Asked, Known, asked_by, clauses
from daemon.culture.words import cohort_lines, overview_lines
from daemon.errors import RequestError
from daemon.journal.journal import Journal
from daemon.journal.logbook import acts_in
from daemon.settings.rack import Settings
from rules.culture.acts import Act, act_of
from rules.culture.cohorts import culture_of
from rules.culture.refusals import unfit_act, unfit_sample
from rules.errors import RulesError

_NOT_YET = 1_000_000_000_000
"""Beyond every number of an entry: acts that are still to be written down."""


def culture_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of `culture`."""
    add = parser.add_argument
    add("cohort", nargs="?", help="the code of a batch of animals; without it: all of them")
    add("words", nargs="*", help="what was done, clauses parted by commas: move 40 k1 k2, bells 8.1 9.2")
    add("--another", action="store_true", help="it is not what somebody else has just written down")
    add_request(parser, _culture)
    parser.set_defaults(who="")


def _culture(options: argparse.Namespace) -> int:
    settings = load_settings(options.settings)
    with closing(Journal(settings.journal.path, writable=False)) as journal:
        acts, zone = acts_in(journal), ZoneInfo(settings.rack.time_zone)
    if not options.words:
        code = options.cohort
        print(*(cohort_lines(acts, code, zone) if code else overview_lines(acts, zone)), sep="\n")
        return 0
    options.who = writer(options.who, settings.rack.people)
    for asked in _checked(settings, options, acts):
        ask(options, asked.kind, asked.body | ({"another": True} if options.another else {}))
        print(f"{options.cohort}: {asked.body['what'].replace('_', ' ')} written down")
    return 0


def _checked(settings: Settings, options: argparse.Namespace, acts: list[Act]) -> list[Asked]:
    """Return what all clauses ask; RequestError with a line for each wrong one, and nothing is written."""
    stages = {name for vessel in settings.vessels for name in settings.stage_names(vessel)} | {"podocyst"}
    known = Known(settings.vessels, stages, ZoneInfo(settings.rack.time_zone))
    wrong, fit, now_ms = [], [], int(time.time() * 1000)
    for words in clauses(options.words):
        try:
            of = culture_of(acts).cohorts.get(options.cohort)
            asked = asked_by(options.cohort, words, known, of.vessels if of else ())
            _refuse_unfit(asked, acts, options.who, now_ms)
            fit.append(asked)
        except (RequestError, RulesError) as error:
            wrong.append(f"{words[0]}: {str(error).removeprefix(f'{words[0]}: ')}")
    if wrong:
        raise RequestError("\n".join([*wrong, "nothing was written down"]))
    return fit


def _refuse_unfit(asked: Asked, acts: list[Act], who: str, now_ms: int) -> None:
    """Raise where what is asked does not fit the animals by all acts before it; add its act to them."""
    corrected = next((it for it in acts if it.is_entry(asked.body.get("corrects"))), None)
    done_ms = asked.body.get("when_ms", corrected.at_ms if corrected else now_ms)
    culture = culture_of(it for it in acts if it.at_ms <= done_ms and it is not corrected)
    if done_ms > now_ms:
        raise RequestError("when: expected a moment that is not still to come")
    made = [] if asked.kind == "log" else [act_of(_NOT_YET + len(acts), done_ms, who, asked.body)]
    if unfit := unfit_act(culture, made[0]) if made else unfit_sample(culture, asked.body):
        raise RequestError(unfit)
    acts += made
