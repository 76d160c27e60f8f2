"""What is asked back before an entry is written down takes no time from the alarms."""

from daemon.journal.asking import RequestBox
from daemon.journal.history import Entry
from daemon.journal.logbook import acts_in
from tests.rigs.minute_rack import rack_in

YEARS_OF_ACTS = 6_000
"""A busy nursery writes about twenty a day."""


def test_many_requests_about_many_animals_are_taken_in_several_turns_and_in_order(tmp_path):
    with rack_in(tmp_path) as rack:
        rack.minutes(1)
        body = {"what": "count", "cohort": "e1", "vessel": "k1", "value": 100}
        begin = {**body, "what": "begin", "stage": "ephyra"}
        with rack.journal.transaction():
            for place in range(YEARS_OF_ACTS):
                what = body if place else begin
                rack.journal.history.keep_entry(
                    Entry(10_000 + place, "culture", rack.now_ms, "ada", "k1", what)
                )
        box = RequestBox(rack.journal.path)
        for value in range(20):
            box.ask("culture", "ada", {**body, "value": value})
        rack.watch.take([], rack.now_ms)
        left = len(box.waiting())
        assert 0 < left < 20, "a turn answers some, and leaves the others to the next"
        for _ in range(20):
            rack.watch.take([], rack.now_ms)
        assert box.waiting() == []
        newest = sorted(acts_in(rack.journal), key=lambda it: it.number)
        assert [it.value for it in newest if it.number < 10_000] == list(range(20))
