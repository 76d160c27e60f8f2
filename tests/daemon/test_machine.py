"""What a machine says of itself, from files as the kernel of a Pi writes them (by its documentation)."""

import pytest

from daemon.machine import HOT, LOW_SUPPLY, SHORT_OF_MEMORY, WORN, machine_readings

GOOD = {
    "sys/devices/platform/soc/soc:firmware/get_throttled": "0\n",
    "sys/class/thermal/thermal_zone0/temp": "54321\n",
    "proc/meminfo": "MemTotal: 948000 kB\nMemFree: 90000 kB\nMemAvailable: 512000 kB\n",
    "sys/block/mmcblk0/device/life_time": "0x02 0x01\n",
}


def machine(root, **other):
    for name, text in GOOD.items():
        file = root / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(other.get(file.name, text))
    return {reading.kind: reading for reading in machine_readings(root)}


def test_a_pi_that_is_well(tmp_path):
    found = machine(tmp_path)
    assert {kind: its.value for kind, its in found.items()} == {
        LOW_SUPPLY: 0,
        HOT: 54.3,
        SHORT_OF_MEMORY: 524,  # 512000 times 1024 bytes, as proc_meminfo(5) counts, in MB
        WORN: 20,
    }
    assert all(its.is_well for its in found.values())


@pytest.mark.parametrize(
    ("file", "text", "kind"),
    [
        ("get_throttled", "1\n", LOW_SUPPLY),
        ("get_throttled", "50000\n", LOW_SUPPLY),  # it was too low, and is not now
        ("temp", "80100\n", HOT),
        ("meminfo", "MemAvailable: 60000 kB\n", SHORT_OF_MEMORY),
        ("life_time", "0x03 0x09\n", WORN),
    ],
)
def test_what_is_beyond_its_limit_is_not_well_and_says_what_to_do(tmp_path, file, text, kind):
    found = machine(tmp_path, **{file: text})
    assert [its.kind for its in found.values() if not its.is_well] == [kind]
    assert found[kind].what_to_do in str(found[kind])


def test_the_driver_of_newer_kernels_tells_of_the_supply_too(tmp_path):
    folder = tmp_path / "sys/class/hwmon/hwmon1"
    folder.mkdir(parents=True)
    (folder / "name").write_text("rpi_volt\n")
    (folder / "in0_lcrit_alarm").write_text("1\n")
    assert [its.is_well for its in machine_readings(tmp_path)] == [False]


@pytest.mark.parametrize("text", ["", "unknown", "0xZZ 1"])
def test_what_says_nothing_is_no_reading(tmp_path, text):
    assert machine(tmp_path, get_throttled=text, temp=text, meminfo=text, life_time=text) == {}


def test_a_machine_that_is_no_pi_has_no_reading_of_its_supply(tmp_path):
    assert machine_readings(tmp_path) == []
