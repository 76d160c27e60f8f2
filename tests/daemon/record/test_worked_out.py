"""What a record works out for people beside what is taken back; and that its three forms hold the same.

What would refute it: a time that is not UTC, a mean of other readings than those let go, a calibration that
does not bring its standard to where it was put, numbers of an alarm that are not those of the water.
"""

from contextlib import closing

import pandas as pd
import pyarrow as pa
import pytest
import xarray as xr

from daemon.commands.engineer.export import export
from daemon.journal.journal import Journal
from daemon.journal.retention import let_go
from daemon.record.arrow import SCHEMAS
from daemon.record.package import folder_tables
from daemon.record.tables import BANDS, TABLES, TESTS
from tests.rigs.eventful_rack import CLOCK_WAS_OFF_MS, STANDARD, THERMOMETER, eventful, exported

pytestmark = [
    pytest.mark.usefixtures("quiet_logs"),
    pytest.mark.timeout(600),
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
]


@pytest.fixture(scope="module")
def rack(tmp_path_factory):
    return eventful(tmp_path_factory.mktemp("rack"))


@pytest.fixture(scope="module")
def records(rack, tmp_path_factory):
    return exported(rack, tmp_path_factory.mktemp("records"))


def table(folder, name):
    parts = [part for _, part in folder_tables(folder, {name: SCHEMAS[name]})]
    return pa.concat_tables([SCHEMAS[name].empty_table(), *parts]).to_pandas()


def test_a_calibration_brings_its_standard_to_where_it_was_put(records):
    found = table(records / "csv", "calibration")
    put = [(42.0, 42.0, 0.1, STANDARD), (42.8, 42.0, 0.1, STANDARD), (16.1, 16.0, 0.05, THERMOMETER)]
    for (_, row), (read, true, uncertainty, its) in zip(found.iterrows(), put, strict=True):
        assert row.slope * read + row.offset == pytest.approx(true, abs=1e-9)
        assert row.plus_minus == pytest.approx(uncertainty)
        assert {**row[[*its]]} == its
        assert row.who == "ada"
    assert (found.offset != 0).any()
    actions = table(records / "csv", "action")
    assert [*found.time] == [*actions.time[actions.kind == "calibrate"]]


@pytest.mark.parametrize("name", ["action", "event", "entry", "notice", "reading"])
def test_times_are_utc_though_the_clock_was_off(records, name):
    found = table(records / "csv", name)
    utc_ms = found.time.astype("int64") // (10**6 if found.time.dt.unit == "ns" else 1)
    late = found.at_ms - found.get("lag_ms", 0)
    assert set(utc_ms - late) == {CLOCK_WAS_OFF_MS}
    assert found.clock_set.all()


def test_an_alarm_stands_there_with_the_numbers_of_the_water(records):
    events, judged = table(records / "csv", "event"), table(records / "csv", "judged")
    here = judged[(judged.quantity == "temperature") & (judged.probe == "k1-multi")].set_index("time")
    bands = {"high": here.advisory_high, "high_high": here.critical_high}
    its = events[(events.channel == "k1/temperature/k1-multi") & events.condition.isin(bands)]
    first = its.groupby("condition").first()
    assert {*first.index} == {*bands}
    for condition, event in first.iterrows():
        assert event.vessel == "k1"
        assert event.limit == bands[condition][event.since]
        assert here.value[event.since] > event.limit, "since then it is out"
        assert event.value > event.limit
        assert event.value in set(here.value[event.since : event.time])
    assert {*events.priority} >= {"critical"}
    assert "=1+1" in table(records / "csv", "entry").note[0]


def test_hourly_rows_are_of_the_readings_that_were_let_go(rack, tmp_path):
    """By pandas, from an export of before."""
    with closing(Journal(rack, writable=False)) as journal:
        journal.copy_to(tmp_path / "old.sqlite")
        export(journal, tmp_path / "before", "parquet")
    with closing(Journal(tmp_path / "old.sqlite", writable=True)) as journal:
        with journal.transaction():
            journal.state.keep_snapshot(journal.inputs.last_seq(), {"version": 0})
            journal.state.keep_snapshot(journal.inputs.last_seq() - 900, {"version": 0})
        let_go(journal, journal.inputs.last_seq() - 1000, journal.state.dating(), 3_000)
        export(journal, tmp_path / "after")
    before, after = table(tmp_path / "before", "reading"), table(tmp_path / "after", "reading")
    gone = before[~before.seq.isin(after.seq)]
    hours = gone.groupby(["source", gone.time.dt.floor("h")]).value.agg(["size", "mean", "min", "max"])
    hours.index.names = ["source", "hour"]
    kept = table(tmp_path / "after", "hourly").set_index(["source", "hour"])
    both = hours.join(kept, rsuffix="_kept")
    whole = both[(both["size"] == both.readings) & (both.failed == 0)]
    assert len(whole) > 20
    pd.testing.assert_series_equal(whole["mean"], whole.mean_kept, check_names=False, rtol=1e-12)
    assert (whole["min"] == whole.lowest).all()
    assert (whole["max"] == whole.highest).all()


def test_csv_and_parquet_hold_the_same(records):
    for name in TABLES:
        one, other = (table(records / form, name) for form in ("csv", "parquet"))
        words = dict.fromkeys(one.select_dtypes("category"), object)
        pd.testing.assert_frame_equal(one.astype(words), other.astype(words), check_exact=True)


def plain(column):
    """Return a column as what any of the forms may hold it in: numbers, text, times without a zone."""
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        column = column.dt.tz_localize(None)
    if column.dtype.kind == "M":
        return column.astype("datetime64[ms]")
    return column.astype("float64") if column.dtype.kind in "iufb" else column.astype(object)


def test_netcdf_holds_the_same_in_its_groups_and_its_series(records):
    """As xarray reads it, beside Parquet."""
    for name in (name for name in TABLES if name != "judged"):
        there = table(records / "parquet", name)
        with xr.open_dataset(records / "record.nc", group=f"record/{name}") as group:
            found = group.to_dataframe().reset_index(drop=True)
        assert {*there} - {*found} == {it.name for it in TABLES[name].columns if it.kind == "word"}
        for column in found:
            both = plain(found[column]), plain(there[column])
            pd.testing.assert_series_equal(*both, check_index=False, check_exact=True, obj=f"{name} {column}")
    judged = table(records / "parquet", "judged")
    with xr.open_dataset(records / "record.nc") as series:
        values = {
            its.attrs["long_name"]: name for name, its in series.items() if " by " in its.attrs["long_name"]
        }
        keys = ["quantity", "vessel", "probe"]
        for (quantity, vessel, probe), rows in judged.groupby(keys, observed=True):
            name = values[f"{quantity} in {vessel} by {probe}".replace("_", " ")]
            time = pd.Series(series[f"{name}_time"].values)
            pd.testing.assert_series_equal(
                plain(time), plain(rows.time), check_index=False, check_names=False
            )
            for column in ("value", "raw", "corrected", "plus_minus", *BANDS, "flag", *TESTS, "clock_set"):
                its = series[name if column == "value" else f"{name}_{column}"]
                pd.testing.assert_series_equal(
                    plain(pd.Series(its.values)), plain(rows[column]), check_index=False, check_names=False,
                    check_exact=True, obj=f"{name} {column}",
                )  # fmt: skip
            stage = series[f"{name}_stage"]
            meanings = stage.attrs["flag_meanings"].split()
            assert [meanings[int(at)] for at in stage.values] == [it or "none" for it in rows.stage]
