"""A rack that is installed from a bundle, as the text says it, in a booted Debian without a network.

BELLWATCH_INSTALL_ROOTS names the roots, with colons between, made once each (as root, with a network):

    debootstrap --variant=minbase --include=systemd,systemd-sysv,dbus,udev,python3,mosquitto,openssl \\
        bookworm FOLDER

A root is copied, never changed. BELLWATCH_BUNDLE names a bundle of this checkout, so that none is fetched.
Invented below the daemon: the probe, a pseudo-terminal that a drop-in adds to the unit's list of devices.
"""

import hashlib
import os
import shutil
import subprocess
import tarfile
from pathlib import Path

import pymodbus
import pytest

from tests.rigs.parts.simulator_process import wait_for
from tests.rigs.places import DEPLOY, ROOT

STEPS = ROOT / "tests" / "rigs" / "boot"
BOOT_WITHIN_S = 3000
KICK = "[Timer]\nOnBootSec=1\nAccuracySec=100ms\nUnit=steps.service\n"
SERVICE = """\
[Service]
Type=oneshot
ExecStart=/bin/bash /rig/{script}
TimeoutStartSec=2900
StandardError=file:/out/errors
"""


def roots():
    """Return the roots to install into; there may be none."""
    return [Path(it) for it in os.environ.get("BELLWATCH_INSTALL_ROOTS", "").split(":") if it]


def needs_roots():
    """Skip with a clear word where nothing can be installed into."""
    if not roots():
        pytest.skip("BELLWATCH_INSTALL_ROOTS names no root; tests/rigs/installed.py says how to make one")
    if os.geteuid() != 0 or shutil.which("systemd-nspawn") is None:
        pytest.skip("only root can boot a system, by systemd-nspawn (package systemd-container)")


def bundle(folder):
    """Return a bundle of this checkout; skip where it cannot be fetched."""
    if given := os.environ.get("BELLWATCH_BUNDLE"):
        return Path(given)
    made = subprocess.run(["sh", DEPLOY / "bundle.sh", folder], capture_output=True, text=True, check=False)
    if made.returncode:
        pytest.skip(f"no bundle without the package index: {made.stderr[-300:]}")
    return next(folder.glob("bellwatch-*.tar.gz"))


def other_bundle(source, target, version, edits, gone=()):
    """Make a bundle of another version: `edits` are file, old, new; `gone` are files that it has no more."""
    work = target.parent / f"{target.name}.d"
    with tarfile.open(source) as files:
        files.extractall(work, filter="tar")
    (inside,) = work.iterdir()
    before = (inside / "pyproject.toml").read_text().split('version = "')[1].split('"')[0]
    for file, old, new in [("pyproject.toml", f'version = "{before}"', f'version = "{version}"'), *edits]:
        text = (inside / file).read_text()
        assert old in text, f"{file} has no {old!r}"
        (inside / file).write_text(text.replace(old, new, 1))
    for file in gone:
        (inside / file).unlink()
    files = sorted(it for it in inside.rglob("*") if it.is_file() and it.name != "SHA256SUMS")
    sums = (f"{hashlib.sha256(it.read_bytes()).hexdigest()}  ./{it.relative_to(inside)}\n" for it in files)
    (inside / "SHA256SUMS").write_text("".join(sums))
    with tarfile.open(target, "w:gz", compresslevel=1) as packed:
        packed.add(inside, f"bellwatch-{version}")
    shutil.rmtree(work)
    return target


class Machine:
    """A copy of a root, booted as often as one likes; `out` keeps what it said."""

    def __init__(self, root, folder):
        self.source, self.root, self.out, self.rig = root, folder / "root", folder / "out", folder / "rig"
        for made in (self.out, self.rig):
            made.mkdir(parents=True)
        subprocess.run(["cp", "-a", "--reflink=auto", root, self.root], check=True)
        (self.root / "etc" / "hosts").write_text("127.0.0.1 localhost\n")
        for name in ("probe.py", "common.sh"):
            shutil.copy(STEPS / name, self.rig)
        shutil.copytree(Path(pymodbus.__file__).parent, self.rig / "site" / "pymodbus")

    def boot(self, script, *options):
        """Boot, run the script of tests/rigs/boot/, and return what it said: what to its words."""
        shutil.copy(STEPS / script, self.rig)
        system = self.root / "etc" / "systemd" / "system"
        (system / "steps.service").write_text(SERVICE.format(script=script))
        (system / "kick.timer").write_text(KICK)
        (self.out / "seen").unlink(missing_ok=True)
        binds = [f"--bind={self.out}:/out", f"--bind-ro={self.rig}:/rig", f"--bind-ro={ROOT}:/checkout"]
        command = [
            # A name space of processes of its own: where our patience ends, so does all that was booted.
            "unshare", "--pid", "--fork", "--kill-child", "--mount-proc", "systemd-nspawn", "--quiet",
            f"--directory={self.root}", "--machine=bellwatch-install", "--register=no", "--keep-unit",
            "--private-network", *binds, *options, "--boot", "systemd.wants=kick.timer",
        ]  # fmt: skip
        with (self.out / "boot.log").open("ab") as log:
            subprocess.run(
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, timeout=BOOT_WITHIN_S, check=False
            )
        return self._seen()

    def emulate(self, qemu):
        """Run arm64.sh in name spaces of its own, in which alone programs of that kind go through QEMU."""
        for script in ("arm64.sh", "arm64_inside.sh"):
            shutil.copy(STEPS / script, self.rig)
        self._unpack()
        given = [qemu, self.root, self.out, self.rig, ROOT]
        spaces = ["unshare", "--mount", "--net", "--pid", "--fork", "--mount-proc", "--kill-child", "bash"]
        # A user name space first: a handler of programs that is registered in there is nobody else's.
        wait = ["unshare", "--user", "bash", "-c", 'read -r go; exec "$@"', "bash"]
        with (self.out / "boot.log").open("ab") as log:
            inside = subprocess.Popen(
                [*wait, *spaces, self.rig / "arm64.sh", *given], stdin=subprocess.PIPE, stdout=log, stderr=log
            )
            us = Path("/proc/self/ns/user").readlink()
            wait_for(lambda: Path(f"/proc/{inside.pid}/ns/user").readlink() != us)
            for kind in ("uid", "gid"):
                Path(f"/proc/{inside.pid}/{kind}_map").write_text("0 0 65536\n")
            inside.communicate(b"go\n", timeout=BOOT_WITHIN_S)
        return self._seen()

    def _unpack(self):
        """Lay out what `debootstrap --foreign` fetched; to configure it would take devices."""
        for package in sorted((self.root / "var" / "cache" / "apt" / "archives").glob("*.deb")):
            subprocess.run(["dpkg-deb", "-x", package, self.root], check=True)
        for kind in ("passwd", "group"):
            shutil.copy(self.root / f"usr/share/base-passwd/{kind}.master", self.root / "etc" / kind)
        for kind in (
            "auth",
            "account",
            "password",
            "session",
        ):  # where one is missing PAM turns everybody away
            (self.root / f"etc/pam.d/common-{kind}").touch()
        for name in ("bin", "sbin"):
            (self.root / "usr/local" / name).mkdir(parents=True, exist_ok=True)
        if not (self.root / "usr/bin/awk").is_symlink():
            (self.root / "usr/bin/awk").symlink_to("mawk")

    def _seen(self):
        seen = self.out / "seen"
        if not seen.exists():
            tail = (self.out / "boot.log").read_text(errors="replace")[-600:]
            pytest.skip(f"this machine does not boot it: {' '.join(tail.split())}")
        return dict(line.split(": ", 1) for line in seen.read_text().splitlines() if ": " in line)
