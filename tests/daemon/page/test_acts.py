"""What people do from the page, by a real browser and the real watch's box of requests: who may, and once."""

import http.client
import re
import time
import urllib.parse

import pytest

from daemon.commands.cli import main
from daemon.page.people import devices_of
from tests.daemon.page.test_pages import PHONE, errors_in, text_of, violations
from tests.rigs.nights.recorded_nights import quiet
from tests.rigs.page_rack import HOUR_MS, page_rack, served
from tests.rigs.parts.browser import chromium
from tests.rigs.parts.simulator_process import wait_for

OPEN = 'acts = true\nroles = { cy = "look", bo = "set up" }'
RISING = "k1/temperature/rising"


@pytest.fixture
def rack(tmp_path):
    drifts = {("k1", "temperature"): (0.9, 5.0)}
    with page_rack(tmp_path, days=0.3, drifts=drifts, page=OPEN) as made, served(made) as address:
        made.address = address
        yield made


@pytest.fixture
def opened(tmp_path):
    with chromium(tmp_path / "phone", device=PHONE) as browser:
        yield browser


class Person:
    """Somebody with a device of their own, and no script in it."""

    def __init__(self, rack, name=""):
        self.rack, self.cookie = rack, ""
        if name:
            code = devices_of(rack.settings).new_code(name, int(time.time() * 1000))
            status, headers, _ = self.post("/sign-in", code=code)
            assert status == 303
            self.given = headers["Set-Cookie"]
            self.cookie = self.given.partition(";")[0]

    def ask(self, method, path, form=None, **headers):
        connection = http.client.HTTPConnection("127.0.0.1", self.rack.port, timeout=30)
        headers |= {"Cookie": self.cookie, "Content-Type": "application/x-www-form-urlencoded"}
        connection.request(method, path, urllib.parse.urlencode(form or {}), headers)
        with connection.getresponse() as answer:
            return answer.status, answer.headers, answer.read().decode()

    def get(self, path):
        return self.ask("GET", path)[2]

    def post(self, path, **form):
        return self.rack.while_it_runs(lambda: self.ask("POST", path, form))

    def form_of(self, path):
        """What the forms of a page carry along."""
        return dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', self.get(path)))

    def act(self, alarm=RISING, form=None, **what):
        if form is None:
            wait_for(lambda: "shown" in self.form_of(f"/alarm/{alarm}"))  # the page has seen it
            form = self.form_of(f"/alarm/{alarm}")
        return self.post(f"/alarm/{alarm}", **form | what)[2]


def did(rack, kind):
    """What the journal holds of what people did, with who."""
    return [(it.who, it.body) for it in rack.journal.inputs.actions(kind)]


def state_of(rack, alarm=RISING):
    return next(it.state for it in rack.watch.engine.alarms() if it.name == alarm)


def test_an_alarm_is_acknowledged_on_a_phone_after_a_code_was_typed_in(rack, opened, capsys):
    assert main(["page", "--pair", "ada", "--settings", str(rack.file)]) == 0
    quiet()  # the command has set up logs
    code = capsys.readouterr().out.splitlines()[0]
    opened.get(f"{rack.address}/sign-in")
    assert violations(opened) == []
    opened.find_element("css selector", "input[name=code]").send_keys(code)
    opened.find_element("css selector", "main button").click()
    wait_for(lambda: "Signed in as ada." in text_of(opened))
    opened.execute_script("document.querySelector('.say a').click()")  # at once: the page is alive
    wait_for(lambda: "I have seen it" in text_of(opened))
    assert violations(opened) == []
    seen = opened.find_element("css selector", "button[value=acknowledge]")

    def touched():
        seen.click()
        wait_for(lambda: "Noted that ada has seen it." in text_of(opened))

    rack.while_it_runs(touched)
    assert "Seen by ada" in text_of(opened)
    assert did(rack, "acknowledge") == [("ada", {"alarm": RISING})]
    assert violations(opened) == []
    assert errors_in(opened) == []


def test_it_can_be_acknowledged_without_scripts(rack):
    assert "Noted that ada has seen it." in Person(rack, "ada").act(act="acknowledge")
    assert state_of(rack) == "acknowledged"


def test_nobody_acts_who_is_not_signed_in_or_may_only_look(rack):
    nobody, looker = Person(rack), Person(rack, "cy")
    assert "Sign in to act. Nothing was done." in nobody.act(form={"x": ""}, act="acknowledge")
    assert "cy may only look" in looker.act(form={"x": ""}, act="acknowledge")
    assert 'name="act"' not in looker.get(f"/alarm/{RISING}")
    assert did(rack, "acknowledge") == []


def test_who_only_acts_does_not_take_out_of_service_and_who_sets_up_does(rack):
    form = {"act": "take_out_of_service", "why": "a test"}
    assert "ada may only act" in Person(rack, "ada").act(**form)
    assert "Taken out of service by bo." in Person(rack, "bo").act(**form)


def test_a_form_of_elsewhere_does_nothing(rack):
    ada = Person(rack, "ada")
    form = ada.form_of(f"/alarm/{RISING}")
    assert "of another sign-in" in ada.act(form=form | {"key": ""}, act="acknowledge")
    path = f"/alarm/{RISING}"
    body = form | {"act": "acknowledge"}
    assert ada.ask("POST", path, body, Origin="https://bad.example")[0] == 403
    assert ada.ask("POST", path, body, **{"Sec-Fetch-Site": "cross-site"})[0] == 403
    assert did(rack, "acknowledge") == []


def test_an_alarm_that_has_changed_since_it_was_looked_at_is_asked_about_again(rack):
    ada, bo = Person(rack, "ada"), Person(rack, "bo")
    form = ada.form_of(f"/alarm/{RISING}")
    bo.act(act="acknowledge")
    said = ada.act(form=form, act="shelve", minutes="30", why="a test")
    assert "This has changed since you looked" in said
    assert "Seen by bo" in said
    assert did(rack, "shelve") == []
    assert "Kept from people by ada for 30 min." in ada.act(act="shelve", minutes="30", why="a test")


def test_a_form_that_is_sent_twice_is_done_once(rack):
    ada = Person(rack, "ada")
    form = ada.form_of("/write?vessel=k1&kind=feed")
    for _ in range(2):
        assert (
            "Feed of Kreisel 1 written down by ada." in ada.post("/write", **form, vessel="k1", value="6")[2]
        )
    assert [body["value"] for _, body in did(rack, "log")] == [6]


def test_a_form_that_is_sent_again_with_other_words_says_what_became_of_the_first_and_keeps_them(rack):
    ada = Person(rack, "ada")
    form = ada.form_of("/write?vessel=k1&kind=feed") | {"vessel": "k1"}
    ada.post("/write", **form, value="6")
    page = ada.post("/write", **form, value="7", note="nauplii")[2]
    assert "This form was sent before with other words; that was done. What it says now was not sent" in page
    assert 'value="7"' in page
    assert 'value="nauplii"' in page
    assert [body["value"] for _, body in did(rack, "log")] == [6]
    again = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', page))
    assert "written down by ada" in ada.post("/write", **again, vessel="k1", value="7")[2]
    assert [body["value"] for _, body in did(rack, "log")] == [6, 7]
    refused = ada.form_of("/write?vessel=k1&kind=feed") | {"vessel": "k1"}
    ada.post("/write", **refused, value="-1")
    assert "that was not done: value: found -1" in ada.post("/write", **refused, value="8")[2]


def test_what_the_watch_has_not_answered_is_sent_again_as_the_same(rack, monkeypatch):
    monkeypatch.setattr("daemon.page.acts.ANSWER_WITHIN_S", 0.2)
    ada = Person(rack, "ada")
    form = ada.form_of("/write?vessel=k1&kind=feed") | {"vessel": "k1", "value": "6"}
    page = ada.ask("POST", "/write", form)[2]  # nobody takes it up
    assert "no answer from the daemon" in page
    assert f'name="id" value="{form["id"]}"' in page
    other = ada.ask("POST", "/write", form | {"value": "7"})[2]
    assert "the watch will take that up when it runs" in other
    monkeypatch.undo()
    assert "written down by ada" in ada.post("/write", **form)[2]
    assert [body["value"] for _, body in did(rack, "log")] == [6]


def test_while_the_journal_is_gone_it_is_told_in_a_line_and_what_was_typed_stays(rack):
    ada = Person(rack, "ada")
    form = ada.form_of("/write?vessel=k1&kind=feed") | {"vessel": "k1", "value": "6"}
    path = rack.settings.journal.path
    path.rename(path.with_name("away"))
    wait_for(lambda: "no such file" in ada.get("/"))
    assert "Whether this alarm stands is not known now." in ada.get(f"/alarm/{RISING}")
    assert "Who is on call is not known now." in ada.get("/team")
    for method, said in (("GET", None), ("POST", form)):
        status, _, page = ada.ask(method, "/write", said)
        assert status == 503
        assert "What was written down cannot be shown: journal" in page
    assert "no such file; is this the daemon&#39;s settings file?" in page
    assert 'value="6"' in page
    path.with_name("away").rename(path)
    assert "written down by ada" in ada.post("/write", **form)[2]


def test_a_critical_alarm_is_shelved_with_a_second_word_only(rack):
    rack.drifts[("k1", "temperature")] = (3.0, 8.0)
    rack.now_ms += HOUR_MS
    rack.live()
    alarm = "k1/temperature/high_high"
    assert state_of(rack, alarm)
    ada = Person(rack, "ada")
    form = {"act": "shelve", "minutes": "30", "why": "a test"}
    wait_for(lambda: "animals are at risk" in ada.act(alarm, **form))
    assert "Kept from people by ada" in ada.act(alarm, second="yes", **form)


def test_work_on_a_vessel_begins_and_ends(rack):
    ada = Person(rack, "ada")
    form = {"act": "begin_maintenance", "minutes": "30", "why": "water change"}
    assert "Under maintenance by ada for 30 min." in ada.act(**form)
    assert list(rack.watch.engine.maintenance()) == ["vessel/k1"]
    assert "Maintenance ended by ada." in ada.act(act="end_maintenance")
    assert not rack.watch.engine.maintenance()


def test_who_signs_out_is_nobody_again_and_the_cookie_is_kept_from_scripts_and_other_pages(rack):
    ada = Person(rack, "ada")
    assert ada.given.endswith("; HttpOnly; SameSite=Strict")
    assert "Signed in as ada." in ada.get("/")
    key = ada.form_of("/")["key"]
    assert ada.post("/sign-out", key="wrong")[0] == 404
    assert ada.post("/sign-out", key=key)[0] == 303
    assert "Signed in as" not in ada.get("/")


def test_the_rack_is_shown_while_nobody_can_tell_who_asks(rack):
    ada = Person(rack, "ada")
    rack.journal.path.with_name(f"{rack.journal.path.name}.devices").write_bytes(b"no database" * 500)
    page = ada.get("/")
    assert "Kreisel 1" in page
    assert "Signed in as" not in page
    assert "file is not a database" in ada.post("/sign-in", code="abc")[2]


def test_where_nobody_may_act_there_is_no_way_to(tmp_path):
    with page_rack(tmp_path, days=0.02) as rack, served(rack):
        nobody = Person(rack)
        for path in ("/write", "/sign-in", "/sign-out"):
            assert nobody.ask("GET", path)[0] == 404
        assert "/sign-in" not in nobody.get("/")
        assert "Nothing was done" in nobody.act("k1/temperature/high", form={"x": ""}, act="acknowledge")


@pytest.mark.parametrize(
    ("page", "line"),
    [
        (
            'acts = true\nhost = "0.0.0.0"',
            "page.acts: found 0.0.0.0 without TLS; expected certificate and",
        ),
        ('roles = { dee = "act" }', "page.roles.dee: found nobody of that name; expected one of `people`"),
        ('roles = { ada = "rule" }', "page.roles.ada"),
    ],
)
def test_settings_that_would_let_the_wrong_ones_act_are_refused(tmp_path, capsys, page, line):
    with page_rack(tmp_path, days=0.01) as rack:
        text = rack.file.read_text()
        rack.file.write_text(text.replace("port = ", f"{page}\nport = ", 1))
        assert main(["page", "--settings", str(rack.file)]) == 2
    assert line in capsys.readouterr().err


def test_a_code_is_for_people_of_the_rack_only(rack, capsys):
    assert main(["page", "--pair", "dee", "--settings", str(rack.file)]) == 2
    quiet()
    assert "pair: there is no dee; known are: ada, bo, cy" in capsys.readouterr().err
