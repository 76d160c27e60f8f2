"""Replaying the copy that an InfluxDB holds, through the query interface of its own client.

The points are those that the mirror writes: measurement `reading`, field `value`, tags `rack`,
`vessel`, `quantity` and `probe`, the time to the millisecond.
"""

from dataclasses import dataclass

import numpy as np
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from daemon.errors import SourceError
from daemon.sources.recording import Recording, SourceKey, in_memory, merged

TIMEOUT_MS = 300_000

_FLUX = """
from(bucket: _bucket)
  |> range(start: {since})
  |> filter(fn: (r) => r._measurement == "reading" and r._field == "value" and r.rack == _rack)
  |> keep(columns: ["_time", "_value", "probe", "quantity", "vessel"])
"""


@dataclass(frozen=True, slots=True)
class InfluxQuery:
    """Where to ask and for what; `since` is RFC 3339 or a duration such as -30d."""

    url: str
    bucket: str | None
    org: str
    token: str
    since: str


def influx_recording(query: InfluxQuery, rack: str) -> Recording:
    """Return a rack's readings by time of measurement; SourceError where the server does not give them."""
    if not query.bucket:
        raise SourceError(f"{query.url}: which bucket? Name it with --bucket")
    if not all(character.isalnum() or character in "-+:.TZ" for character in query.since):
        raise SourceError(f"--since {query.since!r}: expected RFC 3339 or a duration such as -30d")
    series = _series(query, rack)
    keys = sorted(series)
    columns = {
        number: (np.array(series[key][0], dtype=np.int64), np.array(series[key][1], dtype=np.float64))
        for number, key in enumerate(keys, 1)
    }
    readings, repeated = merged(columns)
    if not len(readings):
        where = f"{query.url}, bucket {query.bucket}"
        raise SourceError(f"{where}: no reading of rack {rack} since {query.since}")
    left_out = {"time already taken": repeated}
    return in_memory(f"{query.url} {query.bucket}", dict(enumerate(keys, 1)), readings, left_out)


def _series(query: InfluxQuery, rack: str) -> dict[SourceKey, tuple[list[int], list[float]]]:
    series: dict[SourceKey, tuple[list[int], list[float]]] = {}
    with InfluxDBClient(query.url, query.token, org=query.org, timeout=TIMEOUT_MS) as client:
        try:
            records = client.query_api().query_stream(
                _FLUX.format(since=query.since), params={"_bucket": query.bucket, "_rack": rack}
            )
            for record in records:
                key = (record["probe"], record["quantity"], record["vessel"])
                times, values = series.setdefault(key, ([], []))
                times.append(round(record.get_time().timestamp() * 1000))
                values.append(float(record.get_value()))
        except (ApiException, HTTPError, KeyError, TypeError) as error:
            reason = " ".join(str(getattr(error, "message", None) or error).split())[:200]
            raise SourceError(f"{query.url}: the server did not give the readings: {reason}") from error
    return series
