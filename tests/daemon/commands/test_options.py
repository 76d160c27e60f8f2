"""What a request needs of the settings file, and which words it gives where that is missing."""

import argparse

import pytest

from daemon.check.load import load_settings
from daemon.commands.options import duration_s, journal_path
from daemon.errors import SettingsError
from tests.rigs.places import EXAMPLE

RACK = '[rack]\nname = "bench"\ntime_zone = "UTC"\n'


@pytest.fixture
def written(tmp_path):
    """Write a settings file of this text and give its path."""

    def write(text):
        path = tmp_path / "bellwatch.toml"
        path.write_text(text)
        return path

    return write


def test_it_is_the_path_that_the_checked_settings_hold(written):
    assert journal_path(EXAMPLE) == load_settings(EXAMPLE).journal.path


@pytest.mark.parametrize(
    ("variable", "value"),
    [
        ("BELLWATCH_JOURNAL__PATH", "/elsewhere/journal.sqlite"),
        ("bellwatch_journal__path", "/elsewhere/journal.sqlite"),
        ("BELLWATCH_JOURNAL", '{ path = "/elsewhere/journal.sqlite" }'),
    ],
)
def test_the_environment_goes_over_it(monkeypatch, variable, value):
    monkeypatch.setenv(variable, value)
    assert str(load_settings(EXAMPLE).journal.path) == "/elsewhere/journal.sqlite"
    assert journal_path(EXAMPLE) == load_settings(EXAMPLE).journal.path


@pytest.mark.parametrize(
    "journal",
    [
        "",
        "journal = 3",
        "[journal]",
        '[journal]\npath = ""',
        "[journal]\npath = 3",
        '[journal]\npath = "\\u0007"',
    ],
)
def test_a_path_that_is_none_is_told_as_by_every_other_command(written, journal):
    settings = written(f"{journal}\n{RACK}")
    with pytest.raises(SettingsError) as told:
        journal_path(settings)
    with pytest.raises(SettingsError) as of_all:
        load_settings(settings)
    assert str(told.value) == str(of_all.value)
    assert "journal" in str(told.value)


def test_a_fault_elsewhere_in_the_file_keeps_nobody_from_acknowledging(written):
    """The watch runs by the settings with which it began; a slip in the file since then is not its fault."""
    settings = written(f'{RACK}[journal]\npath = "/j.sqlite"\n[probes.k1]\nbus = "none"\n')
    with pytest.raises(SettingsError):
        load_settings(settings)
    assert str(journal_path(settings)) == "/j.sqlite"


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("90s", 90), ("1.5m", 90), ("2h", 7_200), ("8d", 691_200), ("30min", 1_800), ("1h30m", 5_400)],
)
def test_a_length_of_time(text, seconds):
    assert duration_s(text) == seconds


@pytest.mark.parametrize("text", ["h", "-2h", "2 h", "1e3s", "2w"])
def test_what_is_no_length_of_time(text):
    with pytest.raises(argparse.ArgumentTypeError, match="expected a number and s, m, h or d, such as 90m"):
        duration_s(text)


def test_a_number_without_unit_is_asked_back_with_what_to_type():
    with pytest.raises(
        argparse.ArgumentTypeError, match="found 2; expected its unit: 2h are hours, 2m minutes"
    ):
        duration_s("2")
