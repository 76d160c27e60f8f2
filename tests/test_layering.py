"""The arrows between rooms and floors, what a room may take from outside, and how long things may be.

The arrows are contracts of import-linter, in pyproject.toml; what they cannot say stands here.
"""

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from importlinter.cli import lint_imports

from tests.rigs.places import ROOT

ROOMS = ("rules", "drivers", "daemon", "simulator")
MODULES = [path for room in ROOMS for path in sorted((ROOT / room).rglob("*.py"))]

MODULE_LINES_MAX, MODULE_LINES_MEDIAN = 400, 150
FUNCTION_LINES_MAX, FUNCTION_LINES_P90 = 40, 25
FOLDER_MODULES_MAX = 15

PURE_STANDARD_LIBRARY = {
    *("abc", "bisect", "collections", "copy", "dataclasses", "datetime", "difflib", "enum", "fractions"),
    *(
        "functools",
        "hashlib",
        "heapq",
        "itertools",
        "math",
        "operator",
        "re",
        "statistics",
        "types",
        "typing",
        "zoneinfo",
    ),
}
MAY_IMPORT = {
    "rules": {*ROOMS, "numpy", *PURE_STANDARD_LIBRARY},
    "drivers": {*ROOMS, "serial", "paho", "regex", *sys.stdlib_module_names},
    "simulator": {*ROOMS, "numpy", "gsw", "paho", *sys.stdlib_module_names},
}
CLOCKS_FILES_AND_CHANCE = {
    *("open", "print", "input", "now", "utcnow", "today", "random", "default_rng", "exec", "eval"),
    *("load", "save", "loadtxt", "savetxt", "fromfile", "tofile", "memmap", "genfromtxt"),
}


def imported(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Give line and full name of every module that is imported, also inside functions."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, name.name) for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.lineno, "." * node.level + (node.module or "")


def forbidden_imports(room: str, tree: ast.Module) -> list[str]:
    """Return each import from outside that a room must not have; arrows between rooms are contracts."""
    allowed = MAY_IMPORT.get(room)
    return [
        f"{line}: {room} must not import {name}"
        for line, name in imported(tree)
        if allowed is not None and name.split(".")[0] not in allowed
    ]


def impure_calls(tree: ast.Module) -> list[str]:
    """Return each call by which a module of the rules would read a clock, a file or chance."""
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    named = [
        (call.lineno, func.id if isinstance(func, ast.Name) else func.attr, ast.unparse(func))
        for call in calls
        if isinstance(func := call.func, ast.Name | ast.Attribute)
    ]
    return [
        f"{line}: the rules must not call {text}"
        for line, name, text in named
        if name in CLOCKS_FILES_AND_CHANCE or text.startswith(("np.random.", "numpy.random."))
    ]


def faults_in(room: str, source: str) -> list[str]:
    """Return what a module of a room must not contain, one line each."""
    tree = ast.parse(source)
    return forbidden_imports(room, tree) + (impure_calls(tree) if room == "rules" else [])


def test_the_arrows_keep_to_the_contracts(capsys: pytest.CaptureFixture[str]) -> None:
    assert lint_imports(config_filename=str(ROOT / "pyproject.toml")) == 0, capsys.readouterr().out


def test_a_folder_is_no_crowd_and_says_what_lives_there() -> None:
    folders = {path.parent for path in MODULES}
    crowded = {
        str(folder.relative_to(ROOT)): count
        for folder in folders
        if (count := sum(path.name != "__init__.py" for path in folder.glob("*.py"))) > FOLDER_MODULES_MAX
    }
    assert crowded == {}
    silent = [
        str(folder.relative_to(ROOT))
        for folder in folders
        if len((ast.get_docstring(ast.parse((folder / "__init__.py").read_text())) or "").split("\n\n")) != 2
    ]
    assert silent == [], "a folder's docstring says what lives there, and what may not"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_module_imports_only_what_its_room_may(path: Path) -> None:
    assert faults_in(path.relative_to(ROOT).parts[0], path.read_text()) == []


def test_only_the_demonstration_starts_the_simulator() -> None:
    naming = {
        path.relative_to(ROOT).as_posix()
        for path in MODULES
        if path.is_relative_to(ROOT / "daemon")
        and any(
            isinstance(node, ast.Constant) and node.value == "simulator"
            for node in ast.walk(ast.parse(path.read_text()))
        )
    }
    assert naming == {"daemon/commands/install/demo.py"}


@pytest.mark.parametrize(
    ("room", "source"),
    [
        ("rules", "import socket"),
        ("rules", "def f():\n    from pathlib import Path"),
        ("rules", "import time"),
        ("rules", "from . import engine"),
        ("rules", "now_ms = datetime.now()"),
        ("rules", "with open('x') as file: pass"),
        ("rules", "noise = np.random.normal(0, 1)"),
        ("drivers", "import numpy"),
    ],
)
def test_the_check_sees_what_must_not_be(room: str, source: str) -> None:
    assert len(faults_in(room, source)) == 1


def functions_of(path: Path) -> Iterator[tuple[int, str]]:
    """Give the lines of each function, its docstring too, and where it stands."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node.end_lineno - node.lineno + 1, f"{path.relative_to(ROOT)}:{node.lineno} {node.name}"


def test_modules_are_short() -> None:
    lengths = {path: len(path.read_text().splitlines()) for path in MODULES}
    too_long = {str(p.relative_to(ROOT)): n for p, n in lengths.items() if n > MODULE_LINES_MAX}
    assert too_long == {}
    assert sorted(lengths.values())[len(lengths) // 2] <= MODULE_LINES_MEDIAN


def test_functions_are_short() -> None:
    lengths = sorted(entry for path in MODULES for entry in functions_of(path))
    assert [entry for entry in lengths if entry[0] > FUNCTION_LINES_MAX] == []
    assert lengths[len(lengths) * 9 // 10][0] <= FUNCTION_LINES_P90


def test_every_function_is_typed() -> None:
    bare = [
        f"{path.relative_to(ROOT)}:{node.lineno} {node.name}"
        for path in MODULES
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and (node.returns is None or any(a.annotation is None for a in arguments_of(node)))
    ]
    assert bare == []


def arguments_of(node: ast.FunctionDef | ast.AsyncFunctionDef) -> list[ast.arg]:
    """Return the arguments of a function that must be typed (self and cls need not be)."""
    every = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    return [argument for argument in every if argument.arg not in {"self", "cls"}]
