"""A file is replaced whole or not at all."""

import pytest

from daemon.files import replacing, sync


def test_the_new_file_takes_the_place_of_the_old_one_when_it_is_whole(tmp_path):
    path = tmp_path / "limits.toml"
    path.write_text("old")
    with replacing(path, ".new") as file:
        file.write("°C, new")
        assert path.read_text() == "old"
    assert path.read_text(encoding="utf-8") == "°C, new"
    assert [found.name for found in tmp_path.iterdir()] == ["limits.toml"]


def test_what_breaks_off_leaves_the_old_one(tmp_path):
    path = tmp_path / "limits.toml"
    path.write_text("old")

    def break_off():
        with replacing(path, ".new") as file:
            file.write("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        break_off()
    assert path.read_text() == "old"


def test_files_and_folders_can_be_seen_onto_the_disk_and_what_is_not_there_cannot(tmp_path):
    (tmp_path / "here").write_text("x")
    sync(tmp_path / "here")
    sync(tmp_path)
    with pytest.raises(FileNotFoundError):
        sync(tmp_path / "gone")
