"""Breaks the rules on purpose, to see whether a test notices: `python -m tests.rigs.mutate --seed 1`.

Draws `--count` mutations of `rules/`, every site as likely as any other, puts each into a copy of the tree
and runs the tests that can see its module: those of its own name first, then of its folder, then the rest.
A mutant that no test kills is printed; `equivalent_mutants.txt` names those that change nothing, with proof.

Each run is a fork of this process, which has pytest, numpy and hypothesis loaded but nothing of ours.
"""

import argparse
import ast
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import gsw  # noqa: F401 - loaded once, before the forks
import hypothesis.stateful  # noqa: F401
import ioos_qc.qartod  # noqa: F401
import numpy as np  # noqa: F401
import pytest

from tests.rigs.mutants import Mutant, sites_of
from tests.rigs.places import ROOT

SUITES = ("tests/rules", "tests/reference")
ENDLESS_S = 60
"""A mutant may loop for ever; no sound test takes as long."""
ALREADY_LOADED = ("-W", "ignore::pytest.PytestAssertRewriteWarning")
_RANKED = "tests/rules/judging/test_ranked_inputs.py::test_"
TOO_SLOW = (
    "tests/rules/alarms/test_alarm_figures.py",
    "tests/rules/judging/test_refuting_table.py",
    _RANKED + "a_vessels_usual_temperature_is_that_of_the_settings_else_of_its_last_day",
    _RANKED + "an_error_that_merely_grows_calls_nobody",
    _RANKED + "an_alarm_stays_while_the_error_grows_and_returns_by_the_best_value",
)
"""Days and nights of a whole rack: a mutant that nothing else kills counts as alive."""
OPTIONS = (
    "-x",
    "-q",
    "-p",
    "no:cacheprovider",
    "-o",
    f"timeout={ENDLESS_S}",
    *(f"--deselect={it}" for it in TOO_SLOW),
)
EQUIVALENT = ROOT / "tests" / "rigs" / "equivalent_mutants.txt"
SURVIVED, KILLED = "survived", "killed"
GRACE_S, SLOWER = 20, 4


@dataclass
class Run:
    """A mutant under test in a tree of its own."""

    mutant: Mutant
    tree: Path
    pid: int
    since: float


def imports_of(path: Path) -> set[str]:
    """The modules of ours that a file names in its imports, anywhere in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module, *(f"{node.module}.{name.name}" for name in node.names)}
        elif isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
    return {name for name in found if name.split(".")[0] in ("rules", "tests", "daemon", "simulator")}


class Sight:
    """Which test files can see a module: by what they import, and what that imports."""

    def __init__(self, root: Path) -> None:
        files = [
            path for room in ("rules", "tests", "daemon", "simulator") for path in (root / room).rglob("*.py")
        ]
        self._imports = {self.name(root, path): imports_of(path) for path in files}
        suites = [path for suite in SUITES for path in sorted((root / suite).rglob("test_*.py"))]
        suites.sort(key=lambda path: len(path.parts))
        seen = {str(path.relative_to(root)): self._seen(self.name(root, path)) for path in suites}
        self._tests = {test: modules for test, modules in seen.items() if test not in TOO_SLOW}

    @staticmethod
    def name(root: Path, path: Path) -> str:
        """A file's name as a module."""
        return ".".join(path.relative_to(root).with_suffix("").parts).removesuffix(".__init__")

    def _seen(self, module: str) -> set[str]:
        seen, ahead = set(), [module]
        while ahead:
            if (now := ahead.pop()) not in seen:
                seen.add(now)
                ahead += self._imports.get(now, ())
        return seen

    def all_tests(self) -> list[str]:
        """Every test file that may be run for a mutant."""
        return list(self._tests)

    def tests_of(self, path: str) -> list[list[str]]:
        """The test files that can see a module: nearest first, then those of the whole engine."""
        module = path.removesuffix(".py").replace("/", ".")
        seeing = [test for test, seen in self._tests.items() if module.removesuffix(".__init__") in seen]
        own = [test for test in seeing if Path(test).stem == f"test_{Path(path).stem}"]
        folder = [t for t in seeing if Path(t).parent == Path("tests", path).parent and t not in own]
        rest = [test for test in seeing if test not in own and test not in folder]
        return [tests for tests in (own, folder, rest) if tests]


def copy_of_tree(into: Path) -> Path:
    """A copy of the checkout, to be broken."""
    left_out = shutil.ignore_patterns(".*", "__pycache__", "*.egg-info")
    return Path(shutil.copytree(ROOT, into, ignore=left_out))


def judged(tree: Path, phases: list[list[str]]) -> int:
    """Run the phases of tests in a tree until one fails; in a fork. Return the exit code."""
    os.chdir(tree)
    quiet = os.open(os.devnull, os.O_WRONLY) if "BELLWATCH_MUTATE_SHOW" not in os.environ else 2
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    os.environ["BELLWATCH_TESTS"] = "quick"
    for name in [name for name in sys.modules if name.split(".")[0] in ("tests", "rules")]:
        del sys.modules[name]
    sys.path[:] = [str(tree), *(place for place in sys.path if place not in ("", str(ROOT)))]
    for phase in phases:
        code = int(pytest.main([*OPTIONS, *ALREADY_LOADED, *phase]))
        if code != pytest.ExitCode.OK:
            return code
        if not Path(sys.modules["rules"].__file__ or "").is_relative_to(tree):
            return pytest.ExitCode.USAGE_ERROR
    return 0


def start(mutant: Mutant, tree: Path, phases: list[list[str]], ticket: int) -> Run:
    """Break the tree and fork a run of its tests."""
    write(tree / mutant.path, mutant.text, ticket)
    pid = os.fork()
    if pid == 0:
        os.setpgid(0, 0)
        code = 99
        try:
            code = judged(tree, phases)
        finally:
            os._exit(code)
    return Run(mutant, tree, pid, time.monotonic())


def write(path: Path, text: str, ticket: int) -> None:
    """Write a module under a time of its own: bytecode is kept by time and length, both could be the same."""
    path.write_text(text)
    os.utime(path, (1_000_000_000 + ticket,) * 2)


def ended(run: Run, limit_s: float) -> str | None:
    """What became of a run, if it is over; one that takes too long is killed, as its mutant is."""
    pid, status = os.waitpid(run.pid, os.WNOHANG)
    if pid == 0 and time.monotonic() - run.since < limit_s:
        return None
    if pid == 0:
        os.killpg(run.pid, signal.SIGKILL)
        os.waitpid(run.pid, 0)
        return KILLED
    code = os.waitstatus_to_exitcode(status)
    if code in (pytest.ExitCode.USAGE_ERROR, pytest.ExitCode.NO_TESTS_COLLECTED, 99):
        raise SystemExit(f"the tests could not be run (exit {code}) for {run.mutant}")
    return SURVIVED if code == 0 else KILLED


def verdicts(
    mutants: list[Mutant], trees: list[Path], sight: Sight, limit_s: float
) -> Iterator[tuple[Mutant, str]]:
    """Test every mutant, as many at a time as there are trees."""
    waiting, running, free = list(enumerate(mutants)), [], list(trees)
    while waiting or running:
        while waiting and free:
            ticket, mutant = waiting.pop(0)
            running.append(start(mutant, free.pop(), sight.tests_of(mutant.path), 2 * ticket))
        time.sleep(0.02)
        for run in list(running):
            if verdict := ended(run, limit_s):
                running.remove(run)
                write(
                    run.tree / run.mutant.path,
                    (ROOT / run.mutant.path).read_text(),
                    2 * len(mutants) + run.pid,
                )
                free.append(run.tree)
                yield run.mutant, verdict


def drawn(sites: list[list[Mutant]], seed: int, count: int, under: str) -> list[Mutant]:
    """Draw mutants: every site as likely as any other, and of a site one of its mutants."""
    chance = random.Random(seed)
    there = [mutants for mutants in sites if mutants[0].path.startswith(under)]
    return [chance.choice(mutants) for mutants in chance.sample(there, min(count, len(there)))]


def equivalents() -> dict[str, str]:
    """The mutants that change nothing, by their keys, each with its line of proof."""
    lines = [line for line in EQUIVALENT.read_text().splitlines() if line and not line.startswith("#")]
    return dict(line.split(" ", 1) for line in lines)


def sound_s(tree: Path, sight: Sight) -> float:
    """How long the unbroken tests take; ends the program where they fail."""
    some = Mutant("rules/engine.py", 0, "", "", (ROOT / "rules" / "engine.py").read_text())
    began = time.monotonic()
    run = start(some, tree, [sight.all_tests()], 1)
    while (verdict := ended(run, 3600.0)) is None:
        time.sleep(0.05)
    if verdict != SURVIVED:
        raise SystemExit("the tests fail before anything is broken: mend that first")
    return time.monotonic() - began


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
        sight = Sight(ROOT)
        limit_s = GRACE_S + SLOWER * sound_s(trees[0], sight)
        report(mutants, verdicts(mutants, trees, sight, limit_s))


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
