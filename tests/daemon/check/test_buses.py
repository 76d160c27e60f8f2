"""Commands that anybody could send are pointed out, and a time-out that costs others their turn."""

import tomllib

import pytest

from daemon.check.check import findings_in
from tests.rigs.places import EXAMPLE


@pytest.mark.parametrize(
    ("commands", "user", "words"),
    [
        ({"enabled": False}, None, []),
        ({"enabled": True}, "rack", []),
        ({"enabled": True}, None, ["anybody there may silence alarms"]),
        ({"enabled": True, "kinds": []}, "rack", ["or enabled = false"]),
        (
            {"enabled": True, "kinds": ["acknowledge", "configure"]},
            "rack",
            ['commands.kinds[1]: found "configure"'],
        ),
        ({"enbled": True}, "rack", ['a key of this table, perhaps "enabled"']),
    ],
)
def test_what_is_said_of_commands(commands, user, words):
    values = tomllib.loads(EXAMPLE.read_text())
    values["commands"] = commands
    if user is not None:
        values["broker"]["username"] = user
    about = [str(finding) for finding in findings_in(values) if finding.path.startswith("commands")]
    assert len(about) == len(words)
    assert all(word in line for word, line in zip(words, about, strict=True)), about


@pytest.mark.parametrize(
    ("timeout_ms", "every_s", "said"),
    [(1000, 30, ""), (10_000, 10, ""), (10_000, 9, "9000 or less, every_s of probes.k2-multi")],
)
def test_a_time_out_longer_than_others_wait_for_their_turn_is_pointed_out(timeout_ms, every_s, said):
    values = tomllib.loads(EXAMPLE.read_text())
    (bus, _), *_ = values["buses"].items()
    values["buses"][bus]["timeout_ms"] = timeout_ms
    first, second = [name for name, probe in values["probes"].items() if probe["bus"] == bus][:2]
    values["probes"][second]["every_s"] = every_s
    values["probes"] = {first: values["probes"][first], "k2-multi": values["probes"][second]}
    about = [str(it) for it in findings_in(values) if it.path == f"buses.{bus}.timeout_ms"]
    assert len(about) == bool(said)
    assert all(said in line for line in about), about
