"""The shape of the tables `[page]`: where a page is served; of the rack's page also how the vessels stand."""

from enum import StrEnum
from pathlib import Path

from pydantic import Field

from daemon.tables.types import FilePath, Host, Label, Name, Table, TcpPort


class Role(StrEnum):
    """What somebody may do at a page, each also what those before it may."""

    LOOK = "look"
    ACT = "act"
    SET_UP = "set up"


class ServedPage(Table):
    """Where a page is served, and under which names."""

    host: Host = Field("127.0.0.1", description="Address to listen at; another one opens the page to others")
    names: tuple[Host, ...] = Field(
        (),
        description="Names by which browsers reach it, beside addresses and localhost",
    )
    certificate: FilePath | None = Field(None, description="Certificate chain for TLS (PEM)")
    key: FilePath | None = Field(None, description="Its private key (PEM)")

    def tls(self) -> tuple[Path, Path] | None:
        """Return certificate and key; None where the page is served without."""
        return (self.certificate, self.key) if self.certificate and self.key else None


class PageSettings(ServedPage):
    """The rack's page (`bellwatch page`). Whoever reaches it sees the rack; it only shows, unless `acts`."""

    port: TcpPort = Field(8781, description="Port to listen at")
    shelves: tuple[tuple[Name, ...], ...] = Field(
        (), description="The vessels as they stand: each shelf from left to right, the uppermost first"
    )
    acts: bool = Field(
        default=False, description="People who signed in (`bellwatch page --pair NAME`) may act from the page"
    )
    roles: dict[Label, Role] = Field(
        default_factory=dict,
        description="Who of the rack's people may do otherwise than act: look, act, set up",
    )
    behind_tls: bool = Field(
        default=False, description="Browsers reach it by https, through a proxy that does TLS"
    )
