"""Batches of animals at the page: every act in one form, refused in a line, and what falls due."""

import re

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.support.select import Select

from daemon.culture.clauses import SAMPLES, SHORT, beside
from daemon.journal.logbook import acts_in
from daemon.tables.values import utc_ms
from rules.culture.cohorts import culture_of
from rules.rack.logbook import ENTRY_KINDS
from tests.daemon.page.test_acts import OPEN, Person, did
from tests.daemon.page.test_pages import PHONE, scrolls_sideways, violations
from tests.rigs.page_rack import page_rack, served
from tests.rigs.parts.browser import chromium
from tests.rigs.parts.simulator_process import wait_for


@pytest.fixture(scope="module")
def rack(tmp_path_factory):
    with page_rack(tmp_path_factory.mktemp("rack"), days=0.05, page=OPEN) as made, served(made) as address:
        made.address = address
        yield made


def done(rack, what, value="", **form):
    """What the page says of an act, sent with every field, as a browser does."""
    person = Person(rack, "ada")
    fields = re.findall(r'<(?:input|select)[^>]* name="(\w+)"', person.get("/animals"))
    known = dict.fromkeys(fields, "") | person.form_of("/animals")
    return person.post("/animals", **known | {"what": what, "value": value} | form)[2]


def test_acts_and_samples_of_a_batch_are_written_down_and_wrong_ones_stay_in_the_form(rack):
    first = Person(rack, "ada").get("/animals")
    assert "No batch is written down yet" in first
    assert first.index('name="new"') < first.index("<details>"), "it is all that can be begun with"
    new = {"new": "e1", "vessel": "k1", "stage": "ephyra", "lineage": "aurita"}
    assert "e1: begin written down by ada." in done(rack, "begin", "200", **new)
    assert "e1: move written down by ada." in done(rack, "move", "40", batch="e1", to="k2")
    assert "e1: bell diameter written down" in done(rack, "bells", "8,1 9.2; 7.7", batch="e1", vessel="k2")
    page = done(rack, "died", "41", batch="e1", vessel="k2", cause="k1 <pump>")
    assert "value: found 41; of e1 there are 40 at most in k2, or count them" in page
    assert 'value="41"' in page
    assert 'value="k1 &lt;pump&gt;"' in page
    assert "e1: died written down" in done(rack, "died", "1", batch="e1", vessel="k2", cause="k1 <pump>")
    of = culture_of(acts_in(rack.journal)).cohorts["e1"]
    assert {name: it.number for name, it in of.stocks.items()} == {"k1": 160, "k2": 39}
    assert of.causes == {"k1 <pump>": 1}
    assert did(rack, "log")[-1][1]["values"] == [8.1, 9.2, 7.7]
    assert "say in which" in done(rack, "feed", "20", batch="e1")
    assert "e1: ephyra, aurita, k1 160, k2 39, died 1" in Person(rack, "ada").get("/animals")
    page = done(rack, "move", "all", batch="e1", vessel="k2", to="k1")
    assert "e1: move written down by ada, all 39 in k2." in page
    assert '<option value="e1" selected>' in page, "the next act is about the same animals, as a rule"
    assert page.index('value="begin"') > page.index('value="bells"'), "and begins none"


def test_where_it_lives_is_known_of_a_batch_that_is_split_to_another_vessel_or_moved(rack):
    new = {"new": "w1", "vessel": "t1", "stage": "polyp", "lineage": "aurita"}
    assert "w1: begin written down" in done(rack, "begin", "200", **new)
    said = done(rack, "split", "20", batch="w1", to="t2", into="w2")
    assert "w1: split written down by ada; w2 is a new batch." in said
    cohorts = culture_of(acts_in(rack.journal)).cohorts
    assert [{name: it.number for name, it in cohorts[code].stocks.items()} for code in ("w1", "w2")] == [
        {"t1": 180},
        {"t2": 20},
    ]
    assert "w1: move written down" in done(rack, "move", "30", batch="w1", to="t2")
    assert "w1: move written down" in done(rack, "move", "10", batch="w1", vessel="t2", to="t1")
    assert "w1 lives in t1, t2; say from which to which" in done(rack, "move", "10", batch="w1", to="t1")


def test_what_was_done_before_and_the_ph_beside_ammonia_are_fields(rack):
    new = {"new": "c1", "vessel": "k1", "stage": "ephyra", "lineage": "aurita", "when": "2026-08-14T06:30"}
    page = done(rack, "begin", "9", **new)
    assert "c1: begin written down by ada" in page, page
    (began,) = [it for it in acts_in(rack.journal) if it.cohort == "c1"]
    assert began.at_ms == utc_ms("2026-08-14T06:30+02:00")
    water = {"ph": "8,1", "scale": "total", "t": "15", "s": "32"}
    page = done(rack, "ammonia", "0,3", batch="c1", **water | {"ph": "81"})
    assert "ph: found 81.0; expected 5 to 10" in page, "as the terminal says it"
    assert 'name="ph" value="81"' in page
    page = done(rack, "ammonia", "0,3", batch="c1", when="2098-01-01T00:00", **water)
    assert "when: expected a moment that is not still to come" in page
    assert "<details open>" in page, "what is refused is in sight"
    assert "c1: ammonia written down" in done(rack, "ammonia", "0,3", batch="c1", **water)
    entry = did(rack, "log")[-1][1]
    assert (entry["ph"], entry["scale"], entry["temperature_c"], entry["salinity"]) == (8.1, "total", 15, 32)
    assert "c1: feed written down" in done(rack, "feed", "5", batch="c1", **water), "food has no pH"
    assert "ph" not in did(rack, "log")[-1][1]


def test_what_leaves_fewer_than_none_is_asked_back_and_said_by_a_tick(rack):
    new = {"new": "n1", "vessel": "k1", "stage": "ephyra", "when": "2026-08-14T06:30"}
    assert "n1: begin written down" in done(rack, "begin", "9", **new)
    assert "n1: died written down" in done(rack, "died", "9", batch="n1", when="2026-08-16T06:30")
    late = {"batch": "n1", "vessel": "k1", "when": "2026-08-15T06:30"}
    assert '<option value="n1">' in Person(rack, "ada").get("/animals"), "it may be put right"
    page = done(rack, "died", "2", **late)
    assert "leaves -2 of n1 in k1; put that right first, or where it is so, add --another" in page
    assert '<input type="checkbox" name="another" value="yes"> It is so' in page
    assert "n1: died written down" in done(rack, "died", "2", another="yes", **late)
    of = culture_of(acts_in(rack.journal)).cohorts["n1"]
    assert of.now.number == -2


def test_bells_are_weighed_with_their_diameters(rack):
    assert "g1: begin written down" in done(rack, "begin", "9", new="g1", vessel="k1", stage="ephyra")
    page = done(rack, "weights", "6,1 7.4", batch="g1", mm="5 5,5 6")
    assert "diameters_mm: expected one above 0 for each weight, in their order" in page
    assert 'name="mm" value="5 5,5 6"' in page
    page = done(rack, "weights", "6,1 7.4", batch="g1", mm="5 5,5")
    assert "g1: wet weight written down by ada" in page
    assert did(rack, "log")[-1][1]["diameters_mm"] == [5, 5.5]
    page = done(rack, "weights", "1" * 900, batch="g1", mm="5")
    assert "1" * 61 not in re.sub(r'value="1+"', "", page), "a line stays a line"
    assert "weighed: 2 bells; 15 that tell the power within 0.5, of 1.5 to 4, take the place" in page


def test_what_falls_due_is_worked_out_when_asked_for(rack):
    assert "count stomachs" not in Person(rack, "ada").get("/animals")
    assert "common practice, no source: four, others show early" in Person(rack, "ada").get(
        "/animals?due=yes"
    )


def test_nobody_writes_who_is_not_signed_in(rack):
    before = len(acts_in(rack.journal))
    person = Person(rack, "ada")
    form = person.form_of("/animals") | {"what": "died", "value": "1", "batch": "e1", "vessel": "k2"}
    assert "another sign-in" in person.post("/animals", **form | {"key": "x"})[2]
    assert len(acts_in(rack.journal)) == before


DAY = (
    {"what": "move", "value": "40", "vessel": "k1", "to": "k2"},
    {"what": "bells", "value": "8.1 9.2 7.7 8.8 8.4 9.0 8.6 7.9 8.3 9.1", "vessel": "k2"},
    {"what": "feed", "value": "200", "vessel": "k1"},
    {"what": "feed", "value": "50", "vessel": "k2"},
    {"what": "died", "value": "1", "vessel": "k2"},
)


def said(phone):
    """What the page says of what was sent, once it says something."""
    wait_for(lambda: phone.find_elements(By.CLASS_NAME, "said") or phone.title.startswith("That "), 60)
    return phone.find_element(By.CLASS_NAME, "said").text


def test_fields_beside_a_value_are_there_for_the_kinds_that_have_them(rack, tmp_path):
    ada = Person(rack, "ada")
    name, _, secret = ada.cookie.partition("=")
    seen = set()
    with chromium(tmp_path, device=PHONE) as phone:
        phone.get(rack.address)
        phone.add_cookie({"name": name, "value": secret, "sameSite": "Strict", "httpOnly": True})
        phone.get(rack.address + "/animals")
        of = phone.find_elements(By.CSS_SELECTOR, "[data-of]")
        for kind in ("feed", *(it for it in ENTRY_KINDS if beside(it) and it in SAMPLES)):
            short = next((word for word, its in SHORT.items() if its == kind), kind)
            Select(phone.find_element(By.NAME, "what")).select_by_value(short)
            shown = [it.get_attribute("data-of") for it in of if it.is_displayed()]
            assert sorted(shown) == sorted(beside(kind)), kind
            seen |= set(shown)
            for key in shown:
                assert phone.find_element(By.NAME, key).size["height"] >= 44, key
            assert not scrolls_sideways(phone)
            assert violations(phone) == [], kind
        assert seen == {it.get_attribute("data-of") for it in of}
        phone.find_element(By.TAG_NAME, "summary").click()
        assert phone.find_element(By.NAME, "when").size["height"] >= 44
        assert violations(phone) == []


def test_a_keepers_day_with_a_thumb(rack, tmp_path):
    """Every field is thumb-high; a choice counts as two touches, a field as one, and then its keys.

    At a second for a touch and a third for a key (the keystroke-level model of Card, Moran & Newell 1980 has
    0.28 s for a key and 1.1 s for pointing; from memory) it is under two minutes.
    """
    done(rack, "begin", "200", new="f1", vessel="k1", stage="ephyra")
    ada = Person(rack, "ada")
    name, _, secret = ada.cookie.partition("=")
    touches = keys = 0
    with chromium(tmp_path, device=PHONE) as phone:
        phone.get(rack.address)
        phone.add_cookie({"name": name, "value": secret, "sameSite": "Strict", "httpOnly": True})
        for act in DAY:
            phone.get(rack.address + "/animals")
            for field, value in ({"batch": "f1"} | act).items():
                element = phone.find_element(By.NAME, field)
                assert element.size["height"] >= 44, field
                if element.tag_name == "select":
                    Select(element).select_by_value(value)
                    touches += 2
                else:
                    element.send_keys(value)
                    touches, keys = touches + 1, keys + len(value)
            button = phone.find_element(By.CSS_SELECTOR, "form.act > button")
            rack.while_it_runs(lambda press=button.click: (press(), said(phone)))
            touches += 1
            assert "written down by ada" in said(phone)
        assert not scrolls_sideways(phone)
        assert violations(phone) == []
    assert (touches, keys) == (42, 47)
    assert touches * 1.1 + keys * 0.28 + 5 * 1.35 < 120
    of = culture_of(acts_in(rack.journal)).cohorts["f1"]
    assert {vessel: it.number for vessel, it in of.stocks.items()} == {"k1": 160, "k2": 39}
