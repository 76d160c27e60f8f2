"""Certificates of an authority of our own, made with openssl for one test."""

import subprocess


def own_authority(folder, name):
    """Make a certificate authority with openssl; return its certificate."""
    certificate = folder / f"{name}.pem"
    openssl("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2",
            "-subj", f"/CN={name}", "-addext", "keyUsage=critical,keyCertSign",
            "-keyout", folder / f"{name}.key", "-out", certificate)  # fmt: skip
    return certificate


def signed_by(folder, authority, address, days=2):
    """Make a server's certificate for an address, signed by an authority; its key lies beside it.

    With less than no `days` it has expired when it is made.
    """
    request, certificate = folder / "server.csr", folder / "server.pem"
    names = folder / "names"
    names.write_text(f"subjectAltName=IP:{address}\n")
    openssl("req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-subj", "/CN=broker",
            "-keyout", certificate.with_suffix(".key"), "-out", request)  # fmt: skip
    openssl("x509", "-req", "-in", request, "-CA", folder / f"{authority}.pem",
            "-CAkey", folder / f"{authority}.key", "-CAcreateserial", "-days", days,
            "-extfile", names, "-out", certificate)  # fmt: skip
    return certificate


def openssl(*arguments):
    subprocess.run(["openssl", *map(str, arguments)], check=True, capture_output=True, timeout=60)
