"""Faults of probes, cables and lines, put into the readings. Each function is named after its row."""

import math
from dataclasses import replace

import gsw
import numpy as np

from rules.calling.records import CallKind
from rules.judging.watched import WatchedState
from rules.quality.flags import Flag
from rules.quantities import Quantity
from rules.readings import Action
from tests.faults.chain import (
    C1,
    C2,
    FAULT_AT,
    HOUR,
    MINUTE,
    O1,
    O2,
    START_MS,
    T1,
    T2,
    Came,
    P,
    Water,
    water,
)

K1, K2 = r"north [^:]*k1", r"north [^:]*k2"


def came(told, about, *, only=None):
    """Return what came of a fault that must be called by words `about`; other calls are wrong."""
    other = told.other_calls(only or about)
    return Came(told.called_s(about), f"also called: {other}" if other else "")


def quiet(told):
    """Return what was called although nothing should be; empty where nothing was."""
    return f"called: {told.texts()[0]}" if told.texts() else ""


def changed(source, value, **how):
    """Return the water of which one source says something else from the fault on."""
    found = water(**how)
    found.value[source] = np.where(found.after, value(found), found.value[source])
    return found


# Probe


def probe_one_silent(_folder):
    found = water()
    found.lose(O1)
    return came(found.run(), K1)


def probe_stuck_pair(_folder):
    found = Water(hours=7, pair=True)
    found.temperature[1] += 0.4 * np.sin(found.since_h)
    found.measured()
    found.value[T1][found.after] = found.value[T1][np.argmax(found.after)]
    told = found.run()
    return Came(told.shown_s("k1/temperature"), quiet(told))


def probe_stuck_device(_folder):
    found = Water(hours=7)
    for vessel in (1, 2):
        found.temperature[vessel] += 0.25 * np.sin(found.since_h * 1.2)
    found.measured()
    for source in (T1, C1, O1):
        found.value[source][found.after] = found.value[source][np.argmax(found.after)]
    return came(found.run(), K1)


def probe_stuck_after_move(_folder):
    found = Water(hours=7)
    found.temperature[1] += 0.35 * np.sin(found.since_h * 1.2)
    found.measured()
    moved = 0.9 * np.clip(found.since_h * 12, 0.0, 1.0)
    before = found.value[C1][np.argmax(found.after)]
    found.value[C1][found.after] = np.round(before - moved[found.after], 2)
    return came(found.run(), "unwatched")


def probe_stuck_alone(_folder):
    found = Water(hours=17)
    found.temperature[1] = np.full(found.at.size, 15.02)
    found.measured()
    found.value[T1] = np.round(15.02 + 0.0 * found.value[T1], 1)
    told = found.run()
    dangers = {(it.vessel, it.quantity): it.watched for it in told.engine.dangers()}
    shown = dangers["k1", Quantity.TEMPERATURE]
    roughly = shown.state is WatchedState.WATCHED_ROUGHLY and shown.since_ms is not None
    return Came(12 * 3600.0 if roughly else None, quiet(told))


def probe_drift_pair(_folder):
    found = water(hours=60, pair=True, every_ms=2 * MINUTE)
    found.value[T1] += 0.3 * found.since_h / 24
    return came(found.run(), K1)


def probe_drift_alone(_folder):
    """The duty is what finds it; it must be told then."""
    found = water(hours=24 * 15, every_ms=10 * MINUTE)
    found.value[C1] *= 1 - 0.005 * found.since_h / 24
    checks = []
    for day in range(1, 15):
        at = day * 24 * HOUR
        body = {
            "vessel": "k1", "quantity": "salinity", "value": 32.0, "accuracy": 0.2,
            "method": "refractometer", "instrument": "r1",
        }  # fmt: skip
        checks.append((at + MINUTE, "hand_measurement", body))
    told = found.run([deed for number, deed in enumerate(checks) if number % 7 == 6 or number == 0])
    late = [n for n in told.notices if "k1" in n.vessel and n.at_ms > told.fault_ms]
    daily = told.daily_s("k1")
    walks = told.called_s("k1") or daily
    return Came(walks if late or walks else None)


def probe_step_pair(_folder):
    told = changed(T1, lambda w: w.value[T1] + 2.0, pair=True).run()
    return Came(told.shown_s("k1/temperature"), quiet(told))


def probe_in_air(_folder):
    found = water()
    for source, value in ((T1, 21.0), (C1, 0.01), (O1, 9.0)):
        found.value[source][found.after] = value + 0.001 * np.arange(found.after.sum()) % 0.01
    told = found.run()
    false = [text for text in told.texts() if "temperature high" in text or "rising" in text]
    return Came(told.called_s(K1), f"air taken for water: {false[0]}" if false else "")


def probe_dead_cell(_folder):
    found = changed(C1, lambda w: 0.02 + 0.0 * w.value[C1])
    told = found.run()
    known = {now.channel.name: now.flag for now in told.engine.channels()}
    lost = known["k1/temperature"] == Flag.FAIL
    return Came(told.called_s(K1), "the thermometer is not believed" if lost else "")


def _noisy(source, factor, sigma, **how):
    noise = np.random.default_rng(20_261_127)
    return changed(source, lambda w: w.value[source] + factor * sigma * noise.normal(size=w.at.size), **how)


def erratic(found, about, calls_at_most=1):
    told = found.run()
    calls = [text for text in told.texts() if "#1." in text or "k" in text]
    wrong = (
        f"{len(calls)} calls: {calls[:3]}"
        if len({c.split("#")[1].split(".")[0] for c in calls}) > calls_at_most
        else ""
    )
    return Came(told.shown_s(about), wrong)


def probe_noise(_folder):
    return erratic(_noisy(O1, 20, 0.02), "k1")


def probe_spikes(_folder):
    found = water()
    hit = found.after & (np.arange(found.at.size) % 100 == 7)
    found.value[T1][hit] += 9.0
    return _flagged(found.run(), "k1/temperature")


def _flagged(told, channel):
    """A single reading that is off is flagged, and calls nobody."""
    bad = [
        (int(ms) - told.fault_ms) / 1000
        for block in told.flags
        if block.channel == channel
        for ms, flag in zip(block.time_ms.tolist(), block.summary.tolist(), strict=True)
        if flag in (Flag.SUSPECT, Flag.FAIL) and ms >= told.fault_ms
    ]
    return Came(60.0 if bad else None, quiet(told))


def probe_drop_outs(_folder):
    found = water(hours=30, every_ms=MINUTE // 2)
    half = found.after & (np.arange(found.at.size) % 2 == 0)
    for source in (T1, C1, O1):
        found.read[source] &= ~half
    told = found.run()
    return Came(told.daily_s("k1"), quiet(told))


def probe_open_circuit(_folder):
    told = changed(T1, lambda w: 850.0 + 0.0 * w.value[T1]).run()
    hot = [text for text in told.texts() if "temperature high" in text]
    return Came(told.called_s(K1), f"taken for hot water: {hot[0]}" if hot else "")


def probe_sentinel(_folder):
    told = changed(T1, lambda w: -999.9 + 0.0 * w.value[T1]).run()
    cold = [text for text in told.texts() if "temperature low" in text]
    return Came(told.called_s(K1), f"taken for cold water: {cold[0]}" if cold else "")


def probe_zero(_folder):
    found = water()
    for source in (T1, C1, O1):
        found.value[source][found.after] = 0.0
    return came(found.run(), K1)


def probe_compensated(_folder):
    """Linear, 2 %/K, the commonest way (common practice, no source)."""
    return came(changed(C1, lambda w: w.value[C1] / (1 + 0.02 * (w.value[T1] - 25))).run(), K1)


def probe_fahrenheit(_folder):
    return came(changed(T1, lambda w: w.value[T1] * 9 / 5 + 32).run(), K1)


def probe_kelvin(_folder):
    return came(changed(T1, lambda w: w.value[T1] + 273.15).run(), K1)


def _swapped():
    found = Water()
    found.temperature[2] = found.temperature[2] + 4.5
    found.salinity[2] = found.salinity[2] - 4.0
    found.measured()
    for ours, theirs in ((T1, T2), (C1, C2), (O1, O2)):
        mixed = np.where(found.after, found.value[theirs], found.value[ours])
        found.value[theirs] = np.where(found.after, found.value[ours], found.value[theirs])
        found.value[ours] = mixed
    return found


def _of_k1(told):
    """Return when something of the first vessel was called; the second one's water is out of band anyway."""
    return Came(told.called_s(K1))


def probe_swapped(_folder):
    return _of_k1(_swapped().run())


def probe_wired_elsewhere(_folder):
    """The cell of k1 in water of 1.6 more; nobody looks for six hours."""
    found = changed(C1, lambda it: gsw.C_from_SP(it.salinity[1] + 1.6, it.temperature[1], 0.0), hours=9.5)
    told = found.run()
    stands = [it.name for it in told.engine.alarms() if it.active and it.vessel == "k1"]
    wrong = "" if stands == ["k1/salinity/rising"] else f"stands: {stands}"
    return Came(told.called_s(K1), wrong or came(told, K1).wrong)


def probe_membrane_torn(_folder):
    return came(changed(O1, lambda w: 40.0 + 0.0 * w.value[O1]).run(), K1)


def probe_membrane_low(_folder):
    found = water(hours=24 * 6, every_ms=5 * MINUTE)
    found.value[O1] *= np.clip(1 - 0.06 * found.since_h / 24, 0, 1)
    return came(found.run(), K1)


def _danger(lost, change, about, begins_h=1.5, over_h=1.5, crosses=None):
    """A probe is lost, later a danger comes: return how long after its limit was crossed it was called."""
    found = Water(hours=9)
    share = np.clip((found.since_h - begins_h) / over_h, 0, 1)
    change(found, share)
    found.measured()
    lost(found)
    told = found.run()
    crossed_ms = START_MS + int(found.at[np.argmax(crosses(found))])
    after_s = told.called_s(about, since_ms=told.fault_ms + round(begins_h * HOUR))
    if after_s is None:
        return Came(None)
    return Came(after_s + begins_h * 3600 - (crossed_ms - told.fault_ms) / 1000)


def _heat(found, share):
    found.temperature[1] = found.temperature[1] + 12 * share


def probe_oxygen_silent_heat(_folder):
    return _danger(lambda w: w.lose(O1), _heat, "k1: temperature", crosses=lambda w: w.temperature[1] > 18)


def probe_cell_dead_heat(_folder):
    def lost(found):
        found.value[C1][found.after] = 0.02

    return _danger(lost, _heat, "k1: temperature", crosses=lambda w: w.temperature[1] > 18)


def probe_thermometer_salt(_folder):
    def fresh(found, share):
        found.salinity[1] = found.salinity[1] - 14 * share

    return _danger(lambda w: w.lose(T1), fresh, "k1: salinity", crosses=lambda w: w.salinity[1] < 25)


def probe_thermometer_oxygen(_folder):
    def air_stops(found, share):
        found.saturation[1] = found.saturation[1] - 75 * share

    return _danger(lambda w: w.lose(T1), air_stops, "k1: oxygen", crosses=lambda w: w.saturation[1] < 60)


def probe_barometer_silent(_folder):
    found = water(hours=26, every_ms=MINUTE)
    found.lose(P)
    told = found.run()
    unknown = [
        n.channel.name for n in told.engine.channels() if "oxygen" in n.channel.name and math.isnan(n.value)
    ]
    return Came(
        told.daily_s("barometer|air pressure|air_pressure"), f"not watched: {unknown}" if unknown else ""
    )


def probe_barometer_wrong(_folder):
    found = changed(P, lambda w: 500.0 + 0.0 * w.value[P], hours=26, every_ms=MINUTE)
    told = found.run()
    false = [text for text in told.texts() if "oxygen" in text]
    return Came(told.daily_s("air pressure|air_pressure|barometer"), f"called: {false[0]}" if false else "")


def probe_barometer_leaps(_folder):
    found = changed(P, lambda w: np.round(0.750062 * w.value[P], 1), hours=26, every_ms=MINUTE)
    told = found.run(plan=replace(found.plan(), altitude_m=30.0))
    false = [text for text in told.texts() if "oxygen" in text]
    return Came(told.daily_s("air pressure|air_pressure|barometer"), f"called: {false[0]}" if false else "")


def probe_late(_folder):
    found = Water()
    share = np.clip(found.since_h / 1.5, 0, 1)
    _heat(found, share)
    found.measured().late_ms = 90_000
    told = found.run()
    crossed_ms = START_MS + int(found.at[np.argmax(found.temperature[1] > 18)])
    after_s = told.called_s("k1: temperature")
    return Came(None if after_s is None else after_s - (crossed_ms - told.fault_ms) / 1000)


def probe_goes_round(_folder):
    found = Water(hours=8)
    found.saturation[1] = found.saturation[1] - 75 * np.clip(found.since_h - 1, 0, 1)
    found.measured()
    begins = int(np.argmax(found.after))
    for source in (T1, C1, O1):
        its = np.round(found.value[source], 2)
        its[begins:] = np.resize(its[begins - 5 : begins], its.size - begins)
        found.value[source] = its
    return came(found.run(), K1)


def probe_came_late(_folder):
    """It is the last five minutes, and comes before the loss is told."""
    found, waits = water(), {T1, C1, O1}
    for source in waits:
        found.read[source] &= found.at < found.fault_at + 5 * MINUTE
    come_ms, its = START_MS + found.fault_at + 8 * MINUTE, found.readings
    found.readings = lambda: sorted(
        (come_ms if it in waits and ms >= START_MS + found.fault_at else at, it, ms, value)
        for at, it, ms, value in its()
    )
    return came(found.run(), K1)


def probe_never_read(_folder):
    found = water()
    for source in (T1, C1, O1):
        found.read[source][:] = False
    told = found.run()
    told.fault_ms = START_MS
    return came(told, K1)


def probe_calibration_due(_folder):
    found = water(hours=24 * 3, every_ms=10 * MINUTE)
    told = found.run(plan=found.plan(calibrate_every_ms=24 * HOUR))
    due = [notice for notice in told.notices if "calibr" in notice.kind]
    if not due:
        return Came(None)
    said = [at for at, _, text in told.desk.said(CallKind.DIGEST) if "k1" in text and at >= due[0].at_ms]
    return Came((said[0] - due[0].at_ms) / 1000 if said else None)


def probe_calibration_wrong(_folder):
    engine = water(hours=2).run().engine
    point = {"read": 15.0, "true": 45.0}
    body = {"probe": "k1-multi", "quantity": "temperature", "points": [point], "standard": "wrong bath"}
    refusal = engine.act(Action(engine.clock_ms, "calibrate", "ada", body)).refusal
    return Came(0.0 if "apart would be drift" in refusal else None, "" if refusal else "it was taken")


# Cable


def cable_bit_flip(_folder):
    found = water()
    found.value[T1][np.argmax(found.after) + 20] += 8.0
    return _flagged(found.run(), "k1/temperature")


def cable_wet(_folder):
    known_after_h = 4 * 24  # its usual noise is known, as that of every probe whose plug had time to get wet
    return erratic(_wet(known_after_h * HOUR), "k1/conductivity/probe_fault", 2)


def cable_wet_at_once(_folder):
    return came(_wet(FAULT_AT).run(), "k1: salinity")


def _wet(fault_at):
    found = _noisy(C1, 25, 0.01, hours=fault_at / HOUR + 25, fault_at=fault_at)
    found.value[C1] -= 0.2 * found.since_h
    return found


def cable_pump(_folder):
    found, noise = water(), np.random.default_rng(20_261_128)
    for source, sigma in ((O1, 0.02), (O2, 0.02)):
        found.value[source] += found.after * 20 * sigma * noise.normal(size=found.at.size)
    return erratic(found, "k1|k2", 2)


def cable_sockets(_folder):
    return _of_k1(_swapped().run())


# Line


def bus_word_order(_folder):
    """Big-endian float32 of 15 °C with its words swapped is a tiny number or none at all."""
    found = water()
    for source in (T1, C1, O1):
        raw = found.value[source].astype(">f4").view(">u2").reshape(-1, 2)[:, ::-1].copy().view(">f4").ravel()
        with np.errstate(invalid="ignore"):  # some of them are no numbers
            swapped = raw.astype(np.float64)
        found.value[source] = np.where(found.after, swapped, found.value[source])
    return came(found.run(), K1)


def bus_topic_twins(_folder):
    found = water()
    other = gsw.C_from_SP(30.0, 18.0, 0.0)
    odd = found.after & (np.arange(found.at.size) % 2 == 0)
    found.value[T1][odd], found.value[C1][odd] = 18.0, other
    told = found.run()
    return Came(told.shown_s("k1"))


# Machine


def machine_bit_flip(_folder):
    found = water()
    found.value[O1][np.argmax(found.after) + 20] *= 4.0
    return _flagged(found.run(), "k1/oxygen")


# Process


def process_gap_resets(_folder):
    """Two readings in five fail while the water is beyond its critical limit."""
    found = Water()
    warmer = 12.0 * np.clip(found.since_h, 0.0, 1.0)
    found.temperature[1] = found.temperature[1] + warmer
    found.measured()
    found.value[T1][found.after & (np.arange(found.at.size) % 5 < 2)] = 850.0
    told = found.run()
    return Came(told.called_s("k1: temperature"))
