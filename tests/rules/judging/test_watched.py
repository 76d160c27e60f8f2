"""Why there is no value, in the words of the screens: never read, silent, without its inputs, no water."""

import math
from dataclasses import replace

import pytest

from rules.judging.watched import WatchedState
from rules.quality.flags import Flag
from tests.rigs.watched_rack import MINUTE
from tests.rules.judging.test_ranked_inputs import O2, C, P, Rack, T


def said(rack, quantity):
    now = next(it for it in rack.engine.channels() if it.channel.quantity == quantity)
    return now.lack, now.why


def test_what_was_never_read_is_not_silent_and_what_is_well_says_nothing():
    rack = Rack(T, C)
    assert said(rack, "temperature") == ("never read", "no reading yet")
    rack.poll(10)
    assert said(rack, "temperature") == ("", "")
    rack.poll(10, without=(T,))
    assert said(rack, "temperature") == ("silent", "t is silent")
    assert said(rack, "conductivity") == ("", "")


def test_what_is_made_of_others_names_those_that_it_needs():
    rack = Rack(T, C).poll(10)
    known = next(it for it in rack.engine.channels() if it.channel.quantity == "salinity")
    unknown = replace(known, value=math.nan, flag=Flag.MISSING)
    assert (known.why, unknown.lack, unknown.why) == ("", "unknown", "it needs k1/temperature")


def test_a_dry_cell_alone_is_at_fault_and_one_that_is_borne_out_is_in_air():
    rack = Rack(T, C).poll(10).poll(1, C=0.02)
    assert said(rack, "salinity") == ("unknown", "k1/conductivity is not believed: no water can be so")
    rack.poll(1, C=0.02, T=22.0)
    assert said(rack, "conductivity") == ("", "the probe is in air")


def test_what_no_water_can_be_is_said_by_the_test_that_found_it():
    rack = Rack(T, O2, P).poll(10).poll(1, T=5_000.0)
    assert said(rack, "temperature") == ("", "no water can be so")
    now = next(it for it in rack.engine.channels() if it.channel.quantity == "temperature")
    alone = replace(now, fault=None).watched
    assert (alone.state, alone.since_ms) == (WatchedState.UNWATCHED, now.time_ms)


@pytest.mark.parametrize(
    ("flag", "words"),
    [(Flag.FAIL, "no water can be so, does not move"), (Flag.SUSPECT, "a spike"), (Flag.PASS, "came late")],
)
def test_only_the_tests_that_made_the_flag_are_named(flag, words):
    tests = (Flag.PASS, Flag.NOT_EVALUATED, Flag.FAIL, Flag.NOT_EVALUATED, Flag.SUSPECT, Flag.NOT_EVALUATED)
    now = Rack(T).engine.channels()[0]
    assert now.found(flag, (*tests, Flag.FAIL, Flag.NOT_EVALUATED)) == words


def test_a_late_minute_is_no_silence():
    rack = Rack(T, C).poll(10)
    rack.wait(rack.now_ms + 4 * MINUTE)
    assert said(rack, "temperature") == ("", "")
