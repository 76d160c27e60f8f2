"""Says which locked packages a list of known vulnerabilities names. It asks nobody: the list is your file.

    python3 deploy/advisories.py LIST [LOCK ...]      (it needs the library packaging)

LIST is in the OSV format (Open Source Vulnerability format, an open schema of the OpenSSF): one JSON file, a
folder of such, or a zip of such. Without a LOCK all of deploy/locks/ are looked at. Exit status 0: none is
named, 1: some are, 2: the list cannot be read or is about no Python package.
"""

import json
import re
import sys
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from packaging.utils import canonicalize_name
from packaging.version import InvalidVersion, Version

LOCKS = Path(__file__).parent / "locks"


def entries(source: Path) -> Iterator[dict[str, Any]]:
    """Yield every entry of the list."""
    root = zipfile.Path(source) if zipfile.is_zipfile(source) else source
    for file in sorted(root.iterdir(), key=str) if root.is_dir() else [root]:
        read = json.loads(file.read_bytes())
        yield from read if isinstance(read, list) else [read]


def within(version: Version, events: list[dict[str, str]]) -> bool:
    """Return whether a version is in a range: from `introduced` up to `fixed` or through `last_affected`."""
    inside = False
    for event in events:
        ((kind, at),) = event.items()
        if kind == "introduced":
            inside = inside or at == "0" or version >= Version(at)
        elif kind in ("fixed", "last_affected"):
            inside = inside and (version < Version(at) or (kind != "fixed" and version == Version(at)))
    return inside


def names(affected: dict[str, Any], name: str, version: str) -> bool:
    """Return whether an entry is about a package in that version, by itself or by a range."""
    ranges = [it["events"] for it in affected.get("ranges", ()) if it["type"] == "ECOSYSTEM"]
    return canonicalize_name(affected["package"]["name"]) == name and (
        version in affected.get("versions", ()) or any(within(Version(version), it) for it in ranges)
    )


def main(source: Path, locks: list[Path]) -> int:
    """Print a line for each locked package that is named."""
    texts = [lock.read_text(encoding="utf-8") for lock in locks]
    pins = {pin for text in texts for pin in re.findall(r"^([\w.-]+)==([^\s;\\]+)", text, re.MULTILINE)}
    looked_at, found = 0, set()
    for entry in entries(source):
        about = [it for it in entry.get("affected", ()) if it.get("package", {}).get("ecosystem") == "PyPI"]
        looked_at += bool(about)
        for name, version in pins if "withdrawn" not in entry else ():
            if any(names(affected, name, version) for affected in about):
                found.add(f"{name} {version}: {entry['id']}: {entry.get('summary', 'no summary')}")
    if not looked_at:
        raise ValueError("no entry is about a package of the Python index")
    print("\n".join(sorted(found)) or f"none of {len(pins)} pins is named by {looked_at} entries")
    return 1 if found else 0


try:
    sys.exit(main(Path(sys.argv[1]), [Path(it) for it in sys.argv[2:]] or sorted(LOCKS.glob("*.txt"))))
except (OSError, ValueError, KeyError, IndexError, TypeError, AttributeError, InvalidVersion) as error:
    print(f"{' '.join(sys.argv[1:]) or 'no list'}: {error!r}; expected an OSV list", file=sys.stderr)
    sys.exit(2)
