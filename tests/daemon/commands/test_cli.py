"""The command line as its users meet it: exit statuses, one clear line for what is wrong, no traceback."""

import fcntl
import os
import pty
import re
import signal
import struct
import subprocess
import sys
import termios
from contextlib import contextmanager

import pytest
import serial

from daemon.commands.cli import main
from daemon.errors import RequestError
from daemon.journal.asking import ask_daemon
from tests.rigs.daemon_run import PATIENCE_S, ROOT, DaemonRun, write_settings
from tests.rigs.journal_file import asked, readings_in
from tests.rigs.loaded_modules import libraries, loaded, ours
from tests.rigs.parts.mosquitto import free_port
from tests.rigs.parts.ordinary_user import needs_root, ordinary_user
from tests.rigs.parts.pty_pair import Peer, PtyLine, answer_frame

TOO_WARM = 22.0
ALARM = "k1/temperature/high"


@pytest.fixture
def settings(tmp_path):
    """A sound settings file whose serial port and broker are not there."""
    return write_settings(tmp_path, tmp_path / "no-such-port", free_port())


@pytest.fixture(scope="module")
def watched(tmp_path_factory):
    """The settings file of a daemon that runs, with one alarm standing that each test may acknowledge."""
    folder = tmp_path_factory.mktemp("watched")
    line = PtyLine(folder / "serial")
    more = "\n[stages.bench.salinity]\nadvisory_low = 30\nadvisory_high = 36\n"
    path = write_settings(folder, line.path, free_port(), more=more)
    with Peer(line, lambda request: answer_frame(request[0], request[1], round(TOO_WARM * 100))):
        daemon = DaemonRun(path)
        try:
            daemon.start()
            daemon.wait_for(lambda: asked(folder / "journal.sqlite", "SELECT 1 FROM event"), "the alarm")
            yield path
            assert daemon.stop() == 0
        finally:
            daemon.end_by_force()
    line.unplug()


def bellwatch(*arguments, **keys):
    """Run the command as a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "daemon", *map(str, arguments)],
        check=False, cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE_S,
        stdin=subprocess.DEVNULL, **keys,
    )  # fmt: skip


def test_loading_numpy_begins_no_threads():
    """Each start would take some hundredths of a second more."""
    program = "import os, sys; from daemon.__main__ import main; sys.argv[1:] = ['status', '--schema']; "
    program += "main(); import numpy; print(len(os.listdir('/proc/self/task')), file=sys.stderr)"
    environment = {name: value for name, value in os.environ.items() if "OPENBLAS" not in name}
    done = subprocess.run(
        [sys.executable, "-c", program],
        check=True, cwd=ROOT, capture_output=True, text=True, timeout=PATIENCE_S, env=environment,
    )  # fmt: skip
    assert done.stderr == "1\n"


def one_line(text):
    assert text.count("\n") == 1, text
    assert text.endswith("\n")
    return text.rstrip("\n")


# What is wrong, in one line


@pytest.mark.parametrize("command", [["run"], ["status"], ["ack", ALARM]])
def test_a_settings_file_that_is_not_there(tmp_path, capsys, command):
    assert main([*command, "--settings", str(tmp_path / "none.toml")]) == 2
    said = one_line(capsys.readouterr().err)
    assert said.startswith(f"{tmp_path}/none.toml: found a file that cannot be read")


@pytest.mark.parametrize("command", [["run"], ["status"], ["ack", ALARM]])
def test_a_settings_file_that_is_no_toml(tmp_path, capsys, command):
    path = tmp_path / "broken.toml"
    path.write_text("[rack]\nname = north rack\n")
    assert main([*command, "--settings", str(path)]) == 2
    said = one_line(capsys.readouterr().err)
    assert re.match(rf"{re.escape(str(path))}: line 2, column 8: found text that is not TOML", said)


def test_settings_that_are_wrong_are_told_all_at_once(settings, capsys):
    text = settings.read_text().replace("critical_low_c = 5", "critical_low_c = 50").replace('"k1"', '"k2"')
    settings.write_text(text)
    assert main(["run", "--settings", str(settings)]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) >= 2
    assert all(re.match(r"[a-z0-9.-]+.*: found .*; expected ", line) for line in lines), lines


@pytest.mark.parametrize("command", [["status"], ["ack", ALARM]])
def test_no_journal_yet(settings, capsys, command):
    assert main([*command, "--settings", str(settings)]) == 2
    said = one_line(capsys.readouterr().err)
    assert said.startswith(f"journal {settings.parent}/journal.sqlite: no such file")


@pytest.mark.parametrize("command", [["status"], ["ack", ALARM]])
def test_a_journal_that_is_none(settings, capsys, command):
    (settings.parent / "journal.sqlite").write_text("a note about jellyfish, longer than a header of SQLite")
    assert main([*command, "--settings", str(settings)]) == 2
    assert "file is not a database" in one_line(capsys.readouterr().err)


def test_a_journal_whose_folder_cannot_be_made(settings, capsys):
    (settings.parent / "file").write_text("")
    path = settings.parent / "file" / "journal.sqlite"
    settings.write_text(settings.read_text().replace(str(settings.parent / "journal.sqlite"), str(path)))
    assert main(["run", "--settings", str(settings)]) == 2
    said = one_line(capsys.readouterr().err)
    assert said.startswith(f"journal {path}: ")
    assert "writable by this user" in said


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_journal_whose_folder_may_not_be_written(settings, capsys):
    folder = settings.parent / "locked"
    folder.mkdir(mode=0o500)
    path = folder / "journal.sqlite"
    settings.write_text(settings.read_text().replace(str(settings.parent / "journal.sqlite"), str(path)))
    assert main(["run", "--settings", str(settings)]) == 2
    assert "writable by this user" in one_line(capsys.readouterr().err)


def test_a_password_file_that_is_not_there(settings, capsys):
    keys = f'username = "rack"\npassword_file = "{settings.parent}/none"\nheartbeat_s = 1'
    settings.write_text(settings.read_text().replace("heartbeat_s = 1", keys))
    assert main(["run", "--settings", str(settings)]) == 2
    said = capsys.readouterr().err.splitlines()[-1]
    assert said.startswith("password_file: found a file that cannot be read")


def test_a_second_daemon_on_one_journal(watched, capsys):
    assert main(["run", "--settings", str(watched)]) == 2
    said = capsys.readouterr().err
    assert re.search(r"journal .*journal\.sqlite: process \d+ is writing it", one_line(said))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "the following arguments are required: COMMAND"),
        (["frob"], "invalid choice: 'frob'"),
        (["ack"], "the following arguments are required: alarm"),
        (["status", "--loud"], "unrecognized arguments: --loud"),
    ],
)
def test_wrong_use_is_told_with_what_is_possible(capsys, arguments, says):
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert said.startswith("usage: bellwatch")
    assert says in said.splitlines()[-1]


def test_the_process_ends_with_the_status_and_without_a_traceback(settings, tmp_path):
    sound = bellwatch("check", settings)
    assert (sound.returncode, sound.stderr) == (0, "")
    assert sound.stdout.splitlines()[-1].startswith("OK: 1 vessel, 1 probe on 1 bus, 1 channel")
    missing = bellwatch("run", "--settings", tmp_path / "none.toml")
    assert (missing.returncode, missing.stdout) == (2, "")
    assert "Traceback" not in missing.stderr
    one_line(missing.stderr)


def test_the_settings_file_can_come_from_the_environment(settings, tmp_path):
    named = bellwatch("check", env=os.environ | {"BELLWATCH_SETTINGS": str(settings)})
    assert named.returncode == 0


# Acknowledging


def test_an_alarm_is_acknowledged_in_somebodys_name(watched, capsys):
    assert main(["ack", ALARM, "--who", "ada", "--settings", str(watched)]) == 0
    assert one_line(capsys.readouterr().out) == f"{ALARM}: acknowledged by ada"
    rows = asked(watched.parent / "journal.sqlite", "SELECT who, body FROM action WHERE kind = 'acknowledge'")
    assert rows == [("ada", f'{{"alarm": "{ALARM}"}}')]
    assert main(["ack", ALARM, "--who", "ada", "--settings", str(watched)]) == 2
    assert "an alarm that is acknowledged by ada cannot be acknowledged" in one_line(capsys.readouterr().err)


def test_a_misspelt_alarm_is_told_with_the_nearest(watched, capsys):
    assert main(["ack", "k1/temprature/high", "--settings", str(watched)]) == 2
    said = one_line(capsys.readouterr().err)
    assert said == f"k1/temprature/high: no such alarm stands now; the nearest that does is {ALARM}"


def test_an_acknowledgement_loads_little(watched):
    """It goes all the way to the watch and back; 18 modules of ours are what that takes."""
    modules = loaded("ack", "k1/temprature/high", "--settings", str(watched))
    assert "daemon.journal.asking" in modules
    assert libraries(modules) == set()
    assert len(ours(modules)) <= 18, ours(modules)


def test_a_daemon_that_does_not_run_takes_it_up_later(settings):
    journal = settings.parent / "journal.sqlite"
    soon = settings.read_text().replace("off_delay_s = 0.2", "off_delay_s = 0.2\nunwatched_after_s = 0.5")
    settings.write_text(soon)
    daemon = DaemonRun(settings)
    try:
        daemon.start()
        unwatched = "probe/k1-ct/unwatched"
        daemon.wait_for(lambda: asked(journal, "SELECT 1 FROM event WHERE alarm = ?", unwatched), "the alarm")
        assert daemon.stop() == 0
        with pytest.raises(RequestError, match=r"no answer from the daemon in 0 s; it takes this up when"):
            ask_daemon(journal, "acknowledge", {"alarm": unwatched}, "ada", within_s=0.2)
        daemon.start()
        daemon.wait_for(lambda: asked(journal, "SELECT 1 FROM taken WHERE refusal = ''"), "its answer")
        assert daemon.stop() == 0
    finally:
        daemon.end_by_force()
    newest = "SELECT body ->> 'state' FROM event WHERE alarm = ? ORDER BY number DESC LIMIT 1"
    assert asked(journal, newest, unwatched) == [("acknowledged",)]


# Running


def test_a_port_that_another_program_has_open_is_told_and_tried_again(tmp_path):
    line = PtyLine(tmp_path / "serial")
    settings = write_settings(tmp_path, line.path, free_port())
    daemon = DaemonRun(settings)
    with Peer(line, lambda request: answer_frame(request[0], request[1], 1500)):
        try:
            with serial.Serial(str(line.path), 115200, exclusive=True):
                daemon.start()
                daemon.wait_for(lambda: '"kind": "port"' in daemon.log, "the trouble")
                assert "another program has it open" in daemon.log
                assert readings_in(tmp_path / "journal.sqlite") == 0
            daemon.wait_for(lambda: readings_in(tmp_path / "journal.sqlite") > 0, "a reading")
            assert daemon.stop() == 0
        finally:
            daemon.end_by_force()
    line.unplug()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_run_ends_with_0_when_it_is_asked_to(settings, number):
    daemon = DaemonRun(settings)
    try:
        daemon.start()
        daemon.wait_for(lambda: '"watching"' in daemon.log, "the watch")
        assert daemon.stop(number) == 0
    finally:
        daemon.end_by_force()
    assert "Traceback" not in daemon.log
    assert '"on_purpose": true' in daemon.log


def test_a_reader_that_leaves_early_causes_no_traceback(watched):
    with subprocess.Popen(
        [sys.executable, "-m", "daemon", "status", "--settings", str(watched)],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as status:  # fmt: skip
        status.stdout.close()
        said = status.stderr.read()
        status.wait(PATIENCE_S)
    assert said == ""
    assert status.returncode == 1


# Status on a terminal and elsewhere


@contextmanager
def terminal(columns):
    """A terminal so many columns wide; gives the end that a process writes to, and what was written."""
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    try:
        yield slave, lambda: os.read(master, 65_536).decode()
    finally:
        os.close(master)
        os.close(slave)


def status_on(columns, settings, **environment):
    with terminal(columns) as (slave, written):
        done = subprocess.run(
            [sys.executable, "-m", "daemon", "status", "--settings", str(settings)],
            check=False, cwd=ROOT, stdin=slave, stdout=slave, stderr=subprocess.PIPE,
            timeout=PATIENCE_S,
            env={key: value for key, value in os.environ.items() if key not in ("COLUMNS", "NO_COLOR")}
            | {"TERM": "xterm-256color"} | environment,
        )  # fmt: skip
        assert (done.returncode, done.stderr) == (4, b""), "an alarm stands"
        return written()


def plain(text):
    return re.sub(r"\x1b\[[0-9;]*m", "", text).replace("\r\n", "\n")


def test_status_fits_a_terminal_of_80_columns_and_says_everything_without_colour(watched):
    coloured = status_on(80, watched)
    quiet = status_on(80, watched, NO_COLOR="1")
    piped = bellwatch("status", "--settings", watched).stdout
    assert "\x1b[" in coloured
    assert re.search(r"\x1b\[[0-9;]*3[0-7]", quiet) is None, "no colour where NO_COLOR is set"
    assert "\x1b" not in piped, "nor where it is no terminal"
    for text in (plain(coloured), plain(quiet), piped):
        assert max(map(len, text.splitlines())) <= 80
        assert re.search(rf"▲ medium +{ALARM}  (un)?acknowledged( by ada)?, since \d\d:\d\d", text)
        assert "22.00 °C now" in text
        assert re.search(r"Last entry \d{4}-\d\d-\d\d \d\d:\d\d:\d\d \(\d+ s ago\)\.", text)
        assert re.search(r"\d+ messages wait for the broker\.", text)


@needs_root
def test_whoever_may_not_enter_the_journals_folder_is_told_so_in_a_line(settings):
    """Seen: tracebacks, where an engineer who is not the user of the watch asks for a replay."""
    with ordinary_user() as user:
        closed = user.folder / "closed"
        closed.mkdir(mode=0o700)
        (closed / "journal.sqlite").touch()
        open_settings = user.folder / "bellwatch.toml"
        open_settings.write_text(settings.read_text())
        for command in (
            ["replay", closed / "journal.sqlite"],
            ["fits", "--journal", closed / "journal.sqlite", "--settings", open_settings],
            ["incidents", closed / "journal.sqlite"],
            ["tune", closed / "journal.sqlite", "--settings", open_settings],
            ["init", closed / "bellwatch.toml"],
        ):
            done = user.run("-m", "daemon", *command)
            (line,) = done.stderr.splitlines()
            assert done.returncode == 2
            assert line.startswith(str(closed))
            assert line.endswith(": permission denied; do this as a user who may, or give this one the right")
