"""Commands that anybody could send are pointed out."""

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
