"""Cross-checks of commands through the broker: who could send them? All are warnings."""

from collections.abc import Iterator

from daemon.errors import Problem
from daemon.settings.draft import Draft


def command_problems(draft: Draft) -> Iterator[Problem]:
    """Yield what lets more people command the daemon than the installer may think."""
    commands, broker = draft.settings.commands, draft.settings.broker
    if not commands.enabled:
        return
    if broker.username is None:
        yield Problem(
            "commands.enabled",
            "true, at a broker without users",
            "a broker with users and an access list; else anybody there may silence alarms",
            is_warning=True,
        )
    if not commands.kinds:
        yield Problem(
            "commands.kinds", "an empty list", "what may be asked, or enabled = false", is_warning=True
        )
