"""A slave that plays a recording row by row.

When to go on to the next row. A Modbus slave cannot tell from the bytes whether a request is the
next poll or a repeat of one whose reply was lost, and this master never writes to a probe, so it
cannot confirm. The rule here: a row stands until every one of its value registers has gone out in
a reply, and the first value read after that begins the next row. A reply that is withheld on
purpose (`lose_every`) counts as not gone out, so the master's retry gets the same row. Two requests
that stand on the line together, because the first was given up before it was answered, are no frame
and get silence, so they take no row either. What is left is a reply that was written in full and
never read; for that case the number of the row can be read beside it (`ROW_NUMBER`), and the rows
taken are told at the end.
"""

from collections.abc import Callable, Mapping

from simulator.encoding.registers import RegisterField
from simulator.wires.modbus import ModbusRefusalError, pick, register_map, reply
from tests.rigs.playback.recording import Recording, expected_rows

DEVICE_FAILURE = 4  # MODBUS Application Protocol V1.1b3, 7
ROW_NUMBER = RegisterField(function=4, address=1000, type="uint32")


class PlaybackSlave:
    """One slave that shows the recording row by row; after the last row it fails (exception 4)."""

    def __init__(
        self,
        recording: Recording,
        fields: Mapping[str, RegisterField],
        unit_id: int,
        lose_every: int = 0,
        on_end: Callable[[int], None] = lambda rows: None,
    ) -> None:
        expected_rows(recording, fields)
        self._recording = recording
        self._fields = dict(fields)
        self._slaves = {unit_id: self._read_words}
        self._lose_every = lose_every
        self._all = set(register_map((field, 0.0) for field in fields.values()))
        self._outstanding = set(self._all)
        self._going_out: set[tuple[int, int]] = set()
        self._answers = 0
        self._on_end = on_end
        self.row = 0
        self.rows_taken = 0

    def reply(self, frame: bytes) -> bytes:
        """The slave's answer to a frame; takes the row on when the answer completes it."""
        self._going_out = set()
        answer = reply(frame, self._slaves)
        if not self._going_out:
            return answer
        self._answers += 1
        if self._lose_every and self._answers % self._lose_every == 0:
            return b""
        self._outstanding -= self._going_out
        if not self._outstanding:
            self.rows_taken = self.row + 1
            if self.rows_taken == len(self._recording.time_ms):
                self._on_end(self.rows_taken)
        return answer

    def _next_row(self) -> None:
        self.row += 1
        self._outstanding = set(self._all)

    def _read_words(self, function: int, address: int, count: int) -> list[int]:
        values = self._all & {(function, address + i) for i in range(count)}
        if values and not self._outstanding:
            self._next_row()
        if self.row >= len(self._recording.time_ms):
            raise ModbusRefusalError(DEVICE_FAILURE)
        shown = [
            (field, self._recording.values[quantity][self.row]) for quantity, field in self._fields.items()
        ]
        words = pick(register_map([*shown, (ROW_NUMBER, self.row)]), function, address, count)
        self._going_out = values
        return words
