"""A label of a vessel to print: its name, who lives in it, and a code that opens its page."""

from html import escape
from io import BytesIO

import segno

from daemon.culture.record import Record
from daemon.culture.words import cohort_text
from daemon.settings.rack import Settings


def address_of(settings: Settings, vessel: str) -> str:
    """Return the address of a vessel's page as browsers of the place reach it."""
    its = settings.page
    host = its.names[0] if its.names else its.host
    secure = its.behind_tls or its.certificate is not None
    port = "" if its.behind_tls else f":{its.port}"
    return f"{'https' if secure else 'http'}://{host}{port}/vessel/{vessel}"


def label_of(record: Record, vessel: str) -> str:
    """Return the label as a page of HTML that needs nothing else."""
    picture, address = BytesIO(), address_of(record.settings, vessel)
    segno.make(address, error="m").save(picture, kind="svg", scale=4, xmldecl=False, svgns=True)
    here = [cohort_text(of) for of in record.culture.cohorts.values() if vessel in of.vessels]
    called = record.settings.vessels[vessel].label or vessel
    lines = "".join(f"<p>{escape(line)}</p>" for line in here)
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        f"<title>{escape(called)}</title><style>body{{font:14pt sans-serif;width:80mm}}h1{{font-size:22pt}}"
        f"svg{{width:35mm;height:35mm}}</style><h1>{escape(called)}</h1>{picture.getvalue().decode()}"
        f"{lines}<p>{escape(address)}</p></html>\n"
    )
