"""Bytes that are almost right: good ones cut, doubled, flipped, or with a monster in place of a value."""

import random
from collections.abc import Iterator, Sequence

MONSTERS = (
    b"1e999", b"-1e999", b"NaN", b"-Infinity", b"9" * 401, b"-0", b"1_5", b"null", b"true", b"[]", b"{}",
    b'""',     b'"\\ud800"', b'"\\u202e\\u0000"', b'"a\\r\\nCRITICAL"', b'"9999-12-31T23:59:59Z"', b"[" * 900,
    b'"0001-01-01T00:00:00+14:00"', b'"' + b"x" * 300 + b'"', b"\xff\xfe", b'"\xed\xa0\x80"',
    b"1" + b"0" * 4500,
)  # fmt: skip


def mutations(good: Sequence[bytes], count: int, seed: int) -> Iterator[bytes]:
    """Go through `count` mutations of good payloads, always the same."""
    chance = random.Random(seed)
    for _ in range(count):
        payload = chance.choice(good)
        for _ in range(chance.choice((1, 1, 1, 2, 5))):
            payload = _mutated(payload, good, chance)
        yield payload


def _mutated(payload: bytes, good: Sequence[bytes], chance: random.Random) -> bytes:
    at, upto = sorted((chance.randint(0, len(payload)), chance.randint(0, len(payload))))
    kind = chance.randrange(6)
    if kind == 0:
        return payload[:at] + bytes([chance.randrange(256)]) + payload[at + 1 :]
    if kind == 1:
        return payload[:at]
    if kind == 2:
        return payload[:upto] + payload[at:]
    if kind == 3:
        return payload[:at] + chance.choice(good)[at:]
    values = [place for place in range(len(payload)) if payload[place : place + 2] == b": "]
    if not values:
        return payload[:at] + chance.choice(MONSTERS) + payload[upto:]
    begin = chance.choice(values) + 2
    ends = [end for end in (payload.find(b", ", begin), payload.find(b"}", begin)) if end >= 0]
    return payload[:begin] + chance.choice(MONSTERS) + payload[min(ends, default=len(payload)) :]
