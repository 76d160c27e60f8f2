"""The documents say what the code does; where they do not, the missing line is named."""

import re
import tomllib
from itertools import pairwise
from pathlib import Path

import pytest

from tests.rigs.developer_tables import REFERENCE, TABLES, letters_of_states, rewritten, rows_written
from tests.rigs.places import ROOT

DEVELOPERS = ROOT / "DEVELOPERS.md"
README = ROOT / "README.md"
DOCUMENTS = [README, DEVELOPERS, *sorted((ROOT / "deploy").glob("*.md"))]
ANEW = "`python -m tests.rigs.developer_tables` draws the tables of deploy/reference.md anew"


def differences(name: str, rows: list[str], written: list[str] | None) -> list[str]:
    """Return what a table of the reference lacks or has too much, one line each."""
    if written is None:
        return [f"deploy/reference.md has no table between <!-- {name} --> and <!-- end of {name} -->"]
    missing = [f"missing: {row}" for row in rows if row not in written]
    stale = [f"no longer true: {row}" for row in written if row not in rows]
    order = ["the order differs from the code's"] if not missing + stale and rows != written else []
    return missing + stale + order


@pytest.mark.parametrize("name", TABLES)
def test_a_table_of_the_reference_agrees_with_the_code(name: str) -> None:
    rows = list(TABLES[name]())
    assert len(rows) > 1
    assert differences(name, rows, rows_written(REFERENCE.read_text(), name)) == [], ANEW


def test_a_missing_line_is_named() -> None:
    text = REFERENCE.read_text()
    rows = list(TABLES["transitions"]())
    broken = text.replace("| raised | B |", "| raised | C |")
    assert differences("transitions", rows, rows_written(broken, "transitions")) == [
        f"missing: {rows[0]}",
        f"no longer true: {rows[0].replace('| raised | B |', '| raised | C |')}",
    ]
    assert rewritten(broken) == rewritten(text)
    assert differences("transitions", rows, rows_written("", "transitions")) != []


def test_the_letters_of_the_states_are_explained() -> None:
    assert letters_of_states() in " ".join(REFERENCE.read_text().split())


def test_the_readme_tells_every_command() -> None:
    told = set(re.findall(r"bellwatch ([a-z][a-z-]+)", README.read_text()))
    commands = {row.split("`")[1].removeprefix("bellwatch ") for row in TABLES["commands"]()}
    assert {f"bellwatch {name}" for name in commands - told} == set(), "README.md does not tell these"


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_document_names_only_what_exists(document: Path) -> None:
    text = document.read_text()
    commands = {row.split("`")[1].removeprefix("bellwatch ") for row in TABLES["commands"]()}
    named = set(re.findall(r"(?:^ +|`|sudo -u bellwatch )bellwatch ([a-z][a-z-]+)", text, re.MULTILINE))
    assert named - commands == set(), "no such command"
    paths = re.findall(r"`((?:rules|drivers|daemon|simulator|deploy|tests)/[\w./-]+\.\w+)`", text)
    paths += [path for path in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in path]
    places = (ROOT, document.parent)
    assert [path for path in paths if not any((place / path).exists() for place in places)] == []


def test_every_extra_says_what_it_is_for() -> None:
    lines = (ROOT / "pyproject.toml").read_text().splitlines()
    extras = tomllib.loads("\n".join(lines))["project"]["optional-dependencies"]
    explained = {line.split(" = ")[0] for above, line in pairwise(lines) if above.startswith("# ")}
    assert set(extras) - explained == {"test"}


def test_the_guide_is_short() -> None:
    assert len(DEVELOPERS.read_text().splitlines()) < 250


def test_the_two_commands_stand_at_the_top_of_the_readme() -> None:
    top = README.read_text()[:2500]
    assert "sh deploy/try.sh" in top
    assert "sh deploy/test.sh" in top
