"""Which version this is."""

from importlib import metadata
from pathlib import Path


def version() -> str:
    """Return the version of what is installed, or of the checkout that nobody has installed."""
    try:
        return metadata.version("bellwatch")
    except metadata.PackageNotFoundError:
        import tomllib  # noqa: PLC0415  (slow to load)

        text = (Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8")
        return str(tomllib.loads(text)["project"]["version"])
