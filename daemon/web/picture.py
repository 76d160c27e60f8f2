"""A small picture of a value's last hours between its limits, drawn without a script: pure geometry."""

from collections.abc import Sequence
from dataclasses import dataclass

WIDTH, TOP, HEIGHT = 340.0, 8.0, 120.0
_MARGIN = 0.1


@dataclass(frozen=True, slots=True)
class Picture:
    """What a template writes out: fields (y, height) from the outer to the inner, limits (y, number), a line.

    `hours` are (x, hours ago); `words` say the same.
    """

    beyond: tuple[float, float]
    outer: tuple[float, float]
    inner: tuple[float, float]
    limits: tuple[tuple[float, str], ...]
    hours: tuple[tuple[float, int], ...]
    trace: str
    words: str


def picture_of(points: Sequence[tuple[float, float]], limits: Sequence[float | None]) -> Picture | None:
    """Return the picture of `points` (hours ago, value), the oldest first; None where there are too few.

    `limits` are critical low, advisory low, advisory high and critical high; None where there is none.
    """
    if len(points) < 2:
        return None
    values, known = [value for _, value in points], [limit for limit in limits if limit is not None]
    low, high = min(*values, *known), max(*values, *known)
    margin = _MARGIN * (high - low) or max(1.0, abs(high) / 1000)
    low, high, since_h = low - margin, high + margin, max(points[0][0], 0.1)

    def y(value: float) -> float:
        return TOP + HEIGHT * (high - value) / (high - low)

    def x(ago_h: float) -> float:
        return WIDTH * (1 - ago_h / since_h)

    def between(bottom: float | None, top: float | None) -> tuple[float, float]:
        upper, lower = (y(end if it is None else it) for it, end in ((top, high), (bottom, low)))
        return upper, lower - upper

    words = (
        f"The last {since_h:.1f} h: from {values[0]:g} to {values[-1]:g}, lowest {min(values):g}, "
        f"highest {max(values):g}. Limits: {_words(limits[1], limits[2])}; "
        f"critical {_words(limits[0], limits[3])}."
    )
    return Picture(
        between(None, None),
        between(limits[0], limits[3]),
        between(limits[1], limits[2]),
        tuple((y(limit), f"{limit:g}") for limit in known),
        tuple((x(hour), hour) for hour in range(1, int(since_h) + 1)),
        " ".join(f"{x(ago_h):.1f},{y(value):.1f}" for ago_h, value in points),
        words,
    )


def _words(low: float | None, high: float | None) -> str:
    """Say between what something is tolerated."""
    if low is None or high is None:
        return "none" if low == high else f"below {high:g}" if low is None else f"above {low:g}"
    return f"{low:g} to {high:g}"
