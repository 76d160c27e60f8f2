"""A vessel is moved to another stage from its page: by who sets up, shown before, on a second word, once."""

import pytest

from tests.daemon.page.test_acts import OPEN, Person, did
from tests.daemon.page.test_pages import PHONE, scrolls_sideways, violations
from tests.rigs.page_rack import page_rack, served
from tests.rigs.parts.browser import chromium
from tests.rigs.parts.simulator_process import wait_for


@pytest.fixture
def rack(tmp_path):
    with page_rack(tmp_path, days=0.05, page=OPEN) as made, served(made) as address:
        made.address = address
        wait_for(lambda: "outer" in Person(made).get("/vessel/k1"))  # what was is known
        yield made


def moved(person, form=None, **what):
    known = form or person.form_of("/vessel/k1")
    return person.post("/vessel/k1", **known | {"stage": "juvenile", "over": "at once"} | what)[2]


def test_it_says_what_it_will_do_and_does_it_on_a_second_word(rack):
    bo = Person(rack, "bo")
    assert "<option>juvenile</option>" in bo.get("/vessel/k1")
    asked = moved(bo)
    assert "Move Kreisel 1 to juvenile at once?" in asked
    tolerance = rack.watch.engine.plan.tolerances_of("k1")["juvenile"]["temperature"].advisory
    assert f"<li>temperature {tolerance.low:.2f} to {tolerance.high:.2f} °C</li>" in asked
    assert did(rack, "move_stage") == []
    assert "Moved to juvenile over 8 d by bo." in moved(bo, yes="yes", over="over 8 d")
    assert did(rack, "move_stage") == [("bo", {"vessel": "k1", "stage": "juvenile", "over_s": 8 * 86_400})]
    assert rack.watch.engine.stages()["k1"].stage == "juvenile"
    assert "ephyra to juvenile, limits move until" in bo.get("/vessel/k1")


def test_who_only_acts_neither_sees_it_nor_does_it(rack):
    ada, bo = Person(rack, "ada"), Person(rack, "bo")
    assert "to another stage" not in ada.get("/vessel/k1")
    form = bo.form_of("/vessel/k1")
    assert "ada may only act here" in moved(ada, form, yes="yes")
    assert "of another sign-in" in moved(bo, form | {"key": ""}, yes="yes")
    assert "Sign in to act" in moved(Person(rack), form, yes="yes")
    assert did(rack, "move_stage") == []


def test_a_vessel_that_was_moved_meanwhile_is_asked_about_again(rack):
    bo = Person(rack, "bo")
    form = bo.form_of("/vessel/k1")
    rack.ask("move_stage", vessel="k1", stage="adult")
    said = moved(bo, form, yes="yes")
    assert "This has changed since you looked" in said
    assert rack.watch.engine.stages()["k1"].stage == "adult"
    for wrong in ({"stage": "adult"}, {"stage": "worm"}, {"over": "soon"}):
        assert "does not know that stage. Nothing was done." in moved(bo, yes="yes", **wrong)


def test_both_steps_fit_a_phone_and_can_be_used_by_all(rack, tmp_path):
    name, _, secret = Person(rack, "bo").cookie.partition("=")
    with chromium(tmp_path, device=PHONE) as phone:
        phone.get(rack.address)
        phone.add_cookie({"name": name, "value": secret, "sameSite": "Strict", "httpOnly": True})
        phone.get(f"{rack.address}/vessel/k1")
        phone.execute_script("document.querySelector('details').open = true")
        assert violations(phone) == []
        rack.while_it_runs(lambda: phone.execute_script("document.querySelector('details button').click()"))
        wait_for(lambda: "Yes, Kreisel 1 is" in phone.page_source)
        assert not scrolls_sideways(phone)
        assert violations(phone) == []
