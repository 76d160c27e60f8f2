"""The page *Team*: which on-call process is heard, what nobody has taken, and who may do what."""

import threading

import pytest

from daemon.broker.noted import ONCALL, OnCallHeard
from daemon.page.pages import RackPages
from daemon.settings.page import Role
from daemon.web.server import Request
from tests.rigs.minute_rack import rack_in

ALARM = "k1/temperature/high_high"


@pytest.mark.parametrize(
    ("heard", "says"),
    [
        (None, ["no on-call process was ever heard"]),
        (
            OnCallHeard("night on pi2", alive=True, untaken={}),
            [
                "People are called by night on pi2, heard",
                "Not known here; <code>bellwatch oncall status</code>",
            ],
        ),
        (
            OnCallHeard("night on pi2", True, 0, {}, on_call="<b>ada", until_ms=1_796_630_400_000, then="bo"),
            ["On call now</h2>", '&lt;b&gt;ada until <span class="day">2026-12-07</span> 09:00, then bo'],
        ),
        (
            OnCallHeard("night on pi2", True, 0, {}, on_call="ada", until_ms=1_796_630_400_000),
            ['"duty">ada until <span class="day">2026-12-07</span> 09:00</p>'],
        ),
        (
            OnCallHeard("night on pi2", False, 0, {}, on_call="ada"),
            [
                "On call, as was said last</h2>",
                '"duty">ada</p>',
                "Nobody is called: night on pi2 is NOT HEARD",
            ],
        ),
        (
            OnCallHeard("night on pi2", alive=False, untaken={ALARM: 0}),
            ["night on pi2 is NOT HEARD", f"<b>Nobody has taken:</b> {ALARM}."],
        ),
    ],
)
def test_it_says_who_calls_people_as_far_as_the_rack_knows(tmp_path, heard, says):
    with rack_in(tmp_path, '[page]\nacts = true\nroles = { ada = "look" }\n') as rack:
        rack.minutes(5)
        people = {"rack": rack.settings.rack.model_copy(update={"people": ("ada", "bo")})}
        settings = rack.settings.model_copy(update=people)
        if heard is not None:
            with rack.journal.transaction():
                rack.journal.state.keep_record(ONCALL, heard)
        pages = RackPages(settings, threading.Event())
        pages.pulse.look_now()
        text = pages(Request("/team", {}, acts=False)).html
    for said in says:
        assert said in text
    assert [f"<li>{name}: {role}</li>" in text for name, role in (("ada", Role.LOOK), ("bo", Role.ACT))] == [
        True,
        True,
    ]
