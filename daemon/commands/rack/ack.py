"""`bellwatch ack` and `reset`: somebody has seen an alarm; a latched one may go."""

from functools import partial

from daemon.commands.rack.request import add_alarms

ack_arguments = partial(add_alarms, kind="acknowledge", done="acknowledged")
reset_arguments = partial(add_alarms, kind="reset", done="reset")
