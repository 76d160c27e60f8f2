"""The handover as one HTML file, to be read or printed; nothing in it is loaded from anywhere else."""

from daemon.handover.sections import Handover
from daemon.web.look import STYLE, templates_of
from daemon.words import SHAPES
from rules.alarms.life_cycle import Priority

_templates = templates_of(__package__)
_MARKS = {SHAPES[priority]: priority.word for priority in Priority}


def page(handover: Handover) -> str:
    """Return the whole page."""
    return _templates.get_template("handover.html").render(handover=handover, style=STYLE, marks=_MARKS)
