"""All that falls due in one list: alarms and work, and what the animals are likely to do next."""

from daemon.culture.record import record_of
from daemon.culture.words import ahead_lines
from daemon.settings.rack import Settings
from daemon.view.rack import rack_now
from daemon.view.reader import JournalView
from daemon.view.today import open_notices, to_do


def due_lines(settings: Settings, now_ms: int) -> list[str]:
    """Return each thing in a line."""
    work = to_do(rack_now(JournalView(settings), now_ms), open_notices(settings))
    return [*work, *ahead_lines(record_of(settings, now_ms))] or ["Nothing but the daily round."]
