"""What is wrong with how a page is to be served."""

import ssl
from collections.abc import Collection, Iterator
from contextlib import suppress
from ipaddress import ip_address
from pathlib import Path

from daemon.errors import Finding
from daemon.settings.page import PageSettings, ServedPage


def certificate_findings(page: ServedPage, *, only_warn: bool = False) -> Iterator[Finding]:
    """Give what is wrong with the certificate files; `only_warn` where it is no error."""
    files = {"page.certificate": page.certificate, "page.key": page.key}
    for key, path in files.items():
        if path is None and any(files.values()):
            yield Finding(key, "nothing", "a file: certificate and key belong together")
    if tls := page.tls():
        try:
            _greet(*tls)
        except OSError as error:
            what = f"{page.certificate} and {page.key}, which cannot be used ({error.strerror or error})"
            yield Finding(
                "page.certificate", what, "a certificate chain that is good today and its own key", only_warn
            )


def acts_findings(page: PageSettings, people: Collection[str]) -> Iterator[Finding]:
    """Give what is wrong with who may act from the rack's page, and with how their words get there."""
    for name in page.roles:
        if name not in people:
            yield Finding(f"page.roles.{name}", "nobody of that name", "one of `people` under [rack]")
    if page.acts and not people:
        yield Finding("page.acts", "no people", 'who signs in: people = ["Ada", "Kim"] under [rack]')
    if page.acts and not (_is_loopback(page.host) or page.tls() or page.behind_tls):
        what = f"{page.host} without TLS"
        yield Finding("page.acts", what, "certificate and key, behind_tls, or host 127.0.0.1")


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _greet(certificate: Path, key: Path) -> None:
    """Raise OSError where the files cannot be used, or a client that trusts them would turn away today."""
    server, client = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    server.load_cert_chain(certificate, key)
    client.load_verify_locations(certificate)
    client.check_hostname, client.verify_flags = False, ssl.VERIFY_X509_PARTIAL_CHAIN
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    theirs, ours = client.wrap_bio(to_client, to_server), server.wrap_bio(to_server, to_client, True)
    for side in (theirs, ours, theirs):
        with suppress(ssl.SSLWantReadError):
            side.do_handshake()
