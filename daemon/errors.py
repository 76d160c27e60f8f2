"""What the daemon refuses, in words for the installer.

BellwatchError
├── CommandError     a command through the broker is refused at the door
├── DemoError        the demonstration could not be set up
├── JournalError     the journal's file cannot be used
│   └── DamagedJournalError  ... because it is broken
├── OnCallError      the on-call process cannot do what was asked of it
├── MissingExtraError  a library that an optional part needs is not installed
├── RequestError     the daemon did not do what another process asked of it
│   ├── UnansweredError  ... or has not said so in time
│   └── UsedIdError      ... because the same id stands for something else
├── SettingsError    the settings file cannot be used; carries every Finding in it
├── SignInError      nobody is signed in by that
├── SourceError      what a replay was to read cannot be read
└── TuneError        nothing can be recommended, or not written
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing about the settings file: where, what was found, and what would be right.

    A warning is worth reading but does not keep the daemon from running.
    """

    path: str
    found: str
    expected: str
    is_warning: bool = False

    def __str__(self) -> str:
        mark = "warning: " if self.is_warning else ""
        return f"{mark}{self.path}: found {self.found}; expected {self.expected}"


class BellwatchError(Exception):
    """Anything that the daemon refuses; its text is one line for the person who can mend it."""


class SettingsError(BellwatchError):
    """The settings file cannot be used; `findings` says everything that is wrong with it."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__("\n".join(str(finding) for finding in self.findings))

    @classmethod
    def of(cls, path: str, found: str, expected: str) -> Self:
        """Return the error of one finding."""
        return cls([Finding(path, found, expected)])


class JournalError(BellwatchError):
    """The journal's file cannot be used."""


class DamagedJournalError(JournalError):
    """The journal's file is broken: it can be set aside, and what is readable of it saved."""


class CommandError(BellwatchError):
    """A command through the broker is refused at the door; nothing was done."""


class OnCallError(BellwatchError):
    """The on-call process cannot do what was asked of it."""


class MissingExtraError(BellwatchError):
    """A library that an optional part needs is not installed."""


class RequestError(BellwatchError):
    """The daemon did not do what another process asked of it."""


class UnansweredError(RequestError):
    """The daemon has not answered in time; it takes up what was asked when it runs."""


class UsedIdError(RequestError):
    """The id of a request stands for something else, which was asked before."""


class DemoError(BellwatchError):
    """The demonstration could not be set up."""


class SignInError(BellwatchError):
    """Nobody is signed in at a page by what was shown to it, or its file of devices cannot be used."""


class SourceError(BellwatchError):
    """What a replay, an import or a mark was to be read from cannot be read."""


class TuneError(BellwatchError):
    """Nothing can be recommended from these data, or what was chosen cannot be written."""
