"""The shape of the table `[page]`: where the rack's page is served, and how the vessels stand."""

from pydantic import Field

from daemon.tables.types import FilePath, Host, Name, Table, TcpPort


class PageSettings(Table):
    """The rack's page (`bellwatch page`). It only shows; whoever reaches it sees the rack."""

    host: Host = Field("127.0.0.1", description="Address to listen at; another one opens the page to others")
    port: TcpPort = Field(8781, description="Port to listen at")
    certificate: FilePath | None = Field(None, description="Certificate chain for TLS (PEM)")
    key: FilePath | None = Field(None, description="Its private key (PEM)")
    shelves: tuple[tuple[Name, ...], ...] = Field(
        (), description="The vessels as they stand: each shelf from left to right, the uppermost first"
    )
