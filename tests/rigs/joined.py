"""Booted machines, each in a network of its own, joined by a cable: systemd-nspawn over a debootstrap root.

A root is laid under a folder in memory and never changed; several machines may share it. What is done on a
machine is typed into a shell that enters it, as root.
"""

import os
import re
import subprocess
from pathlib import Path

from tests.rigs.parts.simulator_process import wait_for

FRESH = {
    "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
    "HOME": "/root",
    "LANG": "C.UTF-8",
}
BOOTED_WITHIN_S = 120
INTO_GROUPS = 'for it in $0; do echo $$ >"$it/cgroup.procs"; done; exec "$@"'


def run(*command, patience_s=600, **how):
    """Return what a command says; it must go well."""
    done = subprocess.run(command, capture_output=True, text=True, timeout=patience_s, check=False, **how)
    assert done.returncode == 0, f"{command}: {done.stdout[-1500:]} {done.stderr[-1500:]}"
    return done.stdout


class Joined:
    """A machine of a name and an address, booted until `stack` is left; `rig` is its folder /rig."""

    def __init__(self, stack, base, folder, name, address):
        self.name, self.address, self.root, self.rig = name, address, folder / "root", folder / "rig"
        self._stack, self._space = stack, f"bw{os.getpid()}{name}"
        layers = folder / "layers"
        for made in (self.root, self.rig, layers):
            made.mkdir(parents=True)
        self._mount("-t", "tmpfs", "tmpfs", layers)
        for made in ("upper", "work"):
            (layers / made).mkdir()
        over = f"lowerdir={base},upperdir={layers / 'upper'},workdir={layers / 'work'}"
        self._mount("-t", "overlay", "overlay", "-o", over, self.root)
        (self.root / "etc" / "hostname").write_text(f"{name}\n")
        run("ip", "netns", "add", self._space)
        stack.callback(subprocess.run, ["ip", "netns", "delete", self._space], check=False)
        run("ip", "-n", self._space, "link", "set", "lo", "up")

    def _mount(self, *what):
        run("mount", *map(str, what))
        self._stack.callback(subprocess.run, ["umount", "-l", str(what[-1])], check=False)

    def boot(self, *options):
        """Boot it, and wait until every unit was started."""
        command = [
            "sh", "-c", INTO_GROUPS, " ".join(self._own_groups()),
            # A name space of processes of its own: where our patience ends, so does all that was booted.
            "unshare", "--pid", "--fork", "--kill-child", "--mount-proc", "systemd-nspawn", "--quiet",
            f"--directory={self.root}", f"--machine={self.name}", "--register=no", "--keep-unit",
            f"--network-namespace-path=/run/netns/{self._space}", f"--bind-ro={self.rig}:/rig",
            *options, "--boot",
        ]  # fmt: skip
        log = self._stack.enter_context((self.rig.parent / "boot.log").open("wb"))
        booted = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        self._stack.callback(self._end, booted)
        wait_for(lambda: booted.poll() is not None or _first_process(booted.pid), BOOTED_WITHIN_S)
        self._first = _first_process(booted.pid)
        assert self._first, (self.rig.parent / "boot.log").read_text(errors="replace")[-600:]
        wait_for(
            lambda: self.says("systemctl is-system-running").strip() in ("running", "degraded"),
            BOOTED_WITHIN_S,
        )

    def _own_groups(self):
        """Make control groups of its own: two machines in one would end each other's services."""
        top = Path("/sys/fs/cgroup")
        hybrid = [it for it in (top / "systemd", top / "unified") if it.exists()]
        groups = [it / self._space for it in hybrid or [top]]
        for group in groups:
            group.mkdir()
            self._stack.callback(_remove, group)
        return map(str, groups)

    @staticmethod
    def _end(booted):
        booted.kill()
        booted.wait(60)

    def command(self, script):
        """Return what runs a script of a shell in there."""
        spaces = ("--mount", "--uts", "--ipc", "--net", "--pid", "--root", "--wd")
        return ["nsenter", "--target", str(self._first), *spaces, "bash", "-c", script]

    def does(self, script, **how):
        """Run a script that must go well, and return what it says."""
        return run(*self.command(f"set -eu\ncd /root\n{script}"), env=FRESH, **how)

    def says(self, script):
        """Return what a script says, however it ends."""
        command = self.command(f"cd /root\n{script}")
        return subprocess.run(
            command,
            env=FRESH,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=60,
            check=False,
        ).stdout

    def goes_on_with(self, script, log):
        """Let a script run in there until the end; its words go into a file."""
        words = self._stack.enter_context(log.open("wb"))
        going_on = subprocess.Popen(
            self.command(script), stdin=subprocess.DEVNULL, stdout=words, stderr=words, env=FRESH
        )
        self._stack.callback(self._end, going_on)

    def is_plugged_into(self, other):
        """Join both networks."""
        ends = "veth-a", "veth-b"
        peer = "type", "veth", "peer", "name", ends[1], "netns", other._space
        run("ip", "link", "add", "name", ends[0], "netns", self._space, *peer)
        for end, machine in zip(ends, (self, other), strict=True):
            run("ip", "-n", machine._space, "address", "add", f"{machine.address}/24", "dev", end)
            run("ip", "-n", machine._space, "link", "set", end, "up")


def _remove(group):
    """Remove control groups once what was in them has ended."""

    def gone():
        try:
            for inner in sorted(group.rglob("*/"), reverse=True):
                inner.rmdir()
            group.rmdir()
        except OSError:
            return False
        return True

    wait_for(gone, 30)


def _first_process(pid):
    """Return the process below `pid` that is systemd and number 1 of its own space; 0 while there is none."""
    for child in _children(pid):
        words = _said_of(child, "status")
        if "Name:\tsystemd\n" in words and re.search(r"^NSpid:.*\t1$", words, re.MULTILINE):
            return child
        if found := _first_process(child):
            return found
    return 0


def _children(pid):
    return [int(it) for it in _said_of(pid, f"task/{pid}/children").split()]


def _said_of(pid, what):
    try:
        return Path(f"/proc/{pid}/{what}").read_text()
    except (FileNotFoundError, ProcessLookupError):  # it has just ended
        return ""
