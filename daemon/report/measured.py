"""The alarm measures of the standard as the cells of a table, the same in a report, a handover and a page."""

from collections.abc import Sequence
from dataclasses import dataclass

from rules.alarms.episodes import Episode
from rules.alarms.life_cycle import Priority
from rules.alarms.measures import REFERENCE, Measures, by_week, measures

REFERENCE_SHARES = "80 / 15 / 5 / under 1"
OF_THE_STANDARD = (
    "IEC 62682 / ANSI/ISA-18.2; reference values from memory, per operator of a staffed console."
)


@dataclass(frozen=True, slots=True)
class Cell:
    """Words, the key that the column is sorted by (empty: the words), and how they look ("n": a number)."""

    text: str
    key: str = ""
    kind: str = ""


def number_cell(value: float, decimals: int = 0, unit: str = "") -> Cell:
    """Write a number."""
    return Cell(f"{value:.{decimals}f}{unit}", str(value), "n")


def measured(week: Measures) -> list[Cell]:
    """Return the measures of a stretch in the order of `REFERENCE`, and the shares of priorities."""
    return [
        number_cell(week.per_day, 1),
        number_cell(week.per_hour, 2),
        number_cell(week.per_ten_minutes, 3),
        number_cell(100 * week.busy_hours, 1, " %"),
        number_cell(100 * week.busy_ten_minutes, 1, " %"),
        number_cell(week.most_in_ten_minutes),
        number_cell(100 * week.flood_time, 1, " %"),
        number_cell(100 * week.top_share, 0, " %"),
        number_cell(week.chattering),
        number_cell(week.fleeting),
        number_cell(week.stale),
        Cell(" / ".join(f"{100 * week.priorities[rank]:.0f}" for rank in Priority)),
    ]


def measured_by_week(episodes: Sequence[Episode], start_ms: int, stop_ms: int) -> list[tuple[str, ...]]:
    """Return for each measure its name, the standard's value, and what it was in each week and in all."""
    span = episodes, start_ms, stop_ms
    cells = [
        [*(cell.text for cell in measured(week)[:-1]), *_shares(week)]
        for week in (*by_week(*span), measures(*span))
    ]
    references = [*REFERENCE.values(), *REFERENCE_SHARES.split(" / ")]
    names = [*REFERENCE, *(f"{rank.word} priority %" for rank in Priority)]
    return list(zip(names, references, *cells, strict=True))


def _shares(week: Measures) -> list[str]:
    return [f"{100 * week.priorities[rank]:.0f}" for rank in Priority]
