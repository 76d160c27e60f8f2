"""`bellwatch out-of-service` and `back-in-service`: an alarm is off, for a reason, until it is put back."""

from functools import partial

from daemon.commands.rack.request import add_alarms

out_of_service_arguments = partial(
    add_alarms, kind="take_out_of_service", done="out of service", keys=("why",)
)
back_in_service_arguments = partial(add_alarms, kind="put_back_into_service", done="back in service")
