"""Two planted cases of sixty simulated nights, tuned on forty and judged on the twenty that were held out.

In one case the delays of two stages were set to an eighth of what is right, in the other they are right and
cannot be bettered: what calls for nothing there no setting tells from harm. What was harm is said by the
simulated water alone (`tuned_nights`).

    python -m tests.rigs.nights.planted     # draws tests/daemon/tune/planted.txt anew, in some minutes
"""

import tempfile
import tomllib
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from zoneinfo import ZoneInfo

from daemon.replay.replay import replay
from daemon.settings.plan import rack_plan
from daemon.sources.store import stored
from daemon.tune.search import PRESENT, Search, choice_of
from daemon.tune.space import guarded, settings_with, space_around
from daemon.tune.words import choice_text
from rules.tuning.scoring import Timely, score
from tests.rigs.nights.tuned_nights import SETTINGS, cut, tuned_nights
from tests.rigs.places import ROOT

KEPT = ROOT / "tests" / "daemon" / "tune" / "planted.txt"
NIGHTS, TUNED_ON = 60, 40
SEEDS = {"two keys wrong": range(20), "cannot be bettered": range(100, 120)}
TIMELY = Timely(30 * 60_000, 15 * 60_000)
ZONE = ZoneInfo("Europe/Copenhagen")
BUDGET = 64
RIGHT = """
[quality.temperature]
max_jump_c = "none"   # a hand is not told by its haste

[stages.ephyra.temperature]
on_delay_s = 960
critical_on_delay_s = {}
max_rise_c_per_hour = "none"
max_fall_c_per_hour = "none"
lead_time_s = 0

[stages.juvenile.temperature]
on_delay_s = 960
critical_on_delay_s = {}
max_rise_c_per_hour = "none"
max_fall_c_per_hour = "none"
lead_time_s = 0
"""
BEST, HASTY = (480, 960), (60, 120)


class Here(Executor):
    """Runs what is submitted at once, in this process."""

    def submit(self, what, /, *given, **named):
        future = Future()
        future.set_result(what(*given, **named))
        return future


def judged(tables, choice, recording, incidents):
    """What settings did over a recording."""
    plan = rack_plan(settings_with(tables, choice), recording.numbering())
    (result,) = replay(recording, [plan], responses=False)
    return score(result.events, incidents, [(recording.start_ms, recording.end_ms)], ZONE)


def tuned(tables, recording, incidents):
    """The recommendation on a recording, as the command makes it without arguments."""
    settings = settings_with(tables, PRESENT)
    with tempfile.TemporaryDirectory() as folder:
        search = Search(stored(recording, Path(folder)), tables, incidents, ZONE, TIMELY)
        search.run(space_around({}, settings, tables), 0, Here())
        space = space_around(search.trials[PRESENT].score.worst(TIMELY), settings, tables)
        search.run(guarded(space, incidents, settings), BUDGET, Here())
        return search.recommendation(), len(search.trials)


def drawn(case, seed):
    """One draw: what was recommended, and what it and the known best did on the held-out nights."""
    recording, incidents = tuned_nights(seed, NIGHTS)
    texts = {delays: SETTINGS + RIGHT.format(*delays) for delays in (BEST, HASTY)}
    tables = tomllib.loads(texts[HASTY if case == "two keys wrong" else BEST])
    found, trials = tuned(tables, *cut(recording, incidents, 0, TUNED_ON))
    held_out = cut(recording, incidents, TUNED_ON, NIGHTS)
    choice = PRESENT if found.refusal else choice_of(found.trial)
    before, after = judged(tables, PRESENT, *held_out), judged(tables, choice, *held_out)
    best = judged(tomllib.loads(texts[BEST]), PRESENT, *held_out)
    burdens = tuple(it.burden for it in (before, best, after))
    lates = tuple(it.late(TIMELY) for it in (before, best, after))
    harmful = len(found.present.score.found), len(after.found)
    words = found.refusal.partition(":")[0] if found.refusal else choice_text(choice)
    return seed, harmful, burdens, lates, len(choice), trials, words


def table(case, rows):
    """The rows of a case as text."""
    head = "seed  harmful: tuned, held out  burden: before, best, after  too late  trials  recommended"
    lines = [
        f"{seed:4}  {tuned_on:14} {held_out:9}  {before:15} {best:5} {after:6}"
        f"  {late[0]:4} {late[1]} {late[2]}  {trials:6}  {words}"
        for seed, (tuned_on, held_out), (before, best, after), late, _, trials, words in rows
    ]
    return "\n".join([case, head, *lines, ""])


def all_drawn(told=lambda row: None):
    """Both cases, each seed, in two processes."""
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        waiting = {case: [pool.submit(drawn, case, seed) for seed in seeds] for case, seeds in SEEDS.items()}
        found = {}
        for case, its in waiting.items():
            found[case] = []
            for future in its:
                found[case].append(future.result())
                told(found[case][-1])
    return found


if __name__ == "__main__":
    cases = all_drawn(lambda row: print(row, flush=True))
    KEPT.write_text("\n".join(table(case, rows) for case, rows in cases.items()), encoding="utf-8")
