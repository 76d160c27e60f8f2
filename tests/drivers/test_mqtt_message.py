"""What a message means for a probe: fields, times and ages. All readings are invented."""

import json
from itertools import product

import pytest
from paho.mqtt.client import topic_matches_sub

from drivers.errors import PayloadError, SetupError, StaleReadingError
from drivers.mqtt_message import Field, Measurement, MqttTopic, check_age, filters_of, measure, overlap

NOW_MS = 1_795_000_000_000


def topic(format, *fields, max_age_ms=60_000):
    return MqttTopic("tray", "water/tray", format, fields, max_age_ms)


def senml(*records):
    return json.dumps(list(records)).encode()


class TestMeasure:
    def test_a_plain_number_is_scaled_and_dated_at_its_arrival(self):
        found, errors = measure(topic("plain", Field("temperature", scale=0.1, offset=-2.0)), b"205", NOW_MS)
        assert found == [Measurement("temperature", 18.5, NOW_MS, False)]
        assert errors == []

    def test_json_fields_are_read_apart_and_come_in_the_order_of_need(self):
        fields = [Field("oxygen", "/o"), Field("conductivity", "/c"), Field("temperature", "/t")]
        found, errors = measure(topic("json", *fields), b'{"t": 18.5, "c": null, "o": 8}', NOW_MS)
        assert [(m.quantity, m.value) for m in found] == [("temperature", 18.5), ("oxygen", 8.0)]
        assert [quantity for quantity, _ in errors] == ["conductivity"]

    def test_senml_values_are_brought_to_our_units_before_scaling(self):
        fields = [
            Field("conductivity", senml_name="tray:c", scale=2.0),
            Field("temperature", senml_name="tray:t"),
        ]
        payload = senml(
            {"bn": "tray:", "n": "c", "u": "S/m", "v": 2.0},
            {"n": "t", "u": "K", "v": 291.65},
            {"n": "x", "v": 1},
        )
        found, errors = measure(topic("senml", *fields), payload, NOW_MS)
        assert [(m.quantity, m.value) for m in found] == [
            ("temperature", pytest.approx(18.5)),
            ("conductivity", 40.0),
        ]
        assert errors == []

    def test_a_pack_of_several_times_comes_oldest_first(self):
        payload = senml({"bn": "t", "bu": "Cel", "v": 3}, {"t": -20, "v": 1}, {"t": -10, "v": 2})
        found, _ = measure(topic("senml", Field("temperature", senml_name="t")), payload, NOW_MS)
        assert [(m.value, m.time_ms) for m in found] == [
            (1, NOW_MS - 20_000),
            (2, NOW_MS - 10_000),
            (3, NOW_MS),
        ]

    @pytest.mark.parametrize(
        ("record", "words"),
        [
            ({"n": "s", "u": "ppt", "v": 35}, "parts per trillion"),
            ({"n": "s", "vs": "35"}, "record s carries no number"),
            ({"n": "s", "v": 1.7e308}, "too large after scaling"),
        ],
    )
    def test_a_record_that_cannot_be_used_is_an_error_of_its_field_only(self, record, words):
        fields = [Field("salinity", senml_name="s", scale=10), Field("temperature", senml_name="t")]
        found, errors = measure(
            topic("senml", *fields), senml(record, {"n": "t", "u": "Cel", "v": 18}), NOW_MS
        )
        assert [m.value for m in found] == [18]
        ((quantity, error),) = errors
        assert quantity == "salinity"
        with pytest.raises(PayloadError, match=words):
            raise error

    def test_a_broken_pack_is_refused_whole(self):
        with pytest.raises(PayloadError, match="must be understood"):
            measure(
                topic("senml", Field("salinity", senml_name="s")), senml({"n": "s", "v": 1, "x_": 1}), NOW_MS
            )


class TestAge:
    PLAIN = topic("plain", Field("temperature"))

    @pytest.mark.parametrize(
        ("time_ms", "dated", "retained"),
        [
            (NOW_MS, False, False),
            (NOW_MS - 60_000, True, True),
            (NOW_MS - 60_000, False, False),
            (NOW_MS + 5_000, True, False),
            (NOW_MS + 5_000, True, True),
        ],
    )
    def test_fresh_enough(self, time_ms, dated, retained):
        check_age(self.PLAIN, Measurement("temperature", 18.0, time_ms, dated), retained, False, NOW_MS)

    def test_what_waited_at_the_broker_may_be_old_but_not_of_the_future(self):
        check_age(
            self.PLAIN, Measurement("temperature", 18.0, NOW_MS - 86_400_000, True), False, True, NOW_MS
        )
        with pytest.raises(StaleReadingError, match="in the future"):
            check_age(self.PLAIN, Measurement("temperature", 18.0, NOW_MS + 5_001, True), False, True, NOW_MS)

    @pytest.mark.parametrize(
        ("time_ms", "dated", "retained", "words"),
        [
            (NOW_MS, False, True, "retained message without a date"),
            (NOW_MS - 60_001, True, True, "more than the 60 s"),
            (NOW_MS - 60_001, False, False, "more than the 60 s"),
            (NOW_MS + 5_001, True, False, "5.0 s in the future"),
            (NOW_MS + 86_400_000, False, False, "86400.0 s in the future"),
        ],
    )
    def test_too_old_undated_or_of_the_future(self, time_ms, dated, retained, words):
        with pytest.raises(StaleReadingError, match=words):
            check_age(self.PLAIN, Measurement("temperature", 18.0, time_ms, dated), retained, False, NOW_MS)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("water/#/t", "plain", (Field("oxygen"),), 1), "stand for whole levels"),
        (("water/t+", "plain", (Field("oxygen"),), 1), "stand for whole levels"),
        (("#", "plain", (Field("oxygen"),), 1), "stand for whole levels"),
        (("", "plain", (Field("oxygen"),), 1), "stand for whole levels"),
        (("$share/racks/a", "plain", (Field("oxygen"),), 1), "nor is it shared"),
        (("a", "xml", (Field("oxygen"),), 1), "plain, json, senml"),
        (("a", "plain", (), 1), "at least one field"),
        (("a", "plain", (Field("oxygen"), Field("salinity")), 1), "exactly one"),
        (("a", "plain", (Field("oxygen"),), 0), "above 0"),
        (("a", "plain", (Field("oxygen", scale=0.0),), 1), "scale not 0"),
        (("a", "json", (Field("oxygen"),), 1), "needs a pointer"),
        (("a", "json", (Field("oxygen", pointer="o"),), 1), "must start with"),
        (("a", "senml", (Field("oxygen"),), 1), "needs a senml_name"),
    ],
)
def test_impossible_topics_are_refused_at_setup(arguments, words):
    with pytest.raises(SetupError, match=words):
        MqttTopic("tray", *arguments)


FILTERS = ("a", "a/b", "a/+", "a/#", "a/b/c", "a/+/c", "a/b/#", "b/#", "a/+/+", "a//c", "/a")
TOPICS = ("a", "a/b", "a/b/c", "a/x/c", "a/b/c/d", "b", "b/c", "a//c", "a/", "/a")


def test_filters_overlap_where_a_topic_fits_both():
    """Against paho's own match, over all topics of a few levels."""
    topics = [
        "/".join(levels)
        for n in (1, 2, 3, 4)
        for levels in product(("a", "b", "c", ""), repeat=n)
        if any(levels)
    ]
    for one, other in product(FILTERS, repeat=2):
        met = any(topic_matches_sub(one, topic) and topic_matches_sub(other, topic) for topic in topics)
        assert overlap(one, other) == met, (one, other)


@pytest.mark.parametrize("topic", TOPICS)
def test_all_filters_of_a_topic_are_found(topic):
    found = filters_of(topic)
    assert all(topic_matches_sub(it, topic) for it in found)
    assert {it for it in FILTERS if topic_matches_sub(it, topic)} <= set(found)
