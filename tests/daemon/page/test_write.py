"""What is written down at the page: by the one table of kinds, kept or told in a line, put right later."""

import pytest

from daemon.as_read import show_temperatures_in
from rules.rack.logbook import ENTRY_KINDS
from tests.daemon.page.test_acts import OPEN, Person, did
from tests.daemon.page.test_pages import PHONE, scrolls_sideways, violations
from tests.rigs.page_rack import page_rack, served
from tests.rigs.parts.browser import chromium


@pytest.fixture(scope="module")
def rack(tmp_path_factory):
    with page_rack(tmp_path_factory.mktemp("rack"), days=0.05, page=OPEN) as made, served(made) as address:
        made.address = address
        yield made


def written(rack, who, kind, **form):
    """What the page says of an entry."""
    person = Person(rack, who)
    vessel = form.setdefault("vessel", "k1")
    known = person.form_of(f"/write?vessel={vessel}&kind={kind}")
    return person.post("/write", **known | form)[2]


@pytest.mark.parametrize("kind", ENTRY_KINDS)
def test_every_kind_of_the_table_can_be_written_down(rack, kind):
    said = written(rack, "bo", kind, vessel="k2", value="7", note="a test")
    called = "pH" if kind == "ph" else kind.replace("_", " ").capitalize()
    assert f"{called} of Kreisel 2 written down by bo." in said
    who, body = did(rack, "log")[-1]
    assert (who, body["what"], body.get("value")) == ("bo", kind, None if ENTRY_KINDS[kind].in_words else 7)


def test_several_diameters_are_a_sample(rack):
    assert "written down by ada" in written(rack, "ada", "bell_diameter", value="8,1 8.4; 7.8")
    body = did(rack, "log")[-1][1]
    assert (body["n"], body["low"], body["high"]) == (3, 7.8, 8.4)
    assert body["value"] == pytest.approx(8.1)


@pytest.mark.parametrize(
    ("kind", "value", "line"),
    [
        ("bell_diameter", "95", "value: found 95; bell_diameter in ephyra is a number from 0 to 40 mm"),
        ("count", "-5", "value: found -5; count in ephyra is a whole number"),
        ("count", "five", "value: found &#39;five&#39;; expected a number, such as 18.5"),
        ("feed", "", "value: found nothing; expected a number in mL"),
    ],
)
def test_what_is_wrong_is_told_in_a_line_and_stays_in_the_form(rack, kind, value, line):
    before = len([body for _, body in did(rack, "log") if body.get("value") == 7])
    page = written(rack, "ada", kind, value=value, note="of the morning")
    assert line in page
    assert f'value="{value}"' in page
    assert 'value="of the morning"' in page
    assert len([body for _, body in did(rack, "log") if body.get("value") == 7]) == before


def test_a_note_without_words_and_a_number_that_is_none_are_not_written_down(rack):
    before = len(did(rack, "log"))
    assert "value: found nothing; expected a note in words" in written(rack, "ada", "note", note=" ")
    refused = written(rack, "ada", "feed", value="6", corrects="2.7")
    assert "as what it corrects; expected the number of an entry" in refused
    assert len(did(rack, "log")) == before


def test_what_never_was_is_withdrawn_by_a_button_and_both_entries_are_shown(rack):
    written(rack, "ada", "feed", value="6")
    number = rack.journal.history.entries("feed")[-1].seq
    page = Person(rack, "ada").get(f"/write?vessel=k1&kind=feed&corrects={number}")
    assert 'name="withdrawn" value="yes" formnovalidate' in page
    shown = written(rack, "ada", "feed", value="", corrects=str(number), withdrawn="yes")
    assert "Feed of Kreisel 1 written down by ada." in shown
    _, body = did(rack, "log")[-1]
    assert (body["corrects"], body["withdrawn"], "value" in body) == (number, True, False)
    assert f"Feed withdrawn, ada, corrects {number}" in shown
    assert f"superseded by {rack.journal.history.entries('feed')[-1].seq}" in shown


def test_the_same_by_another_person_is_asked_about_once(rack):
    written(rack, "ada", "water_change", vessel="t1", value="12")
    page = written(rack, "bo", "water_change", vessel="t1", value="12")
    assert "ada wrote the same water_change 0 min ago" in page
    assert 'name="another"' in page
    assert "written down by bo" in written(rack, "bo", "water_change", vessel="t1", value="12", another="yes")


def test_an_entry_is_put_right_by_another_that_names_it(rack):
    written(rack, "ada", "deaths", vessel="t2", value="30")
    number = next(it.seq for it in rack.journal.history.entries("deaths") if it.vessel == "t2")
    person = Person(rack, "ada")
    assert f"kind=deaths&amp;corrects={number}" in person.get("/write?vessel=t2&kind=deaths")
    assert f'name="corrects" value="{number}"' in person.get(
        f"/write?vessel=t2&kind=deaths&corrects={number}"
    )
    written(rack, "ada", "deaths", vessel="t2", value="3", corrects=str(number))
    assert [it.corrects for it in rack.journal.history.entries("deaths") if it.vessel == "t2"] == [
        None,
        number,
    ]


def test_a_hand_measurement_is_compared_with_the_probe(rack):
    form = {"quantity": "temperature", "value": "15.2", "method": "thermometer", "instrument": "T1"}
    assert "Hand measurement of Kreisel 1 written down by ada." in written(
        rack, "ada", "hand_measurement", **form
    )
    assert did(rack, "hand_measurement")[-1] == ("ada", {"vessel": "k1", **form, "value": 15.2})
    same = written(rack, "bo", "hand_measurement", **form)
    assert "ada wrote the same hand_measurement 0 min ago" in same
    assert 'name="another"' in same
    assert "written down by bo" in written(rack, "bo", "hand_measurement", **form, another="yes")
    missing = written(rack, "ada", "hand_measurement", **form | {"instrument": ""})
    assert "instrument" in missing
    assert 'value="15.2"' in missing


@pytest.mark.parametrize(
    ("screens", "quantity", "value", "unit", "taken"),
    [
        ("C", "temperature", "15,3", "", 15.3),
        ("C", "temperature", "59.9", "F", (59.9 - 32) / 1.8),
        ("F", "temperature", "59.9", "", (59.9 - 32) / 1.8),
        ("F", "temperature", "15.4", "C", 15.4),
        ("C", "conductivity", "40900", "uS/cm", 40.9),
        ("C", "temperature", "59.9", "", "temperature 59.9: hardly in C; say unit F, or unit C if it is so"),
        ("F", "temperature", "15.4", "", "temperature 15.4: hardly in F; say unit C, or unit F if it is so"),
        ("C", "oxygen", "95", "", "say oxygen_saturation, or unit mg/L"),
        ("C", "salinity", "1.024", "", "say specific_gravity"),
        ("C", "salinity", "31.5", "mmHg", "unit mmHg: salinity may be in ppt"),
        ("C", "blueness", "31.5", "", "expected one of temperature, conductivity"),
    ],
)
def test_a_number_of_another_unit_is_asked_back(rack, screens, quantity, value, unit, taken):
    form = {"quantity": quantity, "value": value, "unit": unit, "method": "by hand", "instrument": "T1"}
    before = did(rack, "hand_measurement")
    show_temperatures_in(screens)
    try:
        page = written(rack, "ada", "hand_measurement", **form, another="yes")
    finally:
        show_temperatures_in("C")
    if isinstance(taken, str):
        assert taken in page
        assert f'value="{value}"' in page
        assert did(rack, "hand_measurement") == before
    else:
        body = did(rack, "hand_measurement")[-1][1]
        assert body["value"] == pytest.approx(taken, abs=1e-9)
        assert body.keys() == {"vessel", "quantity", "value", "method", "instrument", "another"}


def test_the_forms_fit_a_phone_and_can_be_used_by_all(rack, tmp_path):
    ada = Person(rack, "ada")
    name, _, secret = ada.cookie.partition("=")
    with chromium(tmp_path, device=PHONE) as phone:
        phone.get(rack.address)
        phone.add_cookie({"name": name, "value": secret, "sameSite": "Strict", "httpOnly": True})
        for path in ("/write?kind=bell_diameter", "/write?kind=hand_measurement", "/team", "/sign-in"):
            phone.get(rack.address + path)
            assert not scrolls_sideways(phone), path
            assert violations(phone) == [], path
