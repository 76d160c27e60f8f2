"""The daily word is one text message whatever the racks are called; a drill tells who, how and when."""

from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from daemon.oncall.call_text import call_text
from daemon.oncall.daily_text import daily_text, drill_text
from daemon.oncall.text_message import fits
from rules.alarms.life_cycle import Priority
from rules.calling.drill import Drill, Outcome
from rules.calling.racks.signs import sign_word
from rules.calling.records import DRILL, Answer, Call, CallKind, Day, RackToday, Reply

ZONE, DAY_MS = ZoneInfo("Europe/Copenhagen"), 86_400_000
SEVEN_MS = 1_767_765_600_000  # 2026-01-07T06:00:00Z
WELL = RackToday("north-rack", "watching", 4, 0, 0)


def test_all_is_well():
    day = Day((WELL,), SEVEN_MS - 12 * DAY_MS - 1)
    said = "07:00 north-rack watched, 4 vessels, nothing unwatched; last drill 12 days ago #0.7"
    assert daily_text(day, SEVEN_MS, ZONE, "#0.7") == said


def test_several_racks_the_worst_first_and_what_is_not_known_is_not_well():
    racks = (RackToday("south", "silent", 2, 0, 0), RackToday("east", "watching", 1, 2, 1), WELL)
    said = daily_text(Day(racks, None), SEVEN_MS, ZONE, "#0.7")
    assert said.startswith("07:00 south SILENT; east watched, 1 vessel, 2 UNWATCHED, 1 alarm stands; ")
    assert said.endswith("last drill never #0.7")
    deaf = daily_text(Day((RackToday("north", "", 4, 0, 0),), SEVEN_MS), SEVEN_MS, ZONE, "#0.7")
    assert deaf == "07:00 north NOT HEARD, no broker; last drill today #0.7"
    assert "no rack was ever heard" in daily_text(Day((), None), SEVEN_MS, ZONE, "#0.7")


NAMES = st.from_regex(r"\A[a-z][a-z0-9-]{0,62}\Z")
TODAY = st.builds(
    RackToday, NAMES, st.sampled_from(["watching", "silent", "gone", ""]), st.integers(0, 99),
    st.integers(0, 99), st.integers(0, 999),
)  # fmt: skip


@given(st.lists(TODAY, max_size=12), st.none() | st.integers(0, SEVEN_MS))
def test_it_fits_one_text_message_and_begins_with_the_worst_rack(racks, drill_ms):
    text = daily_text(Day(tuple(racks), drill_ms), SEVEN_MS, ZONE, "#0.99999")
    assert fits(text)
    assert text.endswith("#0.99999")
    assert "last drill" in text
    if racks:
        assert text.startswith(f"07:00 {racks[0].rack[:40]}")


def test_a_drill_says_so_in_message_and_end():
    said = sign_word("north", DRILL, Priority.MEDIUM, SEVEN_MS, SEVEN_MS)
    call = Call("3.1", CallKind.DRILL, 3, "ada", Priority.MEDIUM, SEVEN_MS, (said,))
    text = call_text(call, {}, ZONE, "https://bell.example/abcdefghijklmnop")
    assert text.startswith("DRILL north: nothing is wrong")
    assert text.endswith("#3.1 https://bell.example/abcdefghijklmnop")
    over = Call("3.2", CallKind.RETURNED, 3, "ada", Priority.LOW, SEVEN_MS, (said,))
    assert "DRILL" in call_text(over, {}, ZONE)


def test_the_result_of_a_drill():
    drill = Drill("id", "north", "north/drill", 0, 3)
    assert drill_text(drill, []) == "Drill of north, #3: goes on"
    done = Drill(
        "id", "north", "north/drill", 0, 3, 43_000, Outcome.ANSWERED, Answer(Reply.SEEN, "bo", None, True)
    )
    routes = [("ada", 0, 0, 1), ("bo", 1, 0, 1)]
    assert drill_text(done, routes).endswith("answered by bo after 43 s, by link, reached by route 2")
    missed = Drill("id", "north", "north/drill", 0, 3, 9, Outcome.NOT_ANSWERED)
    assert drill_text(missed, routes).endswith("nobody answered")
