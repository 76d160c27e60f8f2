"""The way to an MQTT broker, that of the alarms and those that probes publish to."""

import stat
from collections.abc import Iterator
from pathlib import Path

from pydantic import Field, SecretStr

from daemon.errors import Finding, SettingsError
from daemon.tables.types import FilePath, Host, Label, Switch, Table, TcpPort
from daemon.tables.words import quoted, shown, where


class BrokerLink(Table):
    """How to reach an MQTT broker."""

    host: Host = Field("localhost", description="Name or address of the broker")
    port: TcpPort = Field(1883, description="TCP port of the broker; 8883 is usual with TLS")
    username: Label | None = Field(None, description="User name at the broker")
    password_file: FilePath | None = Field(
        None, description="File that holds the password alone and that only the daemon's user may read"
    )
    tls: Switch = Field(False, description="Encrypt the connection")
    ca_file: FilePath | None = Field(
        None, description="Certificate authority of the broker, if it is not one that the system knows"
    )

    def password(self) -> SecretStr | None:
        """Read the password from its file now, None without one; SettingsError if it is unreadable."""
        if self.password_file is None:
            return None
        try:
            return SecretStr(self.password_file.read_text(encoding="utf-8").rstrip("\r\n"))
        except (OSError, UnicodeDecodeError) as error:
            why = (error.strerror or "an error").lower() if isinstance(error, OSError) else "not UTF-8"
        expected = "a file that holds the password alone and that the daemon's user may read"
        raise SettingsError([Finding("password_file", f"a file that cannot be read ({why})", expected)])

    def link_findings(self, *keys: str) -> Iterator[Finding]:
        """Yield what is wrong with login and encryption; `keys` lead to this table."""
        if self.password_file is not None:
            if self.username is None:
                yield Finding(where(*keys, "username"), "nothing", "the user name that the password is for")
            yield from secret_file(where(*keys, "password_file"), self.password_file)
        if self.ca_file is not None:
            path, name = where(*keys, "ca_file"), str(self.ca_file)
            if not self.tls:
                yield Finding(path, shown(name), "tls = true beside it; without it nothing is encrypted")
            if _mode(self.ca_file) is None:
                expected = "the broker's CA certificate"
                yield Finding(path, f"no file {quoted(name)}", expected, is_warning=True)


def secret_file(path: str, file: Path) -> Iterator[Finding]:
    """Warn of a file of a password, token or key that is missing or open to everybody; its name is not
    shown, since somebody may have put the password there."""
    mode = _mode(file)
    if mode is None:
        yield Finding(path, "no file of that name", "a file that holds the password alone", is_warning=True)
    elif mode & stat.S_IRWXO:
        found = f"a file that everybody may open (mode {stat.S_IMODE(mode):04o})"
        yield Finding(path, found, "mode 0600 or 0640", is_warning=True)


def _mode(file: Path) -> int | None:
    try:
        mode = file.stat().st_mode
    except OSError:
        return None
    return mode if stat.S_ISREG(mode) else None
