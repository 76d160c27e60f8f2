"""The templates of a report: whatever is not markup yet is escaped in them."""

from jinja2 import Environment, PackageLoader, StrictUndefined

templates = Environment(
    loader=PackageLoader(__package__),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
