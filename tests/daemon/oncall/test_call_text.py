"""Calls in words: what, where, how bad, since when, trend and what to check, in one text message."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.broker.messages import messages_of
from daemon.oncall.call_text import call_text, call_title
from daemon.oncall.messages import heard
from daemon.oncall.text_message import fits
from daemon.response_notes import DEFAULT_NOTES, known_alarms, note_for
from rules.alarms.life_cycle import Condition, Priority
from rules.calling.records import BROKER_LOST, RACK_SILENT, RACK_STOPPED, Answer, Call, CallKind, Reply, Voice
from rules.care.rationale import Record, Severity
from rules.quantities import Quantity
from tests.rigs.rack_words import word_of
from tests.rigs.watched_rack import MINUTE, PROMPT, WatchedRack, plan_of, thermometers

ZONE = ZoneInfo("Europe/Copenhagen")
LINK = "https://bell.example/AbCdEfGhIjKlMnOp"
AT = datetime(2026, 3, 29, 1, 30, tzinfo=UTC)  # half past three in Copenhagen, an hour after the switch


def ms(moment):
    return round(moment.timestamp() * 1000)


def word(quantity="temperature", condition="high", vessel="k1", **changes):
    usual = {
        "at_ms": ms(AT),
        "since_ms": ms(AT - timedelta(minutes=31)),
        "value": 19.24,
        "limit": 19.0,
        "unit": "°C",
        "rate_per_hour": 0.6,
        "vessel": vessel,
    }
    channel = f"{vessel}/{quantity}" if quantity else ""
    return word_of(f"{channel}/{condition}", **(usual | changes))


def text(
    *about,
    kind=CallKind.ALARM,
    priority=Priority.CRITICAL,
    notes=None,
    more=0,
    call_id="41.2",
    answer=None,
    link="",
    again=False,
    was=None,
    before=(),
):
    call = Call(call_id, kind, 41, "ada", priority, ms(AT), about, more, answer, again=again, was=was)
    call = replace(call, called_before=before)
    return call_text(call, notes or {}, ZONE, link)


def test_an_alarm_says_everything_in_one_message():
    assert text(word()) == (
        "CRITICAL north k1: temperature high 19.24 C (limit 19.00), as of 03:30, +0.6/h, since 01:59. "
        "Chiller, room heat? Mains off before wet work Answer #41.2"
    )


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (Answer(Reply.SEEN, "bo"), "bo has seen it"),
        (Answer(Reply.SEEN, ""), "Seen at the rack"),
        (Answer(Reply.ON_MY_WAY, "bo", ms(AT + timedelta(minutes=20))), "bo is on the way, 03:50"),
        (Answer(Reply.NEXT, "bo"), "bo wants somebody else"),
        (Answer(Reply.QUIET, "bo"), "bo wants quiet"),
        (Answer(Reply.QUIET, "bo", ms(AT + timedelta(hours=1))), "bo has shelved it until 04:30"),
    ],
)
def test_what_somebody_answered_is_told_to_the_others_and_in_what_is_called_again(answer, said):
    taken = text(word(), kind=CallKind.TAKEN, answer=answer)
    assert taken == f"{said}: north k1 temperature high, since 01:59. #41.2"
    again = text(word(), answer=answer, link=LINK)
    assert again.startswith("STILL CRITICAL north k1: temperature high 19.24 C")
    assert ", as of 03:30" in again
    assert again.endswith(f"Mains off before wet work Answer #41.2 {LINK}")
    assert fits(again)
    assert f"01:59. {said}." in text(word(), answer=answer, notes={"temperature/high": "Go."})


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"condition": "rising", "value": 2.51, "limit": 2.0, "rate_per_hour": 2.51},
            "temperature rising 2.51 C/h (limit 2.00), as of 03:30, since",
        ),
        (
            {"quantity": "salinity", "unit": "", "value": 33.1, "limit": 33.0},
            "salinity high 33.10 (limit 33.00)",
        ),
        (
            {"quantity": "oxygen_saturation", "unit": "%", "value": 104.26, "limit": 103.0},
            "104.3 % (limit 103.0)",
        ),
        (
            {"condition": "heading_out", "reached_ms": ms(AT + timedelta(hours=2))},
            "critical in 120 min",
        ),
        ({"since_ms": ms(AT - timedelta(days=2))}, "since 27.03. 02:30"),
        ({"vessels": ("k1", "k2", "k3", "tray-1", "tray-2")}, "north k1,k2,k3+2: temperature high"),
        (
            {
                "vessel": "",
                "quantity": "",
                "condition": RACK_SILENT,
                "value": None,
                "limit": None,
                "unit": "",
                "rate_per_hour": None,
            },
            "CRITICAL north: rack silent, its water is",
        ),
        (
            {
                "rack": "broker",
                "vessel": "",
                "quantity": "",
                "condition": BROKER_LOST,
                "value": None,
                "limit": None,
                "unit": "",
                "rate_per_hour": None,
            },
            "broker not reached, no rack can be heard, since",
        ),
    ],
)
def test_each_kind_of_alarm_in_its_words(changes, words):
    assert words in text(word(**changes))


def test_what_is_back_from_the_shelf_says_so_before_it_says_what_to_check():
    """In the words of the judgement (`rules.shelved`)."""
    rack = WatchedRack(plan_of(thermometers(1), {"polyp": {"temperature": PROMPT}}))
    rack.read_all([(0, 1, 16.0), (MINUTE, 1, 23.5)])
    rack.do(
        2 * MINUTE, "shelve", alarm="k1/temperature/high_high", why="known", for_s=3600, yes_critical=True
    )
    assert not rack.refusal
    rack.read(3 * MINUTE, 1, 26.5)
    back = rack.events[-1]
    (event, _) = messages_of(back, Voice("j", "r", "b", "pi"), "bellwatch/north", UTC)
    heard_word = heard("bellwatch", event.topic, event.payload.encode(), False)
    said = text(heard_word, link=LINK)
    assert "k1: temperature high-high (back from the shelf: worse by 3 since it was shelved) 26.50 C" in said
    assert said.endswith(f"#41.2 {LINK}")
    assert fits(said)


def test_a_call_again_says_how_long_it_lasts_and_what_has_changed():
    said = text(word(value=21.9), again=True, was=19.24)
    assert said.startswith(
        "CRITICAL north k1: temperature high 21.90 C (was 19.24), as of 03:30, +0.6/h, for 31 min. Chiller"
    )
    assert "19.24 C (limit 19.00), as of 03:30" in text(word(), again=True, was=19.241), (
        "the same to a reader"
    )


def test_old_numbers_never_pass_for_what_is_now():
    """A rack that says no more than its events (an older one, a silent one): no course is drawn on."""
    old = {"at_ms": ms(AT - timedelta(minutes=20)), "reached_ms": ms(AT + timedelta(minutes=20))}
    said = text(word(**old), again=True)
    assert "19.24 C (limit 19.00), as of 03:10, for 31 min." in said
    assert "there at" not in text(word(reached_ms=ms(AT - timedelta(minutes=1))))


@pytest.mark.parametrize(
    ("rate", "words"),
    [(-104.0, "-104/h"), (12.3, "+12/h"), (-9.13, "-9.1/h"), (0.04, "+0.04/h"), (-1e5, "-100000/h")],
)
def test_a_rate_is_written_as_people_read_it(rate, words):
    assert f", {words}, since" in text(word(rate_per_hour=rate), notes={"temperature/high": "Go."})


def test_what_is_kept_though_the_water_is_well_says_so():
    kept = word("oxygen_saturation", "low", value=93.9, limit=50.0, unit="%", state="latched unacknowledged")
    assert "oxygen saturation low is over, kept until reset, now 93.9 %, as of 03:30" in text(kept)
    assert "limit" not in text(kept)


def test_what_nobody_sees_is_named_once():
    hidden = ("k1/temperature", "k1/oxygen_saturation")
    at_ms = ms(AT)
    lost = word_of("probe/k1-multi/unwatched", at_ms, vessel="k1", hidden=hidden, reason="silent")
    assert text(lost).startswith(
        "CRITICAL north k1: temperature, oxygen saturation unwatched (probe k1-multi: silent), since 03:30. "
    )
    assert "temperature high-high 19.24 C" in text(word(condition="high_high"))


@pytest.mark.parametrize("reason", ["doubted", "impossible change"])
def test_of_a_probe_that_is_doubted_the_call_says_what_to_type(reason):
    hidden = ("bay-tank-7/temperature", "bay-tank-7/oxygen_saturation")
    lost = word_of("probe/bay-multi/unwatched", ms(AT), vessel="bay-tank-7", hidden=hidden, reason=reason)
    assert "Measure by hand: bellwatch measure bay-tank-7 temperature Answer #" in text(lost)


@pytest.mark.parametrize(
    ("before", "said"),
    [
        (("ada",), "ada"),
        (("ada", "bo", "cy"), "ada, bo, cy"),
        (("ada", "bo", "cy", "di", "eli"), "ada, bo, cy+2"),
        (("Ada \N{LATIN SMALL LETTER L WITH STROKE}",), "Ada l"),
    ],
)
def test_what_is_back_unanswered_says_so_and_who_was_called_before(before, said):
    back = text(word(), before=before, notes={"temperature/high": "Go."})
    assert back.startswith("BACK CRITICAL north k1: temperature high 19.24 C")
    assert f" Called before: {said}, nobody has it." in back
    full = text(word(), before=before, link=LINK)
    assert full.startswith("BACK CRITICAL north k1: temperature high 19.24 C")
    assert full.endswith(f"Mains off before wet work Answer #41.2 {LINK}")
    assert fits(full)
    passed_on = text(word(), before=before, answer=Answer(Reply.NEXT, "bo"))
    assert passed_on.startswith("STILL CRITICAL"), "somebody has answered, if only that"


def test_the_end_a_flood_and_the_digest():
    over = word(state="normal", trigger="returned")
    assert text(over, kind=CallKind.RETURNED, priority=Priority.LOW) == (
        "OVER north k1: temperature high is over, since 01:59. #41.2"
    )
    low = word(vessel="k2", quantity="salinity", condition="low")
    assert text(low, over, kind=CallKind.DIGEST, more=3) == (
        "Digest, 5: north k2 salinity low; north k1 temperature high over #41.2"
    )
    assert text(low, word(), kind=CallKind.FLOOD, priority=Priority.HIGH).startswith(
        "HIGH 2 more alarms at once: north k2 salinity low; north k1 temperature high"
    )
    long = word(quantity="", condition="stage runs long", mention=True, state="normal")
    assert text(long, kind=CallKind.DIGEST) == "Digest, 1: north k1 stage runs long #41.2"
    stopped = word(vessel="", quantity="", condition=RACK_STOPPED)
    assert "north rack stopped, its water is not watched" in text(stopped, kind=CallKind.DIGEST)


def test_an_own_note_goes_before_the_built_in_one_and_the_particular_before_the_general():
    assert text(word(), notes={"temperature/high": "Breaker 4."}).endswith(
        "since 01:59. Breaker 4. Answer #41.2"
    )
    assert text(word(), notes={"high": "General."}).endswith("Mains off before wet work Answer #41.2")
    assert note_for("temperature", "silent", "", {"silent": "Own."}) == "Own."
    assert note_for("temperature", "beside itself", "", {}) == ""


def test_the_nurserys_own_record_goes_before_every_note():
    own = Record(Severity.LOSS, 30.0, "", "", "Fuse 4?", "", "")
    said = text(replace(word(), record=own), notes={"temperature/high": "Look at the fan."})
    assert said.endswith("since 01:59. Fuse 4? Answer #41.2")
    assert "fan." in text(replace(word(), stage="ephyra"), notes={"temperature/high": "Look at the fan."})


def test_whoever_is_sent_to_a_pump_heater_or_chiller_is_told_to_switch_the_mains_off_first():
    for alarm, note in DEFAULT_NOTES.items():
        if any(device in note.lower() for device in ("chiller", "heater", "air pump")):
            assert "Mains off before wet work" in note, alarm
        assert len(note) <= 60, f"{alarm}: a note that is cut off says nothing"


def test_a_probe_fault_says_what_it_is_about_and_what_to_do():
    """A probe in air, one that is stuck and one that fails otherwise read differently on a phone."""
    of_a_probe = {"quantity": "conductivity", "condition": "probe_fault"}
    in_air, stuck, other = (text(word(**of_a_probe, reason=reason)) for reason in ("in air", "stuck", ""))
    assert "conductivity probe fault (in air)" in in_air
    assert "Put the probe back into the water" in in_air
    assert "probe fault (stuck)" in stuck
    assert "restart the probe" in stuck
    assert "fault (" not in other


def test_every_alarm_that_can_be_has_a_note():
    for condition in Condition:
        for quantity in Quantity:
            made_by_water = condition in ("high_high", "high", "low", "low_low", "rising", "falling")
            rare = quantity in ("air_pressure", "conductivity", "oxygen") and made_by_water
            assert rare or note_for(quantity, condition, "", {}), f"{quantity}/{condition}"
    assert set(DEFAULT_NOTES) <= set(known_alarms())


LABELS = st.text(st.characters(categories=("Lu", "Ll", "Nd")), min_size=1, max_size=41)


@given(
    st.lists(st.text("abcdefghij-", min_size=1, max_size=41), min_size=2, max_size=6, unique=True),
    st.sampled_from(["oxygen_saturation", "temperature"]),
    st.sampled_from(["high_high", "low", "heading_out"]),
    st.none() | st.builds(Answer, st.sampled_from(list(Reply)), LABELS, st.none()),
    st.booleans(),
)
def test_however_long_the_names_a_message_says_what_how_bad_as_of_when_and_how_to_answer(
    names, quantity, condition, answer, again
):
    rack, *vessels = names
    one = word(quantity, condition, rack=rack, vessel=vessels[0], vessels=tuple(vessels))
    said = text(one, answer=answer, again=again, was=18.0, link=LINK)
    assert fits(said)
    wanted = ("CRITICAL ", rack[:10], vessels[0][:10], ": ", quantity.split("_")[0], " 19.2", ", as of 03:30")
    assert all(part in said for part in wanted), said
    assert said.endswith(f"Answer #41.2 {LINK}")
    assert len(note_for(quantity, condition, "", {}).split()[0]) > 1
    assert note_for(quantity, condition, "", {}).split()[0] in said, "the first check has its place"


@pytest.mark.parametrize("kind", [CallKind.TAKEN, CallKind.RETURNED])
@pytest.mark.parametrize("who", ["Щукина-Черныщевская Щедрин " * 2, "Ж" * 60, "ada"])
def test_who_has_it_and_that_it_is_over_say_where_and_what_however_long_the_names(kind, who):
    """A letter of another alphabet may take four places; the lengths are what the settings bear."""
    vessels = tuple(f"{number}-{'kreisel-' * 4}"[:41] for number in range(4))
    one = word("oxygen_saturation", "low_low", rack="north-" * 6, vessel=vessels[0], vessels=vessels)
    there = Answer(Reply.ON_MY_WAY, who, ms(AT + timedelta(minutes=20)))
    for answer, has_it in ((Answer(Reply.SEEN, who), " has seen it: "), (there, " is on the way, 03:50: ")):
        said = text(one, kind=kind, answer=answer, link=LINK)
        assert fits(said)
        wanted = ("north-", "0-kreis", "oxygen saturation low-low", f"#41.2 {LINK}")
        assert all(part in said for part in wanted), said
        assert kind is CallKind.RETURNED or has_it in said


words = st.text("abcdefghijklmnopqrstuvwxyz0123456789-", min_size=1, max_size=41)
numbers = st.none() | st.floats(-1e6, 1e6)
said = st.builds(
    word,
    rack=words,
    vessel=words,
    vessels=st.lists(words, max_size=6).map(tuple),
    quantity=st.sampled_from(list(Quantity)).map(str),
    condition=st.sampled_from(list(Condition)).map(str),
    value=numbers,
    limit=numbers,
    rate_per_hour=numbers,
    reached_ms=st.none() | st.integers(0, 4_000_000_000_000),
    unit=st.sampled_from(["°C", "mS/cm", "", "mg/L", "%", "hPa"]),
)


@given(
    st.lists(said, min_size=1, max_size=20),
    st.sampled_from(list(CallKind)),
    st.text(max_size=160),
    st.sampled_from(["", LINK]),
    st.booleans(),
)
def test_whatever_stands_the_call_is_one_message_with_its_number(about, kind, note, link, own):
    record = Record(Severity.LOSS, 30.0, "", "", note, "", "") if own else None
    about = [replace(it, record=record) for it in about]
    said = text(*about, kind=kind, notes={about[0].event.condition: note.strip() or "x"}, link=link)
    assert fits(said)
    assert said.endswith(f"#41.2 {link}".strip())
    assert call_title(Call("41.2", kind, 41, "ada", Priority.HIGH, 0, tuple(about))).startswith("bellwatch ")
