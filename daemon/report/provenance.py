"""Where what is printed comes from: version, settings, record, so that two can be told apart."""

import hashlib
import json
from collections.abc import Callable
from dataclasses import astuple, replace
from typing import Any

import numpy as np

from daemon.sources.recording import Inputs, Recording, one_by_one
from daemon.version import version as its_version
from rules import RULES_VERSION
from rules.readings import Readings

SHOWN = 12
"""Of a SHA-256 so many hexadecimal digits are printed: enough to tell apart what is at hand."""


def version() -> str:
    """Return the version of the program and of its rules."""
    return f"bellwatch {its_version()}, rules {RULES_VERSION}"


def of_settings(settings: dict[str, Any] | bytes) -> str:
    """Return the mark of settings: of their file, or of the plan that was made of it."""
    found = settings if isinstance(settings, bytes) else json.dumps(settings, sort_keys=True).encode()
    return hashlib.sha256(found).hexdigest()[:SHOWN]


def of_recording(recording: Recording) -> tuple[Recording, Callable[[], str]]:
    """Return a recording that is marked as it is gone through, and what gives the mark of all gone through.

    It is the same wherever the blocks were cut.
    """
    digest = hashlib.sha256()

    def inputs() -> Inputs:
        for item in recording.inputs():
            for part in one_by_one(iter([item])):
                if isinstance(part, Readings):
                    columns = (part.seq, part.at_ms, part.source, part.time_ms, part.value.view(np.int64))
                    digest.update(np.stack(columns, axis=1).tobytes())
                else:
                    digest.update(json.dumps(astuple(part), sort_keys=True).encode())
            yield item

    return replace(recording, inputs=inputs), lambda: digest.hexdigest()[:SHOWN]
