"""Breaks the rules on purpose, to see whether a test notices: `python -m tests.rigs.mutate --seed 1`.

Draws `--count` mutations of `rules/`, every site as likely as any other, puts each into a copy of the tree
and runs the tests that ran its line when nothing was broken (`traced.py`), then the others of their files,
for a minute of the processor's time at most. A mutant that no test kills is printed;
`equivalent_mutants.txt` names those that change nothing, with proof.

Each run is a fork of this process, which has pytest, numpy and hypothesis loaded but nothing of ours.
"""

import argparse
import os
import random
import resource
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from itertools import accumulate
from pathlib import Path

import gsw  # noqa: F401 - loaded once, before the forks
import hypothesis.stateful  # noqa: F401
import ioos_qc.qartod  # noqa: F401
import numpy as np  # noqa: F401
import pytest

from tests.rigs.mutants import Mutant, sites_of
from tests.rigs.places import ROOT
from tests.rigs.traced import TOO_SLOW, Traced, to_trace, trace

FIRST_S, ENOUGH_S = 4, 60
"""What the first tests of a mutant may take together, where most die; and all: what then lives is alive."""
OPTIONS = (
    "-x",
    "-q",
    "-p",
    "no:cacheprovider",
    "-W",
    "ignore::pytest.PytestAssertRewriteWarning",
    "-o",
    "timeout=0",
    *(f"--deselect={it}" for it in TOO_SLOW),
)
EQUIVALENT = ROOT / "tests" / "rigs" / "equivalent_mutants.txt"
SURVIVED, KILLED = "survived", "killed"
GRACE_S, SLOWER = 20, 2
"""A mutant has as much of the processor as its tests took when they were traced, this many times, and some
more: it may loop for ever, and a busy machine must not kill it."""


class Chosen:
    """A plugin of pytest that runs only some tests of the files, in their order."""

    def __init__(self, tests: list[str]) -> None:
        self._place = {test: place for place, test in enumerate(tests)}

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        known = [item for item in items if item.nodeid in self._place]
        items[:] = sorted(known, key=lambda item: self._place[item.nodeid])


def copy_of_tree(into: Path) -> Path:
    """A copy of the checkout, to be broken."""
    left_out = shutil.ignore_patterns(".*", "__pycache__", "*.egg-info")
    return Path(shutil.copytree(ROOT, into, ignore=left_out))


def forked(work: Callable[[], int], tree: Path) -> int:
    """Do work in a fork that loads the modules of a tree, and exits with its code. Return its process."""
    pid = os.fork()
    if pid:
        return pid
    code = 99
    try:
        os.setpgid(0, 0)
        os.chdir(tree)
        quiet = os.open(os.devnull, os.O_WRONLY) if "BELLWATCH_MUTATE_SHOW" not in os.environ else 2
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        os.environ["BELLWATCH_TESTS"] = "quick"
        for name in [name for name in sys.modules if name.split(".")[0] in ("tests", "rules")]:
            del sys.modules[name]
        sys.path[:] = [str(tree), *(place for place in sys.path if place not in ("", str(ROOT)))]
        code = work()
    finally:
        os._exit(code)


def judged(tree: Path, phases: list[list[str]]) -> int:
    """Run the phases of tests in a tree until one fails. Return the exit code."""
    for tests in phases:
        files = list(dict.fromkeys(test.split("::")[0] for test in tests))
        code = pytest.main([*OPTIONS, *files], plugins=[Chosen(tests)])
        if code not in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
            return int(code)
        if not Path(sys.modules["rules"].__file__ or "").is_relative_to(tree):
            return pytest.ExitCode.USAGE_ERROR
    return 0


def phases_of(mutant: Mutant, traced: Traced) -> list[list[str]]:
    """The tests of a mutant, those that run its line before their neighbours, first those of some seconds."""
    tests = traced.tests_of(mutant.path, mutant.line)
    tests += traced.rest_of_files(tests)
    until = list(accumulate(traced.took_s[test] for test in tests))
    first, enough = (max(sum(seconds < most for seconds in until), 1) for most in (FIRST_S, ENOUGH_S))
    return [phase for phase in (tests[:first], tests[first:enough]) if phase]


def start(mutant: Mutant, tree: Path, traced: Traced, ticket: int) -> int:
    """Break the tree and fork a run of its tests. Return its process."""
    write(tree / mutant.path, mutant.text, ticket)
    phases = phases_of(mutant, traced)
    limit_s = GRACE_S + SLOWER * round(sum(traced.took_s[test] for phase in phases for test in phase))

    def work() -> int:
        resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s))
        return judged(tree, phases)

    return forked(work, tree)


def write(path: Path, text: str, ticket: int) -> None:
    """Write a module under a time of its own: bytecode is kept by time and length, both could be the same."""
    path.write_text(text)
    os.utime(path, (1_000_000_000 + ticket,) * 2)


def verdicts(mutants: list[Mutant], trees: list[Path], traced: Traced) -> Iterator[tuple[Mutant, str]]:
    """Test every mutant, as many at a time as there are trees."""
    waiting, free = list(enumerate(mutants)), list(trees)
    running: dict[int, tuple[Mutant, Path]] = {}
    while waiting or running:
        while waiting and free:
            ticket, mutant = waiting.pop(0)
            tree = free.pop()
            running[start(mutant, tree, traced, 2 * ticket)] = mutant, tree
        pid, status = os.wait()
        mutant, tree = running.pop(pid)
        code = os.waitstatus_to_exitcode(status)
        if code in (pytest.ExitCode.USAGE_ERROR, 99):
            raise SystemExit(f"the tests could not be run (exit {code}) for {mutant}")
        write(tree / mutant.path, (ROOT / mutant.path).read_text(), 2 * len(mutants) + pid)
        free.append(tree)
        yield mutant, SURVIVED if code == 0 else KILLED


def drawn(sites: list[list[Mutant]], seed: int, count: int, under: str) -> list[Mutant]:
    """Draw mutants: every site as likely as any other, and of a site one of its mutants."""
    chance = random.Random(seed)
    there = [mutants for mutants in sites if mutants[0].path.startswith(under)]
    return [chance.choice(mutants) for mutants in chance.sample(there, min(count, len(there)))]


def equivalents() -> dict[str, str]:
    """The mutants that change nothing, by their keys, each with its line of proof."""
    lines = [line for line in EQUIVALENT.read_text().splitlines() if line and not line.startswith("#")]
    return dict(line.split(" ", 1) for line in lines)


def bring_up_to_date() -> None:
    """Trace what changed since the last traced run; ends the program where a test fails unbroken."""
    if files := to_trace():
        _, status = os.waitpid(forked(lambda: trace(files, [*OPTIONS]), ROOT), 0)
        if status != 0:
            raise SystemExit("the tests fail before anything is broken: mend that first")


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.rigs.mutate", description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, required=True, help="which mutations are drawn")
    parser.add_argument("--count", type=int, default=200, help="how many (default 200)")
    parser.add_argument("--jobs", type=int, default=1, help="how many at a time (default 1)")
    parser.add_argument("--under", default="rules/", help="only modules whose path begins so")
    parser.add_argument("--only", default="", help="only mutants with these keys, by commas, of those drawn")
    options = parser.parse_args()
    mutants = drawn(sites_of(ROOT, "rules"), options.seed, options.count, options.under)
    mutants = [mutant for mutant in mutants if not options.only or mutant.key in options.only.split(",")]
    with tempfile.TemporaryDirectory(prefix="bellwatch-mutants-") as place:
        trees = [copy_of_tree(Path(place) / str(number)) for number in range(options.jobs)]
        bring_up_to_date()
        report(mutants, verdicts(mutants, trees, Traced()))


def report(mutants: list[Mutant], found: Iterator[tuple[Mutant, str]]) -> None:
    """Print survivors as they come, and the share of them in the end."""
    proofs, survived, proven = equivalents(), 0, 0
    for number, (mutant, verdict) in enumerate(found, 1):
        print(f"{number} of {len(mutants)}", end="\r", flush=True, file=sys.stderr)
        if verdict == SURVIVED:
            survived, proven = survived + 1, proven + (mutant.key in proofs)
            print(f"survived ({number} of {len(mutants)} tested): {mutant}", flush=True)
            if mutant.key in proofs:
                print(f"    equivalent: {proofs[mutant.key]}", flush=True)
    share = survived / max(len(mutants), 1)
    print(f"{survived} of {len(mutants)} survived ({share:.1%}), {proven} of them proven equivalent")


if __name__ == "__main__":
    main()
