"""The look of every page: templates in which whatever is not markup yet is escaped, and one style."""

from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined

_TEMPLATES = Environment(
    loader=PackageLoader(__package__),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
STYLE = files(__package__).joinpath("templates/style.css").read_text(encoding="utf-8")


def page_of(template: str, **values: object) -> str:
    """Return a whole page."""
    return _TEMPLATES.get_template(template).render(**values)
