"""What other people's tools say of a record: validators, a spreadsheet, data frames and data sets."""

import csv
import json
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import frictionless
import netCDF4
import pyarrow.parquet as pq
import pytest
import xarray as xr
from matplotlib import pyplot

from daemon.commands.engineer.export import export
from daemon.errors import JournalError, SourceError
from daemon.journal.journal import Journal
from daemon.record.notebook import dataset, frame
from daemon.record.tables import TABLES
from tests.rigs.bench import START_MS, Bench, swinging
from tests.rigs.eventful_rack import eventful, exported

pytestmark = [
    pytest.mark.usefixtures("quiet_logs"),
    pytest.mark.timeout(600),
    pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning"),
]


@pytest.fixture(scope="module")
def rack(tmp_path_factory):
    return eventful(tmp_path_factory.mktemp("rack"))


@pytest.fixture(scope="module")
def records(rack, tmp_path_factory):
    folder = exported(rack, tmp_path_factory.mktemp("records"))
    with closing(Journal(rack, writable=False)) as journal:
        export(journal, folder / "k2.nc", vessels=["k2"])
    return folder


def faults(folder):
    report = frictionless.validate(folder / "datapackage.json")
    errors = [(task.name, *task.flatten(["rowNumber", "fieldName", "type"])) for task in report.tasks]
    return [(name, *its) for name, *found in errors for its in found]


def test_a_general_validator_finds_nothing_wrong_and_names_row_and_field_of_a_fault(records, tmp_path):
    assert faults(records / "csv") == []
    for file in (records / "csv").iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    lines = (tmp_path / "judged.csv").read_text().splitlines(keepends=True)
    cells = lines[700].split(",")
    cells[8] = "warm"
    lines[700] = ",".join(cells)
    (tmp_path / "judged.csv").write_text("".join(lines))
    assert faults(tmp_path) == [("judged", 701, "value", "type-error")]


def test_the_description_says_units_meaning_and_origin(records, rack):
    package = json.loads((records / "csv/datapackage.json").read_text())
    assert package["bellwatch"]["rack"] == "north"
    assert package["bellwatch"]["made_by"].startswith("bellwatch ")
    with closing(Journal(rack, writable=False)) as journal:
        assert (package["bellwatch"]["journal"], package["bellwatch"]["run"]) == (journal.id, journal.run_id)
    assert [its["name"] for its in package["resources"]] == [*TABLES]
    (reading, judged) = package["resources"][-2:]
    assert (reading["taken_back"][-1], judged["taken_back"]) == ("value", [])
    lag = reading["schema"]["fields"][3]
    assert lag == {
        "name": "lag_ms", "type": "integer", "description": "it was measured so long before", "unit": "ms",
        "constraints": {"required": True},
    }  # fmt: skip


def test_no_text_is_a_formula_to_a_spreadsheet(records):
    with (records / "csv/entry.csv").open(newline="") as file:
        notes = [row["note"] for row in csv.DictReader(file)]
    assert notes[0] == '\'=1+1, "quoted" and a second line'
    for path in (records / "csv").glob("*.csv"):
        with path.open(newline="") as file:
            for row in csv.DictReader(file):
                texts = [row[its.name] for its in TABLES[path.stem].columns if its.kind in ("string", "word")]
                assert not [
                    text
                    for text in texts
                    if text.startswith(("=", "+", "-", "@", "＝", "＋", "－", "＠", "\t", "\r", "\n"))
                ]


def checked(path, timeout_s=500):
    command = [str(Path(sys.executable).with_name("compliance-checker")), str(path)]
    options = ["-t", "cf:1.11", "-t", "acdd:1.3", "-c", "lenient", "-f", "json", "-o", f"{path}.json"]
    found = subprocess.run(
        [*command, *options], capture_output=True, text=True, check=False, timeout=timeout_s
    )
    report = json.loads((path.parent / f"{path.name}.json").read_text())
    (its,) = report.values() if len(report) == 1 else [report]
    return found.returncode, [line for one in its.values() for line in errors_of(one)]


def errors_of(report):
    return [line for it in report["high_priorities"] for line in it["msgs"]]


def test_what_people_do_does_not_cut_a_table_into_small_parts(records):
    for name in ("reading", "judged"):
        file = pq.ParquetFile(records / f"parquet/{name}.parquet")
        assert file.num_row_groups == 1
        assert file.metadata.num_rows > 5_000


def test_netcdf_keeps_to_cf_and_acdd(records):
    assert checked(records / "k2.nc") == (0, [])


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_netcdf_of_a_rack_of_six_with_everything_on_keeps_to_cf_and_acdd(tmp_path):
    """What the checker takes grows with the square of the variables: minutes of CPU."""
    with closing(Journal(eventful(tmp_path, ("k4", "k5", "k6")), writable=False)) as journal:
        export(journal, tmp_path / "six.nc")
    with netCDF4.Dataset(tmp_path / "six.nc") as file:
        assert len(file.variables) > 700
    assert checked(tmp_path / "six.nc", 3_500) == (0, [])


def test_netcdf_keeps_to_them_where_utc_runs_back_and_a_fault_is_found(tmp_path):
    """Of one channel: what the checker takes grows with the square of the variables."""
    bench = Bench(tmp_path)
    bench.take(swinging(60))
    bench.journal._db.execute("INSERT INTO dating VALUES (?, -3600000, 1)", (START_MS + 30_000,))
    path = tmp_path / "back.nc"
    export(bench.journal, path)
    bench.power_cut()
    with xr.open_dataset(path) as found:
        assert not found.k1_temperature.k1_temperature_time.to_index().is_monotonic_increasing
    assert checked(path) == (0, [])
    with netCDF4.Dataset(path, "a") as file:
        file["k1_temperature"].units = "mS/cm"
    code, errors = checked(path)
    assert code != 0
    assert [line for line in errors if "k1_temperature" in line]


def test_flags_are_status_flags_beside_their_values(records):
    with xr.open_dataset(records / "record.nc") as found:
        beside = found.k1_salinity.attrs["ancillary_variables"].split()
        assert "k1_salinity_flag" in beside
        flag = found.k1_salinity_spike
        assert flag.attrs["flag_meanings"] == "pass not_evaluated suspect fail missing"
        assert flag.attrs["flag_values"].tolist() == [1, 2, 3, 4, 9]
        assert flag.attrs["standard_name"] == "spike_test_quality_flag"
        assert set(found.k1_salinity_flag.values.tolist()) <= {1, 2, 3, 4, 9}
        its = found.k1_salinity_plus_minus.attrs
        assert its["standard_name"] == "sea_water_practical_salinity standard_error"
        assert its["standard_error_multiplier"] == pytest.approx(1.7320508)  # JCGM 100:2008, 4.3.7
        stage = found.k2_temperature_stage
        assert stage.attrs["flag_meanings"].split() == ["juvenile", "nursling"]
        assert set(stage.values.tolist()) == {0, 1}
        assert found.k1_temperature.attrs["ucum_unit"] == "Cel"
        # two probes of one quantity are two series
        assert {found.k1_temperature.attrs["long_name"], found.k1_temperature_2.attrs["long_name"]} == {
            "temperature in k1 by k1-multi", "temperature in k1 by second",
        }  # fmt: skip


def test_one_line_opens_it_and_one_draws_it(records):
    pyplot.switch_backend("Agg")
    with xr.open_dataset(records / "record.nc") as found:
        (line,) = found.k2_temperature.plot()
        assert len(line.get_xdata()) == found.k2_temperature.size > 300
    pyplot.close("all")
    axes = frame(records / "csv", "k2", "temperature").value.plot()
    assert len(axes.lines[-1].get_xdata()) > 300
    pyplot.close("all")


def test_a_notebook_is_told_of_a_journal_that_cannot_be_read(tmp_path):
    bench = Bench(tmp_path)
    bench.take(swinging(3))
    bench.journal._db.execute("DROP TABLE action")
    bench.power_cut()
    with pytest.raises(JournalError, match=r"no such table: action; .*`bellwatch import FILE NEW` saves"):
        frame(bench.path, "k1", "temperature")


@pytest.mark.parametrize("source", ["csv", "parquet", "journal"])
def test_a_notebook_gets_a_frame_and_a_data_set_from_any_of_them(records, rack, source, tmp_path):
    path = rack if source == "journal" else records / source
    found = frame(path, "k1", "temperature", "second")
    assert str(found.index.dtype).startswith("datetime64[ms, UTC")
    assert found.index.is_monotonic_increasing
    assert set(found.probe) == {"second"}
    its = dataset(path, "k1", "temperature", "second")
    assert its.value.attrs["units"] == "Cel"
    with xr.open_dataset(records / "record.nc") as whole:
        name = next(
            str(it) for it in whole if whole[it].attrs.get("long_name") == "temperature in k1 by second"
        )
        assert its.value.values.tolist() == whole[name].values.tolist() == found.value.tolist()
        assert its.time.values.tolist() == whole[f"{name}_time"].values.astype(its.time.dtype).tolist()
    its.to_netcdf(tmp_path / "its.nc")
    both = frame(path, "k1", "temperature")
    assert set(both.probe) == {"k1-multi", "second"}
    assert both.index.is_monotonic_increasing, "else a line through them runs back"
    with pytest.raises(SourceError, match="open it with xarray"):
        frame(records / "record.nc", "k1", "temperature")
    with pytest.raises(SourceError, match="no oxygen of vessel k9"):
        frame(path, "k9", "oxygen")
