"""Who uses a page: a code shown at the terminal gives a device its person, once.

The file keeps a slow salted hash of each open code and a hash of each device's secret, never these. There are
no passwords: a code needs no choosing, is good for minutes, and whoever can show one runs the machine anyway.
"""

import hashlib
import hmac
import os
import secrets
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from daemon.errors import SignInError
from daemon.transaction import connect, is_damage

CODE_LASTS_MS = 600_000
DEVICE_LASTS_MS = 90 * 86_400_000
TRIES_AT_MOST, WITHIN_MS = 5, 600_000
"""Wrong codes from one address, and of one code (project judgement): nobody else is kept from signing in."""
_SIGNS, _LONG, _NAMES = "23456789abcdefghjkmnpqrstuvwxyz", 10, 4
"""Without those that are read for one another. The first few tell codes apart; 29 bits are to be guessed."""
_TABLES = (
    "CREATE TABLE IF NOT EXISTS open_code"
    " (person TEXT PRIMARY KEY, name TEXT, salt BLOB, hash BLOB, until_ms INTEGER)",
    "CREATE TABLE IF NOT EXISTS device (hash BLOB PRIMARY KEY, person TEXT, until_ms INTEGER)",
    "CREATE TABLE IF NOT EXISTS try (what TEXT, at_ms INTEGER)",
)


@dataclass(frozen=True, slots=True)
class Device:
    """A device that is signed in: its person, and what every form of it carries along."""

    person: str
    form_key: str = field(repr=False)


class Devices:
    """The devices of people in a file of its owner alone; SignInError where it cannot be used."""

    def __init__(self, path: Path) -> None:
        self._path, self._one = path, threading.Lock()

    def new_code(self, person: str, now_ms: int) -> str:
        """Return a code by which a device becomes this person's; an older one of theirs is good no more."""
        code = "".join(secrets.choice(_SIGNS) for _ in range(_LONG))
        salt = secrets.token_bytes(16)
        row = person, code[:_NAMES], salt, _slow(code, salt), now_ms + CODE_LASTS_MS
        with self._open() as db:
            db.execute("INSERT OR REPLACE INTO open_code VALUES (?, ?, ?, ?, ?)", row)
        return code

    def pair(self, code: str, now_ms: int, address: str) -> str:
        """Return the secret of a device that shows a code; SignInError, in words, where it is none.

        The attempt counts as a wrong one until it has shown itself right. One at a time: each costs 16 MB.
        """
        code = "".join(code.lower().split())[:_LONG]
        tries = f"from {address}", f"of {code[:_NAMES]}"
        with self._one:
            for person, salt, known in self._tried(tries, code[:_NAMES], now_ms):
                if hmac.compare_digest(_slow(code, salt), known):
                    return self._paired(person, known, now_ms, tries)
        raise SignInError("That code is wrong, used or too old; `bellwatch page --pair NAME` shows a new one")

    def _tried(self, tries: tuple[str, str], name: str, now_ms: int) -> list[tuple[str, bytes, bytes]]:
        """Note an attempt, and return the open codes that it may mean; SignInError after too many."""
        with self._open() as db:
            db.execute("DELETE FROM try WHERE at_ms NOT BETWEEN ? AND ?", (now_ms - WITHIN_MS, now_ms))
            for what in tries:
                (wrong,) = db.execute("SELECT count(*) FROM try WHERE what = ?", (what,)).fetchone()
                if wrong >= TRIES_AT_MOST:
                    whose = "from here" if what == tries[0] else "that begin so; ask for a new one, or"
                    raise SignInError(f"Too many wrong codes {whose}; try again in {WITHIN_MS // 60_000} min")
            db.executemany("INSERT INTO try VALUES (?, ?)", [(what, now_ms) for what in tries])
            db.execute("DELETE FROM open_code WHERE until_ms <= ?", (now_ms,))
            found = db.execute("SELECT person, salt, hash FROM open_code WHERE name = ?", (name,))
            return found.fetchall()

    def _paired(self, person: str, known: bytes, now_ms: int, tries: tuple[str, str]) -> str:
        secret = secrets.token_urlsafe(32)
        with self._open() as db:
            if not db.execute("DELETE FROM open_code WHERE hash = ?", (known,)).rowcount:
                raise SignInError("Another device has just used that code")
            db.execute("DELETE FROM try WHERE at_ms = ? AND what IN (?, ?)", (now_ms, *tries))
            db.execute("DELETE FROM device WHERE until_ms <= ?", (now_ms,))
            db.execute(
                "INSERT INTO device VALUES (?, ?, ?)", (_quick(secret), person, now_ms + DEVICE_LASTS_MS)
            )
        return secret

    def device_of(self, secret: str, now_ms: int) -> Device | None:
        """Return the device that has a secret; None where none has."""
        if not secret or not self._path.exists():
            return None
        with self._open() as db:
            found = db.execute(
                "SELECT person FROM device WHERE hash = ? AND until_ms > ?", (_quick(secret), now_ms)
            ).fetchone()
        form_key = hmac.digest(secret.encode(), b"form", "sha256").hex()
        return None if found is None else Device(found[0], form_key)

    def forget(self, secret: str) -> None:
        """Let a device be nobody's again."""
        with self._open() as db:
            db.execute("DELETE FROM device WHERE hash = ?", (_quick(secret),))

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        try:
            os.close(os.open(self._path, os.O_RDWR | os.O_CREAT, 0o600))
            if os.geteuid() == 0:  # who asked for a code by sudo must not shut the page out
                folder = self._path.parent.stat()
                os.chown(self._path, folder.st_uid, folder.st_gid)
            with closing(connect(self._path, isolation_level=None)) as db:
                db.execute("BEGIN IMMEDIATE")
                for table in _TABLES:
                    db.execute(table)
                yield db
                db.execute("COMMIT")
        except (OSError, sqlite3.Error) as error:
            damaged = "delete it, and let each device sign in anew"
            right = damaged if is_damage(error) else "it must be writable by the user who serves the page"
            raise SignInError(f"devices {self._path}: {error}; {right}") from error


def _slow(code: str, salt: bytes) -> bytes:
    """Return the hash of a code by scrypt (RFC 7914; costs as OWASP's Password Storage Cheat Sheet)."""
    return hashlib.scrypt(code.encode(), salt=salt, n=2**14, r=8, p=5)


def _quick(secret: str) -> bytes:
    """Return the hash of a secret of 256 random bits, which needs no slow one."""
    return hashlib.sha256(secret.encode()).digest()
