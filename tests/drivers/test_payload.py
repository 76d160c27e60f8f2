"""Payload decoders against the examples printed in RFC 6901, RFC 8259 and RFC 8428, and against any bytes."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import PayloadError, SetupError
from drivers.payload import (
    MAX_PAYLOAD_BYTES,
    SenmlRecord,
    decode_json,
    decode_plain,
    decode_senml,
    json_says,
    pointer_tokens,
)
from drivers.senml_units import from_senml

NOW_S = 1_320_078_429.0  # RFC 8428, 5.1.7: "The current time is 1320078429."


def pack(*records):
    return json.dumps(list(records)).encode()


def one(record, now_s=NOW_S):
    (resolved,) = decode_senml(pack(record), now_s)
    return resolved


class TestPlain:
    @pytest.mark.parametrize(
        ("written", "asked", "says"),
        [
            ('"7"', "7", True),
            ("7", "7", True),
            ("7.0", "7", True),
            ("7.5", "7", False),
            ("true", "true", False),
            ("12345678901234567", "12345678901234567", True),
            ("12345678901234568", "12345678901234567", False),
            ("1" * 400, "1" * 400, True),
        ],
    )
    def test_which_probe_a_gateway_means_by_text_or_number(self, written, asked, says):
        """The nearest floats of the sixth and seventh are one."""
        assert json_says(f'{{"id": {written}}}'.encode(), "/id", asked) is says

    @pytest.mark.parametrize(
        ("payload", "value"),
        [
            (b"18.5", 18.5),
            (b"-0.25\r\n", -0.25),
            (b" +7 ", 7.0),
            (b".5", 0.5),
            (b"5.", 5.0),
            (b"1.2e-3", 0.0012),
            (b"007.50", 7.5),
        ],
    )
    def test_numbers(self, payload, value):
        assert decode_plain(payload) == value

    @pytest.mark.parametrize(
        "payload",
        [
            b"",
            b" ",
            b"18,5",
            b"18.5 C",
            b"1_000",
            b"nan",
            b"inf",
            b"-Infinity",
            b"0x1F",
            b"1e",
            b".",
            b"--1",
            b"1 2",
            b"true",
            b"1\x00",
            "\N{ARABIC-INDIC DIGIT THREE}".encode(),
            "\N{FULLWIDTH DIGIT THREE}".encode(),
            b"\xff\xfe1\x00",
            b"1e999",
        ],
    )
    def test_what_is_no_number_is_refused_with_one_line(self, payload):
        with pytest.raises(PayloadError) as caught:
            decode_plain(payload)
        text = str(caught.value)
        assert text
        assert text.isprintable()

    @given(st.floats(allow_nan=False, allow_infinity=False))
    def test_every_finite_number_survives(self, value):
        assert decode_plain(repr(value).encode()) == value

    def test_payloads_are_bounded(self):
        assert decode_plain(b"0" * (MAX_PAYLOAD_BYTES - 1) + b"7") == 7
        with pytest.raises(PayloadError, match="65537 bytes"):
            decode_plain(b"0" * MAX_PAYLOAD_BYTES + b"7")
        with pytest.raises(PayloadError, match="not a plain number"):
            decode_plain(b"9" * (MAX_PAYLOAD_BYTES - 1) + b"x")


class TestJson:
    # RFC 6901, section 5: the document and its pointers (string and array results left out: not numbers)
    RFC_6901 = json.dumps(
        {
            "foo": ["bar", "baz"],
            "": 0,
            "a/b": 1,
            "c%d": 2,
            "e^f": 3,
            "g|h": 4,
            "i\\j": 5,
            'k"l': 6,
            " ": 7,
            "m~n": 8,
        }
    ).encode()

    @pytest.mark.parametrize(
        ("pointer", "value"),
        [
            ("/", 0),
            ("/a~1b", 1),
            ("/c%d", 2),
            ("/e^f", 3),
            ("/g|h", 4),
            ("/i\\j", 5),
            ('/k"l', 6),
            ("/ ", 7),
            ("/m~0n", 8),
        ],
    )
    def test_examples_of_the_standard(self, pointer, value):
        assert decode_json(self.RFC_6901, pointer) == value

    @pytest.mark.parametrize(
        ("pointer", "words"),
        [
            ("", "an object at '' where a number is due"),
            ("/foo", "an array at '/foo'"),
            ("/foo/0", "text at '/foo/0'"),
            ("/foo/2", "an array has no '2'"),
            ("/foo/-", "an array has no '-'"),  # RFC 6901, 4: "-" is the element after the last
            ("/foo/00", "an array has no '00'"),  # RFC 6901, 4: no leading zeros
            ("/foo/0/1", "text has no '1'"),
            ("/nil", "an object has no 'nil'"),
        ],
    )
    def test_pointers_that_lead_to_no_number(self, pointer, words):
        with pytest.raises(PayloadError, match=words):
            decode_json(self.RFC_6901, pointer)

    def test_escapes_are_undone_in_the_standards_order(self):
        # RFC 6901, 4: "~01" becomes "~1", not "/"
        assert decode_json(b'{"~1": 5, "/": 6}', "/~01") == 5

    @pytest.mark.parametrize("pointer", ["a", "a/b", "/~", "/~2", "/a~b"])
    def test_malformed_pointers_are_a_mistake_of_the_settings(self, pointer):
        with pytest.raises(SetupError, match="must start with"):
            pointer_tokens(pointer)

    def test_nested_arrays_and_objects(self):
        assert decode_json(b'{"water": [{"t": 1}, {"t": -18.25e0}]}', "/water/1/t") == -18.25
        assert decode_json(b"21.5", "") == 21.5

    @pytest.mark.parametrize(
        ("payload", "words"),
        [
            (b'{"v": true}', "true or false"),
            (b'{"v": null}', "null"),
            (b'{"v": "18.5"}', "text"),
            (b'{"v": NaN}', "NaN is not a number in JSON"),
            (b'{"v": -Infinity}', "Infinity"),
            (b'{"v": 1e999}', "too large"),
            (b'{"v": ' + b"9" * 5000 + b"}", "too large"),
            (b'{"v": 1_000}', "not JSON"),
            (b'{"v": 0x10}', "not JSON"),
            (b'{"v": 01}', "not JSON"),
            (b'{"v": 1, "v": 2}', "repeats a name"),
            (b'{"v": 1', "not JSON"),
            (b"", "not JSON"),
            (b'\xef\xbb\xbf{"v": 1}', "not JSON"),  # RFC 8259, 8.1: no byte order mark
            ('{"v": 1}'.encode("utf-16"), "not UTF-8"),
            (b'{"v": ' * 10_900, "nested too deeply"),
            (b"[" * 60_000, "nested too deeply"),
            (b'{"v": 1}' + b" " * MAX_PAYLOAD_BYTES, "at most 65536"),
        ],
    )
    def test_what_is_refused_says_why_in_one_line(self, payload, words):
        with pytest.raises(PayloadError, match=words) as caught:
            decode_json(payload, "/v")
        assert str(caught.value).isprintable()


class TestSenmlExamples:
    """The examples of RFC 8428, section 5.1, as printed there."""

    def test_single_data_point(self):
        record = one({"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1})
        assert record == SenmlRecord("urn:dev:ow:10e2073a01080063", "Cel", 23.1, None, False)

    def test_multiple_data_points_with_times(self):
        payload = b"""[
             {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
              "bu":"A","bver":5,
              "n":"voltage","u":"V","v":120.1},
             {"n":"current","t":-5,"v":1.2},
             {"n":"current","t":-4,"v":1.3},
             {"n":"current","t":-3,"v":1.4},
             {"n":"current","t":-2,"v":1.5},
             {"n":"current","t":-1,"v":1.6},
             {"n":"current","v":1.7}
           ]"""
        voltage, *currents = decode_senml(payload, NOW_S)
        base = "urn:dev:ow:10e2073a0108006:"
        assert voltage == SenmlRecord(base + "voltage", "V", 120.1, 1_276_020_076_001, True)
        assert {(c.name, c.unit) for c in currents} == {(base + "current", "A")}
        assert [c.value for c in currents] == [1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
        assert [c.time_ms for c in currents] == [1_276_020_076_001 + 1000 * s for s in range(-5, 1)]

    def test_resolved_data(self):
        """5.1.3 resolves to 5.1.4; a resolved pack resolves to itself."""
        packed = b"""[
             {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
             {"u":"lon","v":24.30621},
             {"u":"lat","v":60.07965},
             {"t":60,"v":20.3},
             {"u":"%EL","t":150,"v":98}
           ]"""
        resolved = b"""[
             {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
             {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
             {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
             {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
             {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98}
           ]"""
        assert decode_senml(packed, NOW_S) == decode_senml(resolved, NOW_S)

    def test_multiple_data_types(self):
        records = decode_senml(
            b"""[{"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1},
                 {"n":"label","vs":"Machine Room"}, {"n":"open","vb":false},
                 {"n":"nfv-reader","vd":"aGkgCg"}]""",
            NOW_S,
        )
        assert [r.value for r in records] == [23.1, None, None, None]

    def test_collection_of_resources_keeps_the_base_time_under_a_new_base_name(self):
        records = decode_senml(
            b"""[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},
                 {"n":"humidity","u":"%RH","v":30},
                 {"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},
                 {"n":"humidity","u":"%RH","v":67}]""",
            NOW_S,
        )
        assert records[3] == SenmlRecord("2001:db8::1/humidity", "%RH", 67, 1_320_078_429_000, True)

    def test_a_record_of_base_fields_only_sets_the_base(self):
        records = decode_senml(
            b'[{"bn":"urn:dev:ow:10e2073a01080063:"}, {"n":"temp","u":"Cel","v":23.1}]', NOW_S
        )
        assert [r.name for r in records] == ["urn:dev:ow:10e2073a01080063:temp"]


class TestSenmlRules:
    def test_base_value_is_added(self):
        records = decode_senml(pack({"bn": "a", "bv": 20, "v": 0.5}, {"v": -1}, {"bv": 0, "v": 3}), NOW_S)
        assert [r.value for r in records] == [20.5, 19, 3]

    @pytest.mark.parametrize(
        ("time_s", "time_ms", "dated"),
        # RFC 8428, 4.5.3: below 2**28 relative to now, from there on absolute (1978-07-04T21:24:16Z)
        [
            (0, None, False),
            (-12.5, 1_320_078_416_500, False),
            (3, 1_320_078_432_000, False),
            (268_435_455, (1_320_078_429 + 268_435_455) * 1000, False),
            (268_435_456, 268_435_456_000, True),
            (1_320_078_429.25, 1_320_078_429_250, True),
        ],
    )
    def test_relative_and_absolute_times(self, time_s, time_ms, dated):
        record = one({"n": "a", "v": 1, "t": time_s})
        assert (record.time_ms, record.dated) == (time_ms, dated)

    @pytest.mark.parametrize(
        ("record", "words"),
        [
            ({"n": "a"}, "must have one of v, vs, vb and vd, and has 0"),
            ({"n": "a", "v": 1, "vs": "x"}, "has 2"),
            ({"n": "a", "v": 1, "dose_": 2}, "'dose_' must be understood"),
            ({"n": "", "v": 1}, "name ''"),
            ({"n": "-a", "v": 1}, "name '-a'"),
            ({"n": "kreisel 1", "v": 1}, "name 'kreisel 1'"),
            ({"n": "caf\u00e9", "v": 1}, "name"),
            ({"n": "a\n", "v": 1}, "name"),
            ({"n": "a", "v": "1"}, "v is text, not a number"),
            ({"n": "a", "v": True}, "v is true or false, not a number"),
            ({"n": "a", "v": None}, "v is null"),
            ({"n": "a", "vb": 1}, "vb is a number, not true or false"),
            ({"n": 5, "v": 1}, "n is a number, not text"),
            ({"n": "a", "v": 1, "t": "now"}, "t is text"),
            ({"n": "a", "v": 1, "t": 1e300}, "time"),
            ({"n": "a", "v": 1, "t": -1e12}, "time"),
            ({"n": "a", "bver": 11, "v": 1}, "version 11"),
            ({"n": "a", "bver": 0, "v": 1}, "version 0"),
            ({"n": "a", "bver": 9.5, "v": 1}, "version 9.5"),
            ({"n": "a", "bv": 1.7e308, "v": 1.7e308}, "too large"),
            ([1], "an array, not an object"),
            (None, "null, not an object"),
        ],
    )
    def test_a_broken_record_refuses_the_pack(self, record, words):
        with pytest.raises(PayloadError, match=words) as caught:
            decode_senml(
                pack({"n": "ok", "v": 1}, record) if "bver" not in str(record) else pack(record), NOW_S
            )
        assert str(caught.value).isprintable()

    def test_versions_within_a_pack_agree(self):
        assert (
            len(decode_senml(pack({"bver": 26, "n": "a", "v": 1}, {"bver": 26, "n": "b", "v": 1}), NOW_S))
            == 2
        )
        assert len(decode_senml(pack({"n": "a", "v": 1}, {"bver": 10, "n": "b", "v": 1}), NOW_S)) == 2
        with pytest.raises(PayloadError, match="version changes to 9"):
            decode_senml(pack({"bver": 10, "n": "a", "v": 1}, {"bver": 9, "n": "b", "v": 1}), NOW_S)

    def test_sums_update_times_and_unknown_labels_do_no_harm(self):
        record = one({"n": "a", "s": 12.5, "ut": 60, "colour": "red", "x": {"y": [1]}})
        assert record.value is None
        assert one({"n": "a", "v": 1, "s": 2, "bs": 3}).value == 1

    @pytest.mark.parametrize("payload", [b"{}", b"1", b'"x"', b"null"])
    def test_a_pack_is_an_array(self, payload):
        with pytest.raises(PayloadError, match="SenML array"):
            decode_senml(payload, NOW_S)


class TestSenmlUnits:
    @pytest.mark.parametrize(
        ("quantity", "unit", "sent", "ours"),
        # RFC 8798, table 3, and the IANA registry: hPa = 100 Pa, mg/l = 1/1000 kg/m3
        [
            ("temperature", "Cel", 18.5, 18.5),
            ("temperature", "K", 291.65, 18.5),
            ("conductivity", "S/m", 4.2914, 42.914),  # the PSS-78 standard: 42.914 mS/cm = 4.2914 S/m
            ("salinity", None, 35.0, 35.0),
            ("oxygen", "kg/m3", 0.0081, 8.1),
            ("oxygen", "mg/l", 8.1, 8.1),
            ("oxygen", "g/l", 0.0081, 8.1),
            ("oxygen", "ug/l", 8100.0, 8.1),
            ("oxygen_saturation", "/", 0.98, 98.0),
            ("oxygen_saturation", "%", 98.0, 98.0),
            ("oxygen_saturation", "/100", 98.0, 98.0),
            ("air_pressure", "Pa", 101_325.0, 1013.25),
            ("air_pressure", "hPa", 1013.25, 1013.25),
        ],
    )
    def test_registered_units_become_ours(self, quantity, unit, sent, ours):
        assert from_senml(quantity, unit, sent) == pytest.approx(ours, rel=1e-12)

    @pytest.mark.parametrize(
        ("quantity", "unit", "words"),
        [
            ("salinity", "ppt", "parts per trillion"),
            ("salinity", "/", "unit '/' does not fit salinity; send no unit"),
            ("temperature", None, "no unit does not fit temperature; send Cel or K"),
            ("temperature", "cel", "send Cel or K"),
            ("conductivity", "mS/cm", "send S/m"),
            ("oxygen", "/", "send kg/m3"),
            ("oxygen_saturation", "mg/l", "does not fit"),
            ("air_pressure", "x\n" * 90, "does not fit"),
        ],
    )
    def test_others_are_refused_with_what_would_be_right(self, quantity, unit, words):
        with pytest.raises(PayloadError, match=words) as caught:
            from_senml(quantity, unit, 1.0)
        assert str(caught.value).isprintable()


json_like = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=3), inner, max_size=4),
    max_leaves=12,
)
senml_like = st.lists(
    st.dictionaries(
        st.sampled_from(
            ["bn", "bt", "bu", "bv", "bver", "bs", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut", "x_"]
        ),
        st.sampled_from(["a", "Cel", "", 0, 1, 10, -5, 2**28, 1.5e9, 1e308, -1e308, True, None]) | json_like,
        max_size=5,
    ),
    max_size=4,
)


class TestAnyBytes:
    """Whatever arrives, the answer is a value or PayloadError, in one printable line."""

    @staticmethod
    def decode(decoder, *args):
        try:
            return decoder(*args)
        except PayloadError as error:
            said = str(error)
        assert said.isprintable()
        return None

    @given(st.binary(max_size=200) | st.text("0123456789+-.eE_ nax,\n", max_size=12).map(str.encode))
    def test_plain(self, payload):
        value = self.decode(decode_plain, payload)
        assert value is None or (math.isfinite(value) and float(payload) == value)

    @given(
        st.binary(max_size=200) | json_like.map(json.dumps).map(str.encode),
        st.sampled_from(["", "/0", "/a/b"]),
    )
    def test_json(self, payload, pointer):
        value = self.decode(decode_json, payload, pointer)
        assert value is None or (type(value) is float and math.isfinite(value))

    @given(st.binary(max_size=200) | senml_like.map(json.dumps).map(str.encode))
    def test_senml(self, payload):
        for record in self.decode(decode_senml, payload, NOW_S) or []:
            assert record.value is None or math.isfinite(record.value)
            assert record.time_ms is None or 0 < abs(record.time_ms) < 2**53
            assert record.name[0].isalnum()
