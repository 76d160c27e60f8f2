"""The units as shipped in a booted system: every state that a Pi may be in, and a restart in each."""

import re

import pytest

from tests.rigs.booted import boot

EXPOSURE_AT_MOST = {"bellwatch": 2.5, "bellwatch-oncall": 2.5, "bellwatch-page": 2.5}


@pytest.mark.long
@pytest.mark.timeout(600)
def test_the_units_start_and_go_on_in_every_state(tmp_path):
    seen = boot(tmp_path)
    print("\n".join(f"{what}: {words}" for what, words in seen.items()))
    assert seen["synchronised at first"] == "no", "the clock of a container is never under a time service"
    assert seen["network"] == "lo "
    sound = "0 active reads yes"
    assert [seen[state] for state in ("unsynchronised start", "unsynchronised restart")] == [sound, sound]
    assert int(seen["unsynchronised logged"]) >= 1
    assert seen["oncall start"] == "0 active"
    assert seen["page start"] == "active served 200"
    assert int(seen["synchronised logged"]) == 1
    assert seen["synchronised restart"] == sound
    assert (seen["broker absent"], seen["broker absent restart"]) == ("active reads yes", sound)
    assert re.fullmatch("active connected [1-9]", seen["broker back"])
    assert seen["unplugged"] == "active"
    assert seen["plugged again"] == "active reads yes restarts 0"
    assert seen["unplugged restart"] == "0 active"
    assert seen["plugged after restart"] == "active reads yes"
    assert seen["disk full"].startswith("active said ")
    assert seen["disk full"] != "active said 0"
    assert seen["disk full restart"] == "active"
    assert seen["room again"] == "reads yes active"
    assert seen["watchdog"] == "restarts 1 active reads yes"
    assert seen["stop"] == "0 success"
    for unit, at_most in EXPOSURE_AT_MOST.items():
        assert float(seen[f"exposure {unit}"]) <= at_most
    assert seen["end"] == "yes"
