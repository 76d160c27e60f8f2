"""Cross-checks of commands through the broker: who could send them? All are warnings."""

from collections.abc import Iterator

from daemon.errors import Finding
from daemon.settings.draft import Draft


def command_findings(draft: Draft) -> Iterator[Finding]:
    """Yield what lets more people command the daemon than the installer may think."""
    commands, broker = draft.settings.commands, draft.settings.broker
    if not commands.enabled:
        return
    if broker.username is None:
        expected = "a broker with users and an access list; else anybody there may silence alarms"
        yield Finding("commands.enabled", "true, at a broker without users", expected, is_warning=True)
    if not commands.kinds:
        expected = "what may be asked, or enabled = false"
        yield Finding("commands.kinds", "an empty list", expected, is_warning=True)
