"""The package as it is installed: everything of the rooms is in it, nothing else, and it needs no tree."""

import email
import os
import shutil
import subprocess
import sys
import tomllib
import zipfile
from functools import partial

import pytest

from tests.rigs.places import EXAMPLE, ROOT

ROOMS = ("daemon", "drivers", "rules", "simulator")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
INDEX_AND_NIGHT_S = 600


def built(tree, folder):
    """Build the wheel of a tree as `pip install` does, and give its path."""
    command = [sys.executable, "-m", "hatchling", "build", "--target", "wheel", "--directory", str(folder)]
    subprocess.run(command, cwd=tree, check=True, capture_output=True)
    (wheel,) = folder.glob("*.whl")
    return wheel


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    return built(ROOT, tmp_path_factory.mktemp("wheel"))


def in_the_tree(tree):
    """Every file of the rooms but what Python compiled."""
    files = [path for room in ROOMS for path in (tree / room).rglob("*") if path.is_file()]
    return {path.relative_to(tree).as_posix() for path in files if "__pycache__" not in path.parts}


def in_the_wheel(wheel):
    return {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}


def test_the_wheel_holds_the_rooms_and_nothing_else(wheel):
    files = in_the_wheel(wheel)
    assert files == in_the_tree(ROOT)
    assert {"daemon/report/templates/page.html", "daemon/commands/install/demo_settings.toml"} <= files


def test_a_new_folder_gets_in_and_what_was_built_before_does_not(tmp_path):
    tree = tmp_path / "tree"
    tree.mkdir()
    for room in ROOMS:
        (tree / room).mkdir()
        (tree / room / "__init__.py").touch()
    for name in ("pyproject.toml", "README.md", "LICENSE", "NOTICE", ".gitignore"):
        shutil.copy(ROOT / name, tree)
    new = ["daemon/web/__init__.py", "daemon/web/templates/page.jinja", "daemon/web/static/band.svg"]
    for name in [*new, "build/lib/daemon/stale.py", "daemon/__pycache__/stale.pyc"]:
        (tree / name).parent.mkdir(parents=True, exist_ok=True)
        (tree / name).touch()
    files = in_the_wheel(built(tree, tmp_path / "wheel"))
    assert files == {*new, *(f"{room}/__init__.py" for room in ROOMS)}


def test_it_says_whose_it_is_and_under_which_licence(wheel):
    with zipfile.ZipFile(wheel) as files:
        (info,) = {name.split("/")[0] for name in files.namelist() if ".dist-info/" in name}
        said = email.message_from_bytes(files.read(f"{info}/METADATA"))
        assert files.read(f"{info}/licenses/LICENSE") == (ROOT / "LICENSE").read_bytes()
        assert files.read(f"{info}/licenses/NOTICE") == (ROOT / "NOTICE").read_bytes()
    assert (said["Version"], said["License-Expression"]) == (PROJECT["version"], "MIT")


def run(folder, *command, **environment):
    """Run a program in a folder, with no setting of this test's own environment."""
    own = {key: value for key, value in os.environ.items() if not key.startswith(("BELLWATCH_", "PYTHON"))}
    return subprocess.run(
        command, check=False, capture_output=True, text=True, timeout=INDEX_AND_NIGHT_S, cwd=folder,
        env=own | environment,
    )  # fmt: skip


def test_it_runs_outside_the_tree(wheel, tmp_path):
    with zipfile.ZipFile(wheel) as files:
        files.extractall(tmp_path)
    python = partial(run, tmp_path, sys.executable, PYTHONPATH=str(tmp_path))
    where = python("-c", "import daemon; print(daemon.__file__)")
    assert where.stdout.strip() == str(tmp_path / "daemon" / "__init__.py")
    bellwatch = partial(python, "-m", "daemon")
    assert bellwatch("--version").stdout == f"bellwatch {PROJECT['version']}\n"
    assert bellwatch("--help").stdout.startswith("usage: bellwatch")
    checked = bellwatch("check", str(EXAMPLE))
    assert (checked.returncode, checked.stderr) == (0, "")
    assert "OK: " in checked.stdout


def test_a_checkout_that_nobody_has_installed_knows_its_version():
    said = run(ROOT, sys.executable, "-S", "-m", "daemon", "--version")  # -S: nothing installed is found
    assert (said.stdout, said.stderr) == (f"bellwatch {PROJECT['version']}\n", "")


@pytest.mark.long
@pytest.mark.timeout(INDEX_AND_NIGHT_S * 2)
def test_installed_into_a_bare_environment_it_shows_the_whole_night(wheel, tmp_path):
    """What it needs comes from the package index; without mosquitto the demo brings a broker of its own."""
    assert run(tmp_path, sys.executable, "-m", "venv", "bare").returncode == 0
    program = tmp_path / "bare" / "bin"
    extras = "completion,simulator" if shutil.which("mosquitto") else "broker,completion,simulator"
    installed = run(tmp_path, program / "python", "-m", "pip", "install", "--quiet", f"{wheel}[{extras}]")
    assert installed.returncode == 0, installed.stderr
    bellwatch = partial(run, tmp_path, program / "bellwatch")
    assert bellwatch("--version").stdout == f"bellwatch {PROJECT['version']}\n"
    assert bellwatch("--help").returncode == 0
    assert bellwatch("check", EXAMPLE).returncode == 0
    parser = "daemon.commands.cli.bellwatch_parser"
    completion = run(tmp_path, program / "shtab", "--shell=bash", "--error-unimportable", parser)
    assert "out-of-service" in completion.stdout, completion.stderr
    night = bellwatch("demo")
    assert night.returncode == 0, night.stdout + night.stderr
    assert "The night went as it should." in night.stdout
