"""The look of every page: templates in which whatever is not markup yet is escaped, and one style."""

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
STYLE = _TEMPLATES.get_template("style.css").render()


def page_of(template: str, **values: object) -> str:
    """Return a whole page."""
    return _TEMPLATES.get_template(template).render(**values)
