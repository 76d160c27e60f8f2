"""Where things of the checkout are, for tests in any folder."""

from pathlib import Path

ROOT = Path(__file__).parents[2]
DATA = ROOT / "tests" / "data"
DEPLOY = ROOT / "deploy"
EXAMPLE = DEPLOY / "bellwatch.example.toml"
DEMO_SETTINGS = ROOT / "daemon" / "commands" / "install" / "demo_settings.toml"
