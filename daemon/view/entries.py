"""An entry of the logbook in words, the same on every screen."""

from collections.abc import Mapping

from daemon.journal.history import UNUSABLE, Entry, entry_of
from daemon.journal.logbook import CULTURE, HAND, MAINTENANCE
from daemon.words import amount, label, length_of_time
from rules.culture.acts import Act, How, act_of
from rules.culture.weight import pairs_of
from rules.quantities import Quantity
from rules.rack.logbook import ENTRY_KINDS, is_withdrawn
from rules.readings import Action
from rules.water.ammonia import unionised


def entry_text(entry: Entry) -> str:
    """Write what an entry says: 12 mm (mean of 5), 9 to 14, of which batch, and the note."""
    try:
        return _text(entry)
    except UNUSABLE:
        return "damaged: it cannot be read"


def _text(entry: Entry) -> str:
    body = entry.body
    value, note = body.get("value"), body.get("note") or body.get("why")
    text = ""
    if entry.kind == CULTURE:
        return act_text(act_of(entry.seq, entry.at_ms, entry.who, body))
    if is_withdrawn(body):
        text = "withdrawn"
    elif entry.kind == HAND:
        quantity = Quantity(body["quantity"])
        gravity = f"specific gravity {body['specific_gravity']:g}" if "specific_gravity" in body else ""
        text = f"{label(quantity)} {gravity if value is None else amount(value, quantity)}"
    elif value is not None:
        text = f"{value:g} {ENTRY_KINDS[entry.kind].unit}".rstrip()
        text += f" (mean of {body['n']:g})" if body.get("n", 1) > 1 else ""
        text += f", sd {body['sd']:.2g}" if "sd" in body else ""
        text += f", {body['low']:g} to {body['high']:g}" if "low" in body and "high" in body else ""
        sizes = ", ".join(f"{mm:g}" for mm, _ in pairs_of(body))
        text += f", of bells of {sizes} mm" if sizes else ""
        text += _of_ammonia(entry) if entry.kind == "ammonia" else ""
    elif entry.kind == MAINTENANCE:
        text = f"for {length_of_time(body['for_s'])}" if "for_s" in body else "over"
    of = f"of {body['cohort']}" if body.get("cohort") else ""
    return "  ".join(part for part in (text, of, str(note or "")) if part)


def corrected_text(entry: Entry, over: Mapping[int, int]) -> str:
    """Say which entry this one puts right, and which one counts in its place."""
    right = f", corrects {entry.corrects}" if entry.corrects else ""
    return f"{right}, superseded by {over[entry.seq]}" if entry.seq in over else right


def deed_text(deed: Action) -> str:
    """Write what somebody wrote down, or asked for: feed 6 mL  nauplii; move stage k1 adult over 8 d."""
    body, entry = deed.body, entry_of(0, deed)
    if entry is not None:
        return " ".join((entry.kind.replace("_", " "), entry_text(entry)))
    about = body.get("alarm") or body.get("target") or body.get("vessel") or body.get("probe") or ""
    words = [deed.kind.replace("_", " "), str(about), str(body.get("stage") or body.get("quantity") or "")]
    for key, word in (("for_s", "for"), ("over_s", "over")):
        words.append(f"{word} {length_of_time(body[key])}" if body.get(key) else "")
    words.append("withdrawn" if body.get("withdrawn") else "")
    said = " ".join(word for word in words if word)
    why = body.get("why") or body.get("note")
    return f"{said}: {why}" if why else said


def _of_ammonia(entry: Entry) -> str:
    """Write the un-ionised part, on each scale that the pH may be of; empty where it is not known."""
    found = unionised(entry.body["value"], entry.body)
    said = " or ".join(f"{value:.2g} ({scale} scale)" for scale, value in found.items())
    return f", of it un-ionised {said}" if said else ""


def act_text(act: Act) -> str:
    """Write what was done with a batch: e3: move 40 from k1 to k2."""
    some = "" if act.share is None else f"{100 * act.share:g} %"
    if act.value is not None:
        error = f" (sd {act.sd:.2g})" if act.sd else f" ({act.how})" if act.how is not How.COUNTED else ""
        some = f"{act.value:g}{error}"
    discs = ", ".join(f"{each:g}" for each in act.values) if act.value is None else ""
    places = (("from" if act.to else "in", act.vessel), ("to", act.to), ("into", act.into))
    where = " ".join(f"{word} {place}" for word, place in places if place)
    parts = (act.what, some, discs, act.stage, where, act.origin, act.cause, act.note)
    return f"{act.cohort}: {' '.join(part for part in parts if part)}"
