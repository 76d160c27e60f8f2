"""From a bundle, without a network, into booted Debian roots: the whole way, by the words of the text."""

import os
import re
import shutil

import pytest

from tests.rigs.daemon_run import write_settings
from tests.rigs.installed import Machine, bundle, needs_roots, other_bundle, roots

pytestmark = [pytest.mark.long, pytest.mark.timeout(3600)]
FITS = "daemon/commands/install/fits.py"
RUN = "daemon/commands/install/run.py"
SCHEMA = "daemon/journal/schema.py"
DEAD = "def _run(options: argparse.Namespace) -> int:\n    raise SystemExit(7)\n"
MORE = """\
[stages.bench-2]
based_on = "bench"
[backup]
folder = "/mnt/backup"
"""


@pytest.fixture(scope="module")
def bundles(tmp_path_factory):
    """The bundle of this checkout, and later ones: it forgets, does not fit, is dead, has another layout."""
    if "BELLWATCH_ARM64_ROOT" not in os.environ:
        needs_roots()
    folder = tmp_path_factory.mktemp("bundles")
    first = shutil.copy(bundle(folder), folder / "bellwatch-1.tar.gz")
    forgets = [
        ("rules/engine.py", "SNAPSHOT_VERSION = ", "SNAPSHOT_VERSION = 1000 + "),
        ("rules/__init__.py", "RULES_VERSION = ", "RULES_VERSION = 1000 + "),
    ]
    other_bundle(first, folder / "bellwatch-2.tar.gz", "90.2.0", forgets, gone=["simulator/__main__.py"])
    unfit = [(FITS, "    settings = load", "    raise JournalError('unfit, invented')\n    settings = load")]
    other_bundle(first, folder / "bellwatch-3.tar.gz", "90.3.0", unfit)
    dead = [(RUN, "def _run(options: argparse.Namespace) -> int:\n", DEAD)]
    other_bundle(first, folder / "bellwatch-4.tar.gz", "90.4.0", dead)
    layout = [
        (SCHEMA, "SCHEMA_VERSION = 3", "SCHEMA_VERSION = 4"),
        (SCHEMA, "_STEPS = {", '_STEPS = {\n    3: "CREATE TABLE invented (one INTEGER)",'),
    ]
    other_bundle(first, folder / "bellwatch-5.tar.gz", "90.5.0", layout)
    return folder


def prepare(machine, bundles):
    """Lay bundles and the settings of a rack with one probe where the machine finds them."""
    for file in bundles.glob("bellwatch-?.tar.gz"):
        (machine.rig / file.name).hardlink_to(file)
    path = write_settings(machine.rig, "/run/rack/serial", 1883, silent_after_s=20, every_s=1, more=MORE)
    text = path.read_text().replace(f"{machine.rig}/journal", "/var/lib/bellwatch/journal")
    login = 'username = "bellwatch"\npassword_file = "/etc/bellwatch/broker-password"\nheartbeat_s = 1'
    text = text.replace("heartbeat_s = 1", login).replace("advisory_high_c = 20", "advisory_high_c = 14")
    path.write_text(text)


@pytest.fixture(params=[pytest.param(it, id=it.name) for it in roots()] or ["none"])
def machine(request, tmp_path, bundles):
    needs_roots()
    machine = Machine(request.param, tmp_path)
    prepare(machine, bundles)
    yield machine
    shutil.rmtree(machine.root)


def words(machine, name):
    return (machine.out / name).read_text()


def test_the_whole_way_from_a_bundle_to_an_uninstalled_rack(machine):
    seen = machine.boot("install.sh")
    print("\n".join(f"{what}: {words}" for what, words in seen.items()))
    assert seen["network"] == "lo ", "it has no network"
    assert seen["offline"].startswith("1 ")
    assert "no network, and no bundle" in words(machine, "offline")
    assert {name for name in ("unpack", "install", "again", "user", "start", "check", "upgrade", "rollback")
            if not seen[name].startswith("0 ")} == set()  # fmt: skip
    assert sum(int(re.search("after ([0-9]+) s", seen[it])[1]) for it in ("unpack", "install")) < 600
    assert [it for it in words(machine, "again").splitlines() if not re.search("done|^  [0-9]", it)] == []
    assert seen["example"].startswith("OK: ")
    assert re.fullmatch("0 heard [1-9][0-9]*", seen["wireless"])
    assert re.fullmatch(r"active reads yes bellwatch \d+\.\d+\.\d+", seen["watched"])
    here = seen["watched"].split()[-1]
    assert seen["alarm"].startswith("k1/temperature/high=unacknowledged")
    acknowledged = "k1/temperature/high=acknowledged"
    assert seen["acknowledged"].startswith(acknowledged)
    assert seen["bounds"] == f"log 200 page {400 * 2**20} watch -500 hardware 14s"
    assert seen["upgraded"] == f"active reads yes bellwatch 90.2.0 alarms {acknowledged}"
    told = words(machine, "upgrade")
    assert "not carried: what was learned of k1/temperature" in told
    assert re.search("carried: ([1-9]) of \\1 standing alarms, 1 ramps", told)
    assert seen["gone"] == "0"
    assert seen["rolled back"] == f"active reads yes bellwatch {here} alarms {acknowledged}"
    assert seen["unfit"].startswith("1 ")
    assert "unfit, invented" in words(machine, "unfit")
    assert seen["after unfit"] == f"active bellwatch {here} same process yes"
    assert seen["dead"].startswith("1 ")
    assert seen["after dead"] == f"active reads yes bellwatch {here}"
    assert "layout 3 becomes 4" in words(machine, "layout")
    assert seen["after layout"] == seen["after refused"] == "active reads yes bellwatch 90.5.0"
    assert seen["refused"].startswith("1 ")
    assert "layout 4, of a newer bellwatch; this one reads 3" in words(machine, "refused")
    assert seen["back"].startswith("0 ")
    assert seen["after back"] == f"active reads yes bellwatch {here}"
    assert seen["cut"].startswith("1 ")
    assert "is no bundle, or only part of one" in words(machine, "cut")
    assert (seen["uninstalled"], seen["kept"]) == ("1 ", "root 700 2")
    assert seen["oncall"].startswith("0 ")
    assert seen["calls"] == "active connected yes"
    assert seen["goes on"] == "active reads yes beyond yes"
    assert seen["end"] == "yes"


def test_the_text_alone_word_by_word(machine):
    """But for what one writes into the settings file, and the stick that one mounts."""
    seen = machine.boot("by_the_text.sh")
    print("\n".join(f"{what}: {words}" for what, words in seen.items()))
    lines = {what: words for what, words in seen.items() if what.split()[0].isdigit()}
    assert len(lines) == 15, "so many lines are typed in the text"
    went_well = {what for what, words in lines.items() if words.startswith("0 ")}
    failed = [it.split()[-1] for it in set(lines) - went_well if "journalctl" not in it]
    assert failed in ([], ["status"]), "the rig's water is out soon: it may be before that is asked, or after"
    assert seen["watched"].startswith("active reads yes after ")
    assert int(seen["watched"].split()[-2]) < 20 * 60
    assert (seen["backup"], seen["after"], seen["end"]) == ("1", "active reads yes", "yes")


def test_a_card_that_dies_and_a_root_that_is_only_read(machine, tmp_path):
    seen = machine.boot("card.sh")
    print("\n".join(f"{what}: {words}" for what, words in seen.items()))
    assert "no such folder" in seen["no stick"] or "own disk" in seen["no stick"]
    assert "the backup failed: /mnt/backup is on the journal's own" in words(machine, "status")
    assert seen["backup"].startswith("0 ")
    assert seen["before"].startswith("k1/temperature/high=acknowledged ")
    other = Machine(machine.source, tmp_path / "other")
    try:
        (other.rig / "bellwatch-1.tar.gz").hardlink_to(machine.rig / "bellwatch-1.tar.gz")
        shutil.copytree(machine.out / "stick", other.rig / "stick")
        new = other.boot("new_card.sh")
        print("\n".join(f"{what}: {words}" for what, words in new.items()))
        assert {
            it for it in ("install", "restore", "check", "start") if not new[it].startswith("0 ")
        } == set()
        assert new["after"] == seen["before"]
        assert new["run"] != seen["run"]
        assert new["login"] == "yes"
        assert new["watched"].startswith("active reads yes k1/temperature/high=acknowledged")
        assert "restored from journal" in new["said"]
        # Written by somebody else than the watch: what stays, on a disk of its own.
        stays = tmp_path / "stays"
        shutil.move(other.root / "var" / "lib" / "bellwatch", stays)
        (other.root / "var" / "lib" / "bellwatch").mkdir()
        only_read = ("--volatile=overlay", f"--bind={stays}:/var/lib/bellwatch")
        first, second = (other.boot("read_only.sh", *only_read) for _ in range(2))
        assert (first["watched"], second["watched"]) == ("active reads yes", "active reads yes")
        assert first["credentials"] == "connected yes of root 600"
        assert int(second["at start"]) >= int(first["at end"]) > int(first["at start"]) > 0
        assert second["alarms"].startswith("k1/temperature/high=acknowledged")
    finally:
        shutil.rmtree(other.root)


def test_on_the_pis_kind_of_machine_under_emulation(bundles, tmp_path):
    """BELLWATCH_ARM64_ROOT: as the others, by `debootstrap --foreign --arch=arm64 --include=python3`."""
    root, qemu = os.environ.get("BELLWATCH_ARM64_ROOT"), shutil.which("qemu-aarch64-static")
    if not root or qemu is None:
        pytest.skip("BELLWATCH_ARM64_ROOT names no root, or there is no qemu-aarch64-static")
    machine = Machine(root, tmp_path)
    try:
        prepare(machine, bundles)
        seen = machine.emulate(qemu)
        print("\n".join(f"{what}: {words}" for what, words in seen.items()))
        assert seen["machine"] == "aarch64 64"
        assert [seen[it][:2] for it in ("unpack", "install", "check")] == ["0 "] * 3
        assert int(seen["readings"]) > 10
        assert seen["alarm"].startswith("k1/temperature/high=unacknowledged")
    finally:
        shutil.rmtree(machine.root)
