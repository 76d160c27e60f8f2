"""Which test runs which line of the rules: one traced run of the suites, kept in `.bellwatch/`.

The next run traces only the test files that changed since; after a change of the rules, or of what the tests
stand on, all of them.
"""

import ast
import hashlib
import json
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import coverage
import pytest

from tests.rigs.places import ROOT

SUITES = ("tests/rules", "tests/reference")
TOO_SLOW = ("tests/rules/alarms/test_alarm_figures.py", "tests/rules/judging/test_refuting_table.py")
"""Days and nights of a whole rack: a mutant that nothing else kills counts as alive."""
KEPT = ROOT / ".bellwatch"
_FOR_ALL = " for all of "
"""Between a fixture's name and the test id or file of those who share it, in the name of a context."""


class Tracer:
    """A plugin of pytest that says which test, or which shared fixture, runs now, and how long it takes."""

    def __init__(self, trace: coverage.Coverage) -> None:
        self._trace = trace
        self._within = ["nobody"]
        self.took_s: dict[str, float] = {}
        self.uses: dict[str, list[str]] = {}

    def _timed(self, name: str) -> Iterator[None]:
        began = time.process_time()
        self._within.append(name)
        self._trace.switch_context(name)
        yield
        self._within.pop()
        self._trace.switch_context(self._within[-1])
        self.took_s[name] = self.took_s.get(name, 0) + time.process_time() - began

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self.uses[item.nodeid] = list(getattr(item, "fixturenames", ()))
        yield from self._timed(item.nodeid)

    @pytest.hookimpl(hookwrapper=True)
    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef) -> Iterator[None]:
        if fixturedef.scope == "function":
            yield
        else:
            yield from self._timed(f"{fixturedef.argname}{_FOR_ALL}{fixturedef.baseid}")

    def kept(self) -> dict[str, tuple[float, list[str]]]:
        """How long each test takes, and the contexts that its lines stand under."""
        shared = [(name, *name.split(_FOR_ALL)) for name in self.took_s if _FOR_ALL in name]
        return {
            test: (
                self.took_s[test],
                [test, *(name for name, what, base in shared if what in uses and test.startswith(base))],
            )
            for test, uses in self.uses.items()
        }


def trace(files: list[str], options: list[str]) -> int:
    """Trace test files, in the tree that is the current folder. Return pytest's exit code."""
    KEPT.mkdir(exist_ok=True)
    lines = coverage.Coverage(KEPT / "traced_lines", include=["rules/*"], config_file=False)
    lines.set_option("run:relative_files", True)
    lines.load()
    lines.start()
    code = int(pytest.main([*options, *files], plugins=[tracer := Tracer(lines)]))
    lines.stop()
    if code == pytest.ExitCode.OK:
        lines.save()
        tests = _kept("traced_tests.json").items()
        kept = {test: what for test, what in tests if test.split("::")[0] not in files}
        (KEPT / "traced_tests.json").write_text(json.dumps(kept | tracer.kept()))
        (KEPT / "traced_files.json").write_text(json.dumps(digests()))
    return code


def _kept(name: str) -> dict[str, Any]:
    return dict(json.loads((KEPT / name).read_text())) if (KEPT / name).exists() else {}


def _suites() -> list[str]:
    paths = [path for suite in SUITES for path in sorted((ROOT / suite).rglob("test_*.py"))]
    return [file for path in paths if (file := str(path.relative_to(ROOT))) not in TOO_SLOW]


def digests() -> dict[str, str]:
    """A sum of each test file of the suites, and of all else that they stand on."""
    others = [path for room in ("rules", "tests") for path in sorted((ROOT / room).rglob("*.py"))]
    ours = ("test_", "mutate.py", "mutants.py", "traced.py")
    others = [path for path in others if not path.name.startswith(ours)]
    sums = {file: hashlib.sha256((ROOT / file).read_bytes()).hexdigest() for file in _suites()}
    return sums | {"all": hashlib.sha256(b"".join(path.read_bytes() for path in others)).hexdigest()}


def to_trace() -> list[str]:
    """The test files that changed since the last traced run; forgets that run where all of it is old."""
    before, now = _kept("traced_files.json"), digests()
    if before.get("all") != now.pop("all"):
        for path in KEPT.glob("traced_*"):
            path.unlink()
        return list(now)
    return [file for file, digest in now.items() if before.get(file) != digest]


class Traced:
    """Who runs a line, read back from the last traced run."""

    def __init__(self) -> None:
        self._data = coverage.CoverageData(str(KEPT / "traced_lines"))
        self._data.read()
        paths = [*(ROOT / "rules").rglob("*.py"), *(ROOT / file for file in _suites())]
        self._texts = {str(path.relative_to(ROOT)): path.read_text().splitlines() for path in paths}
        self._lines: dict[str, dict[int, list[str]]] = {}
        self.took_s: dict[str, float] = {}
        self._tests: dict[str, list[str]] = {}
        for test, (seconds, contexts) in _kept("traced_tests.json").items():
            if test.split("::")[0] not in self._texts:  # its file has been moved since
                continue
            self.took_s[test] = seconds
            for context in contexts:
                self._tests.setdefault(context, []).append(test)

    def _run_by(self, path: str, lines: range) -> set[str]:
        if path not in self._lines:
            self._lines[path] = self._data.contexts_by_lineno(path)
        contexts = {context for line in lines for context in self._lines[path].get(line, ())}
        return {test for context in contexts for test in self._tests.get(context, ())}

    def _naming(self, name: str) -> set[str]:
        """The tests that run a line of the rules with a name in it, and those of files that name it."""
        found: set[str] = set()
        for path, lines in self._texts.items():
            at = [number for number, line in enumerate(lines, 1) if re.search(rf"\b{name}\b", line)]
            if path.startswith("rules"):
                found |= {test for line in at for test in self._run_by(path, range(line, line + 1))}
            elif at:
                found |= {test for test in self.took_s if test.startswith(f"{path}::")}
        return found

    def tests_of(self, path: str, line: int) -> list[str]:
        """The tests that run a line of a module, those of its own name first, then the fastest.

        A line that runs when its module is loaded is run by who uses the names that it gives a meaning; where
        no test does, and for a function that runs only then, by who uses the module.
        """
        lines, names = _statement(path, line)
        found = {test for name in names for test in self._naming(name)} or self._run_by(path, lines)
        found = found or self._naming(Path(path).stem)
        own = f"test_{Path(path).stem}.py::"
        return sorted(found, key=lambda test: (f"/{own}" not in test, self.took_s[test], test))

    def rest_of_files(self, tests: list[str]) -> list[str]:
        """The other tests of the same files: what one of them worked out may be kept for the next."""
        files, named = {test.split("::")[0] for test in tests}, set(tests)
        rest = [test for test in self.took_s if test.split("::")[0] in files and test not in named]
        return sorted(rest, key=lambda test: (self.took_s[test], test))


def _statement(path: str, line: int) -> tuple[range, set[str]]:
    """The lines of the statement at a line without its body, and what it names if it is run at loading."""
    way: list[ast.stmt] = []
    for node in ast.walk(ast.parse((ROOT / path).read_text())):
        if isinstance(node, ast.stmt) and node.lineno <= line <= (node.end_lineno or 0):
            way.append(node)
    inner = way[-1]
    body = getattr(inner, "body", None)
    end = max(body[0].lineno, inner.lineno + 1) if body else (inner.end_lineno or 0) + 1
    if any(isinstance(node, ast.FunctionDef) for node in way[:-1]):
        return range(inner.lineno, end), set()
    stored = [node for node in ast.walk(inner) if isinstance(getattr(node, "ctx", None), ast.Store)]
    names = {getattr(node, "id", "") for node in stored} | {getattr(node, "name", "") for node in way}
    return range(0), names - {""} or {Path(path).stem}
