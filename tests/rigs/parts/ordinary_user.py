"""A user of this machine made for a test, for whom rights count: root may read and write everything."""

import os
import pwd
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.rigs.places import ROOT

PATIENCE_S = 120.0
needs_root = pytest.mark.skipif(
    os.geteuid() != 0 or not (shutil.which("useradd") and shutil.which("setpriv")),
    reason="making an ordinary user needs root, useradd and setpriv",
)


class OrdinaryUser:
    """`folder` is theirs; what is run has their rights and no others."""

    def __init__(self, name: str, folder: Path) -> None:
        self.name, self.folder = name, folder

    def owns(self, path: Path) -> None:
        """Make a file, folder or device theirs."""
        shutil.chown(path.resolve(), self.name)

    @property
    def as_them(self) -> list[str]:
        """Return what goes before a command, so that it runs as them."""
        return ["setpriv", f"--reuid={self.name}", f"--regid={self.name}", "--clear-groups"]

    @contextmanager
    def rights(self) -> Iterator[None]:
        """Have this process meanwhile their rights and no others."""
        os.seteuid(pwd.getpwnam(self.name).pw_uid)
        try:
            yield
        finally:
            os.seteuid(0)

    def run(self, *arguments: object, text: str = "") -> subprocess.CompletedProcess[str]:
        """Run Python with these arguments as them, in the root of the checkout."""
        return subprocess.run(
            [*self.as_them, sys.executable, *map(str, arguments)],
            check=False,
            cwd=ROOT,
            capture_output=True,
            text=True,
            input=text,
            timeout=PATIENCE_S,
            env={
                "PATH": os.environ["PATH"],
                "HOME": str(self.folder),
                "LOGNAME": self.name,
                "LANG": "C.UTF-8",
            },
        )


@contextmanager
def ordinary_user() -> Iterator[OrdinaryUser]:
    """Make a user and their folder, and take both away at the end."""
    name = f"bw-test-{os.getpid()}"
    folder = Path(tempfile.mkdtemp(prefix=name))
    subprocess.run(["useradd", "--no-create-home", "--user-group", name], check=True, capture_output=True)
    try:
        user = OrdinaryUser(name, folder)
        user.owns(folder)
        folder.chmod(0o755)
        yield user
    finally:
        subprocess.run(["userdel", name], check=True, capture_output=True)
        shutil.rmtree(folder)
