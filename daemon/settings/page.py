"""The shape of the tables `[page]`: where a page is served; of the rack's page also how the vessels stand."""

from pathlib import Path

from pydantic import Field

from daemon.tables.types import FilePath, Host, Name, Table, TcpPort


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
    """The rack's page (`bellwatch page`). It only shows; whoever reaches it sees the rack."""

    port: TcpPort = Field(8781, description="Port to listen at")
    shelves: tuple[tuple[Name, ...], ...] = Field(
        (), description="The vessels as they stand: each shelf from left to right, the uppermost first"
    )
