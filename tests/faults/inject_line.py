"""Faults on the wire and in wireless probes, while the whole rack runs; each row heals what it broke."""

import json
import time

from daemon.broker.daily_word import MANY, OF_ANSWERS
from tests.faults.chain import Came
from tests.rigs.daemon_run import DaemonRun
from tests.rigs.parts.pty_pair import answer_frame

FULL_RATE = 15.0
"""Readings of a unit in a second: three quantities, five times."""
LATE = 0.6
"""A neighbour that is read less than this is late; tests/drivers holds a tenth on a line alone."""
RUBBISH = b"\x13\x37\xfe\x00\xff\x81\x02"


def lost(rack, fault, about, *, units=(1,), waited="silent", also=()):
    """Let units answer by a fault; say if a neighbour lost its rate or a value was made up."""
    beside = [unit for unit in (1, 2) if unit not in units and 0 not in units]
    before = {unit: rack.rate_of(unit) for unit in beside}
    rack.mark()
    for unit in units:
        rack.line.faults[unit] = fault
    came = rack.called(about, waited, 8.0)
    if came.after_s is None and all(rack.rate_of(unit) > 0 for unit in units if unit):
        came = Came(0.0)  # it is read all the same
    wrong = rack.wrong_value(rack.seq, also)
    for unit, rate in before.items():
        now = rack.rate_of(unit, 3.0)
        if now < LATE * min(rate, FULL_RATE):
            wrong = wrong or f"k{unit} is read {now:.1f} instead of {rate:.1f} times a second"
    rack.heal()
    return came._replace(wrong=wrong)


def silence(_line, _request):
    return None


def _broken(every):
    """Return a fault that breaks one answer in so many."""
    asked = [0]

    def fault(line, request):
        asked[0] += 1
        answer = line.sound(request)
        return answer[:-1] + bytes([answer[-1] ^ 0x55]) if asked[0] % every == 0 else answer

    return fault


def patient(function):
    """Mark a row whose rack must bear some missing answers, as one at shipped settings does."""
    function.patient = True
    return function


def degraded(rack, fault, units):
    """A fault that costs some answers and no danger: in the daily word or a low alarm, never a value."""
    rack.mark()
    before, stood = _troubles(rack), {alarm.name for alarm in rack.standing()}
    for unit in units:
        rack.line.faults[unit] = fault
    began_s = time.monotonic()
    told = None
    while time.monotonic() - began_s < 70.0 and told is None:
        often = any(times - before.get(key, 0) >= MANY for key, times in _troubles(rack).items())
        said = often or any(it.name not in stood for it in rack.standing())
        told = 24.0 * 3600 if said else None  # the daily word has it, tests/daemon/broker/test_daily_word.py
        time.sleep(0.1)
    wrong = rack.wrong_value(rack.seq)
    rack.heal()
    return Came(told, wrong)


def _troubles(rack):
    """Return how often each probe had each trouble with its answers that the daily word tells of."""
    return {(it.bus, it.probe, it.kind): it.times for it in rack.view().troubles if it.kind in OF_ANSWERS}


# Probe


def probe_silent(rack):
    return lost(rack, silence, "north k1: ")


def probe_not_a_number(rack):
    def fault(_line, request):
        return answer_frame(request[0], request[1], 0x7FC0, 0)

    return lost(rack, fault, "north k1: ")


# Cable


def cable_cut(rack):
    return lost(rack, silence, "north k1: ")


def cable_shorted(rack):
    found = lost(rack, silence, "north .*k1", units=(0,))
    calls = [text for text in rack.texts() if "CRITICAL" in text and "silent" in text]
    problems = {text.rpartition("#")[2].partition(".")[0] for text in calls}
    one = len(problems) <= 1
    return found if one else found._replace(wrong=found.wrong or f"{len(problems)} problems: {calls}")


def cable_polarity(rack):
    return lost(rack, lambda _line, _request: RUBBISH, "north .*k1", units=(0,))


@patient
def cable_loose(rack):
    return degraded(rack, _broken(3), (1,))


@patient
def cable_terminator(rack):
    return degraded(rack, _broken(2), (1, 2))


def cable_noise_bytes(rack):
    return lost(rack, lambda line, request: b"\x00" + line.sound(request), "north k1: ")


def cable_long_answers(rack):
    return lost(rack, lambda line, request: line.sound(request)[:5], "north k1: ")


# Adapter


def adapter_deaf(rack):
    return lost(rack, silence, "north .*k1", units=(0,))


def adapter_echoes(rack):
    return lost(rack, lambda line, request: request + line.sound(request), "north k1: ")


def adapter_wrong_rate(rack):
    return lost(
        rack, lambda _line, request: bytes(b ^ 0xF5 for b in request) + RUBBISH, "north .*k1", units=(0,)
    )


def adapter_swapped(rack):
    return lost(rack, silence, "north .*k1", units=(0,))


@patient
def adapter_slow(rack):
    """Every answer takes nine tenths of the time-out."""

    def fault(line, request):
        time.sleep(0.085)
        return line.sound(request)

    rack.mark()
    rack.line.faults[1] = fault
    came = rack.shown(lambda view: any(it.kind == "slow" for it in view.troubles), 75.0)
    said = rack.status()
    wrong = rack.wrong_value(rack.seq) or ("" if "near the 100 ms" in said else f"status: {said[-300:]}")
    rack.heal()
    return came._replace(wrong=wrong)


# Bus


def bus_late_reply(rack):
    """Answers come 0.3 to 0.8 s after the question, the time-out being 0.1 s."""
    asked = [0]

    def fault(line, request):
        asked[0] += 1
        line.peer.send_after(0.3 + 0.05 * (asked[0] % 11), line.sound(request))

    return lost(rack, fault, "north k1: ")


def bus_twin_address(rack):
    """Two answers at once: their bytes mix."""

    def fault(line, request):
        one, other = line.sound(request), line.sound(request)
        return bytes(byte for pair in zip(one, other[:-2] + b"\x12\x34", strict=True) for byte in pair)

    return lost(rack, fault, "north k1: ")


@patient
def bus_second_master(rack):
    """An answer to somebody else comes before ours, one time in three: none of ours is missing for it."""
    asked = [0]

    def fault(line, request):
        asked[0] += 1
        other = answer_frame(9, 3, 0x4100, 0)
        return (other if asked[0] % 3 == 0 else b"") + line.sound(request)

    before = rack.rate_of(1, 3.0)
    rack.mark()
    rack.line.faults[1] = fault
    came = rack.shown(lambda view: any("nobody had asked for" in it.what for it in view.troubles), 75.0)
    wrong = rack.wrong_value(rack.seq)
    if rack.rate_of(1, 3.0) < LATE * min(before, FULL_RATE):
        wrong = wrong or "its own answers are lost beside the others'"
    rack.heal()
    return came._replace(wrong=wrong)


def bus_exception(rack):
    def fault(_line, request):
        from pymodbus.framer import FramerRTU

        body = bytes([request[0], request[1] | 0x80, 4])
        return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")

    return lost(rack, fault, "north k1: ")


def bus_wrong_unit(rack):
    return lost(rack, lambda _line, request: answer_frame(7, request[1], 0x4170, 0), "north k1: ")


def bus_wrong_function(rack):
    return lost(rack, lambda _line, request: answer_frame(request[0], 4, 0x4170, 0), "north k1: ")


def bus_too_short(rack):
    return lost(rack, lambda line, request: line.sound(request)[:-3], "north k1: ")


def bus_too_long(rack):
    return lost(rack, lambda line, request: line.sound(request) + RUBBISH, "north k1: ")


def bus_dribbles(rack):
    def fault(line, _request):
        for number in range(8):
            line.peer.send_after(0.06 * (number + 1), b"\x01")

    return lost(rack, fault, "north k1: ")


def bus_garbles(rack):
    return lost(rack, lambda _line, _request: RUBBISH * 8, "north k1: ")


def wireless(rack, says, about="north k3: ", waited="silent"):
    """Let the probe that publishes say something else; wait for the call."""
    rack.mark()
    rack.wireless.says = says
    came = rack.called(about, waited)
    wrong = rack.wrong_value(rack.seq)
    rack.heal()
    return came._replace(wrong=wrong)


def bus_topic_silent(rack):
    return wireless(rack, lambda: None)


def bus_topic_nonsense(rack):
    return wireless(rack, lambda: b"\xff{[" * 100)


def bus_topic_field_gone(rack):
    return wireless(rack, lambda: json.dumps({"c": 40.0}), "north k3: temperature")


# Process


def process_twice(rack):
    """A second watch is started on the same settings, beside the first."""
    second = DaemonRun(rack.settings_file)
    second._log = rack.folder / "second.log"
    rack.mark()
    second.start()
    code, said = second.wait_for_end(), second.log
    newest = rack.newest_reading()
    alive = rack.wait_until(lambda: rack.read_since(newest, "k1-multi") > 0, 10.0)
    refused = code != 0 and "is writing it" in said and "Traceback" not in said
    return Came(0.0 if refused else None, "" if alive else "the first one reads no more")
