"""The settings file as text: whatever it holds, one line, in no more time than a small file takes."""

from pathlib import Path

import pytest

from daemon.errors import SettingsError
from daemon.settings.toml import read_toml
from tests.rigs.places import EXAMPLE


def probes(count):
    return "".join(f'[probes.p{number}]\nbus = "air"\n' for number in range(count))


@pytest.mark.timeout(10)
@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            "[" + ".".join(["a"] * 20_000) + "]\n",
            "line 1: found a key of very many parts; expected at most 8",
        ),
        ("\n" + ".".join(["a"] * 50_000) + " = 1\n", "line 2: found a key of very many parts"),
        (".".join(['"a b"'] * 30_000) + " = 1\n", "line 1: found a key of very many parts"),
        (" . ".join(["'a'"] * 30_000) + " = 1\n", "line 1: found a key of very many parts"),
        ("x = " + "[" * 100_000 + "\n", "text that is not TOML"),
        ("x = " + "[" * 200 + "]" * 200 + "\n", '"x": "0": "0"'),
        (
            "x = " + "{a = " * 200 + "1" + "}" * 200 + "\n",
            "found tables within tables; expected at most 8 levels",
        ),
        (probes(5_000), '"probes": found 5000 keys or values; expected at most 500'),
        (probes(30_000), "found a huge file; expected at most 256 KiB"),
        ("x = " + "9" * 200_000 + "\n", "text that is not TOML"),
        ("a" * 250_000, "text that is not TOML"),
    ],
    ids=range(11),
)
def test_a_monster_is_refused_at_once_in_one_short_line(tmp_path, text, says):
    path = tmp_path / "bellwatch.toml"
    path.write_text(text)
    with pytest.raises(SettingsError) as refused:
        read_toml(path)
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)
    assert len(str(refused.value)) < len(str(path)) + 300


def test_a_file_that_never_ends_is_a_huge_one():
    with pytest.raises(SettingsError, match="/dev/zero: found a huge file"):
        read_toml(Path("/dev/zero"))


def test_a_large_rack_is_within_bounds(tmp_path):
    path = tmp_path / "bellwatch.toml"
    path.write_bytes(b"\xef\xbb\xbf" + (EXAMPLE.read_text() + probes(400)).replace("\n", "\r\n").encode())
    assert len(read_toml(path)["probes"]) > 400
