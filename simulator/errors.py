"""What the simulator refuses, and how it says so."""


class SimulatorError(Exception):
    """Something given to the simulator cannot be used; the message is one line per cause."""


class ScenarioError(SimulatorError):
    """A scenario file does not hold; `problems` has one line per error, each naming where it is."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class WireError(SimulatorError):
    """A port or broker on this machine cannot be opened."""
