"""What holds for every test."""

import pytest
import structlog


@pytest.fixture(autouse=True)
def logs_as_they_were():
    """Take back what a command under test set up for its logs: its standard error is closed by now."""
    yield
    structlog.reset_defaults()
