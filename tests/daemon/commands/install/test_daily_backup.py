"""The daily backup goes to another disk, is opened before it counts, and its failure is noted."""

import tarfile

import pytest

from daemon.commands.cli import main
from daemon.commands.install.backup import copies
from daemon.watch.backup_watch import last_backup
from tests.rigs.bench import Bench, contents, swinging
from tests.rigs.parts.small_disk import needs_mount, small_disk

pytestmark = pytest.mark.usefixtures("quiet_logs")

SETTINGS = """
[rack]
name = "bench"
time_zone = "UTC"
[journal]
path = "{journal}"
[backup]
folder = "{folder}"
keep = 2
{more}
"""


@pytest.fixture
def rack(tmp_path):
    (tmp_path / "data").mkdir()
    bench = Bench(tmp_path / "data")
    bench.take(swinging(100))
    file = tmp_path / "bellwatch.toml"
    file.write_text("invented")
    packed = bench.path.parent / "settings.tar.gz"
    with tarfile.open(packed, "w:gz") as files:
        files.add(file, "etc/bellwatch/bellwatch.toml")
    packed.chmod(0o600)

    def settings(folder, more=""):
        file.write_text(SETTINGS.format(journal=bench.path, folder=folder, more=more))
        return file

    bench.settings_file = settings
    yield bench
    bench.power_cut()


def test_a_folder_that_is_not_there_or_on_the_same_disk_is_refused_and_noted(rack, tmp_path, capsys):
    none = tmp_path / "stick"
    assert main(["backup", "--settings", str(rack.settings_file(none))]) == 2
    assert f"{none}: no such folder; is the card, stick or share mounted?" in capsys.readouterr().err
    assert last_backup(rack.path).failed.startswith(str(none))
    none.mkdir()
    assert main(["backup", "--settings", str(rack.settings_file(none))]) == 2
    assert "is on the journal's own disk" in capsys.readouterr().err
    assert list(none.iterdir()) == []
    assert "own disk" in last_backup(rack.path).failed
    assert main(["backup", "--settings", str(rack.settings_file(none, "same_disk = true"))]) == 0
    assert last_backup(rack.path).failed == ""
    assert last_backup(rack.path).copy == copies(rack.path, none)[0].name


@needs_mount
def test_on_another_disk_it_is_the_journal_with_settings_and_passwords_and_the_oldest_go(rack, tmp_path):
    with small_disk(tmp_path / "stick", 40) as disk:
        file = rack.settings_file(disk.path)
        for day in range(1, 4):
            (disk.path / f"journal-2026010{day}T000000.sqlite").touch()
            (disk.path / f"settings-2026010{day}T000000.tar.gz").touch()
        assert main(["backup", "--settings", str(file)]) == 0
        names = sorted(it.name for it in disk.path.glob("*[0-9].*"))
        assert len(names) == 4
        assert names[0] == "journal-20260103T000000.sqlite"
        copy, packed = copies(rack.path, disk.path)[-1], sorted(disk.path.glob("settings-*"))[-1]
        assert contents(copy) == contents(rack.path)
        assert packed.stat().st_mode & 0o777 == 0o600
        assert packed.read_bytes() == (rack.path.parent / "settings.tar.gz").read_bytes()


@pytest.mark.parametrize("packed", [None, b"", b"cut"])
def test_settings_that_were_not_packed_or_only_in_part_are_no_backup(rack, tmp_path, capsys, packed):
    of_now = rack.path.parent / "settings.tar.gz"
    whole = of_now.read_bytes()
    of_now.unlink()
    if packed is not None:
        of_now.write_bytes(whole[: len(whole) // 2] if packed else b"")
    (tmp_path / "stick").mkdir()
    assert (
        main(["backup", "--settings", str(rack.settings_file(tmp_path / "stick", "same_disk = true"))]) == 2
    )
    assert "settings" in capsys.readouterr().err
    assert last_backup(rack.path).failed
    assert not list((tmp_path / "stick").glob("settings-*.gz"))


@needs_mount
def test_a_disk_without_room_is_told_and_leaves_what_was_there(rack, tmp_path):
    with small_disk(tmp_path / "stick", 5) as disk:
        file = rack.settings_file(disk.path)
        assert main(["backup", "--settings", str(file)]) == 0
        made = last_backup(rack.path)
        disk.fill(4_096)
        assert main(["backup", "--settings", str(file)]) == 2
        assert (last_backup(rack.path).copy, last_backup(rack.path).at_ms) == (made.copy, made.at_ms)
        assert "full" in last_backup(rack.path).failed
        assert copies(rack.path, disk.path)[-1].name == made.copy
        assert not list(disk.path.glob("*.part"))
