"""What is wrong with how a page is to be served."""

import ssl
from collections.abc import Collection, Iterator
from ipaddress import ip_address

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
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(*tls)
        except OSError as error:
            what = f"{page.certificate} and {page.key}, which cannot be used ({error.strerror or error})"
            yield Finding(
                "page.certificate", what, "a certificate chain and its own key, readable", only_warn
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
