"""What the simulator refuses, and how it says so."""


class SimulatorError(Exception):
    """Something given to the simulator cannot be used; the message is one line per cause."""


class ScenarioError(SimulatorError):
    """A scenario file does not hold; `findings` has one line per error, each naming where it is."""

    def __init__(self, findings: list[str]) -> None:
        super().__init__("\n".join(findings))
        self.findings = findings


class WireError(SimulatorError):
    """A port or broker on this machine cannot be opened."""
