"""The units as shipped in a booted Debian: systemd-nspawn over a debootstrap root, loopback only.

BELLWATCH_BOOT_ROOT names the root, made once (as root, with a network):

    debootstrap --variant=minbase --include=systemd,systemd-sysv,dbus,python3,mosquitto bookworm FOLDER

It is mounted read-only, what a boot writes lies in memory. The wheel is built from the checkout; what it
needs comes from this Python's own packages. Invented below the daemon: the mark of a synchronised clock, the
probe (a pseudo-terminal, which the unit's list of devices does not know and a drop-in adds), the small disk.
"""

import os
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

from tests.rigs.daemon_run import write_settings
from tests.rigs.oncall_run import write_oncall
from tests.rigs.places import DEPLOY, ROOT

BOOT_WITHIN_S = 420
INSIDE = Path("/opt/bellwatch")
BOOT = ROOT / "tests" / "rigs" / "boot"

PROGRAM = """\
#!/bin/sh
export PYTHONPATH=/opt/bellwatch/wheel:/opt/bellwatch/site PYTHONDONTWRITEBYTECODE=1
exec /usr/bin/python3 -m daemon "$@"
"""


def root_to_boot():
    """Return the root; skip with a clear word where there is none or it cannot be booted."""
    root = os.environ.get("BELLWATCH_BOOT_ROOT")
    if not root:
        pytest.skip("BELLWATCH_BOOT_ROOT names no root to boot; tests/rigs/booted.py says how to make one")
    if os.geteuid() != 0 or shutil.which("systemd-nspawn") is None:
        pytest.skip("only root can boot a system, by systemd-nspawn (package systemd-container)")
    return Path(root)


def boot(folder):
    """Boot, go through the states, and return what was seen: what to its words."""
    root, out, opt, etc = root_to_boot(), folder / "out", folder / "opt", folder / "etc"
    for made in (out, opt / "bin", etc):
        made.mkdir(parents=True)
    _program(opt)
    units = _units(folder)
    _settings(etc)
    site = sysconfig.get_paths()["purelib"]
    binds = [f"--bind={out}:/out", f"--bind-ro={ROOT}:{INSIDE}/checkout", f"--bind-ro={site}:{INSIDE}/site"]
    command = [
        "systemd-nspawn", "--quiet", f"--directory={root}", "--machine=bellwatch-boot", "--register=no",
        "--keep-unit", "--private-network", "--volatile=overlay", f"--bind-ro={opt}:{INSIDE}",
        f"--bind-ro={etc}:/etc/bellwatch", *binds, *units, "--boot", "systemd.wants=kick.timer",
    ]  # fmt: skip
    with (folder / "boot.log").open("wb") as log:
        subprocess.run(
            command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, timeout=BOOT_WITHIN_S, check=False
        )
    seen = out / "seen"
    if not seen.exists():
        tail = (folder / "boot.log").read_text(errors="replace")[-600:]
        pytest.skip(f"this machine does not boot it: {' '.join(tail.split())}")
    return dict(line.split(": ", 1) for line in seen.read_text().splitlines())


def _program(opt):
    for name in ("site", "checkout", "wheel"):
        (opt / name).mkdir()
    shutil.copytree(BOOT, opt / "boot")
    (opt / "bin" / "bellwatch").write_text(PROGRAM)
    (opt / "bin" / "bellwatch").chmod(0o755)
    wheels = opt.parent / "wheels"
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation"]
    subprocess.run([*command, "-w", str(wheels), str(ROOT)], check=True, cwd=opt.parent)
    shutil.unpack_archive(next(wheels.glob("bellwatch-*.whl")), opt / "wheel", "zip")


def _units(folder):
    """Return the options that put the shipped units, the rig's own and its two users into the system."""
    system = folder / "system"
    (system / "bellwatch.service.d").mkdir(parents=True)
    (system / "bellwatch.service.d" / "rig.conf").write_text("[Service]\nDeviceAllow=char-pts rw\n")
    shutil.copy(BOOT / "states.service", system)
    (system / "kick.timer").write_text("[Timer]\nOnBootSec=1\nAccuracySec=100ms\nUnit=states.service\n")
    users = folder / "bellwatch-users.conf"
    users.write_text("u bellwatch - - /var/lib/bellwatch\nu bellwatch-oncall - - /var/lib/bellwatch-oncall\n")
    where = "/etc/systemd/system"
    found = [
        f"--bind-ro={DEPLOY / unit}:{where}/{unit}"
        for unit in ("bellwatch.service", "bellwatch-oncall.service", "bellwatch-page.service")
    ]
    found += [
        f"--bind-ro={system / name}:{where}/{name}" for name in ("bellwatch.service.d", "states.service")
    ]
    found += [f"--bind-ro={system / 'kick.timer'}:{where}/kick.timer"]
    found += [f"--bind-ro={users}:/usr/lib/sysusers.d/bellwatch-users.conf"]
    return found


def _settings(etc):
    path = write_settings(etc, Path("/run/rack/serial"), 1883, silent_after_s=20)
    path.write_text(
        path.read_text().replace(f'"{etc}/journal.sqlite"', '"/var/lib/bellwatch/journal.sqlite"')
    )
    oncall = write_oncall(etc, 1883, 9)
    text = oncall.read_text().replace(f"{etc}/oncall.sqlite", "/var/lib/bellwatch-oncall/state.sqlite")
    oncall.write_text(text.replace(f"{etc}/routes.toml", "/run/rack/routes.toml"))
    for file in etc.iterdir():
        file.chmod(0o644)
    etc.chmod(0o755)
