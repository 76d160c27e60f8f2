"""What is wrong with how a page is to be served."""

import ssl
from collections.abc import Iterator

from daemon.errors import Finding
from daemon.settings.page import ServedPage


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
