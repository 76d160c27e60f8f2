"""The look of every page: templates in which whatever is not markup yet is escaped, and one style."""

import re

from jinja2 import Environment, PackageLoader, StrictUndefined


def templates_of(package: str) -> Environment:
    """Return the templates that lie in the folder `templates` of a package."""
    return Environment(
        loader=PackageLoader(package),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


_TEMPLATES = templates_of(__package__)
_WHOLE = "|".join(
    rf"{name}\b.*?</{name}" for name in ("script", "style", "svg", "title", "textarea", "select")
)
_NO_TEXT = re.compile(rf"(<(?:{_WHOLE}|[^>]*)>)", re.DOTALL)
_DAY = re.compile(r"\b\d{4}-\d\d-\d\d\b")
STYLE = _TEMPLATES.get_template("style.css").render()


def page_of(template: str, **values: object) -> str:
    """Return a whole page."""
    return unbroken(_TEMPLATES.get_template(template).render(**values))


def unbroken(html: str) -> str:
    """Return a page in whose text no date is broken over two lines, as browsers do at its hyphens."""
    parts = _NO_TEXT.split(html)
    parts[::2] = [_DAY.sub(r'<span class="day">\g<0></span>', text) for text in parts[::2]]
    return "".join(parts)
