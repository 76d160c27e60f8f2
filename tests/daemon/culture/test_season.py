"""A season of an invented nursery, settlement to medusae through six vessels: balances, water, what is due.

The water of a batch is computed a second time with pandas, from the exported readings alone.
"""

import csv
import math
import re
import time
from contextlib import closing
from dataclasses import replace
from io import BytesIO

import numpy as np
import pandas as pd
import pytest
import segno
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from daemon.commands.cli import main
from daemon.culture.csv import new_rows, write_acts, write_days
from daemon.culture.due import Due
from daemon.culture.record import QUANTITIES, record_of
from daemon.culture.words import cohort_lines, overview_lines
from daemon.journal.journal import Journal
from daemon.journal.logbook import acts_in
from rules.culture.acts import act_of
from rules.culture.cohorts import culture_of
from rules.culture.growth import growth, survival
from rules.culture.weight import pairs_of
from rules.quantities import Quantity
from rules.rack.logbook import ENTRY_KINDS
from rules.rack.stages import WITHOUT_LIMITS
from tests.rigs.season import DAY_MS, SIZES, START_MS, WEIGHED, season_in, weighed_on

pytestmark = pytest.mark.timeout(900)
HOUR_MS = 3_600_000


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    with season_in(tmp_path_factory.mktemp("season")) as made:
        assert made.refused == []
        yield made


@pytest.fixture(scope="module")
def record(season):
    return record_of(season.settings, season.now_ms)


@pytest.fixture(scope="module")
def exported(season):
    """The judged water as `bellwatch export` writes it, as pandas reads it."""
    folder = season.path.with_name("record")
    assert main(["export", str(folder), "--settings", str(season.path)]) == 0
    table = pd.read_csv(folder / "judged.csv")
    time = pd.to_datetime(table["time"], utc=True, format="ISO8601")
    return table.assign(ms=time.astype("datetime64[ms, UTC]").astype("int64"))


@pytest.fixture(scope="module")
def water(record):
    return record.water(record.culture.cohorts.values(), QUANTITIES, START_MS)


def test_balances_close_where_all_was_counted_and_show_the_planted_rest_where_not(record):
    cohorts = record.culture.cohorts
    assert [(it.at, it.number) for it in cohorts["p1"].rests] == [("planula to polyp", -370)]
    assert [it.number for it in cohorts["e1"].rests] == [0, -10]
    numbers = {
        code: {name: it.number for name, it in of.stocks.items() if it.number} for code, of in cohorts.items()
    }
    assert numbers == {
        "p1": {"tray-2": 230},
        "s1": {"tray-3": 200},
        "e1": {"kreisel-4": 240, "kreisel-5": 170},
        "m1": {"kreisel-6": 120},
    }
    for of in cohorts.values():
        rest = sum(it.number for it in of.rests)
        assert of.came.number + rest - of.left.number - of.died.number == of.now.number


HOLDS_MS = {quantity: WITHOUT_LIMITS[quantity].unwatched_after_ms for quantity in QUANTITIES}


def pandas_exposure(exported, vessel, quantity, from_ms, to_ms):
    """What a batch had in a vessel, by pandas from the exported rows."""
    its = exported[(exported["vessel"] == vessel) & (exported["quantity"] == quantity)]
    its = its[(its["flag"] != 4) & its["value"].notna()].sort_values("ms")
    ends = pd.concat([its["ms"].shift(-1).fillna(to_ms), its["ms"] + HOLDS_MS[quantity]], axis=1).min(axis=1)
    lasted = (ends.clip(upper=to_ms) - its["ms"].clip(lower=from_ms)).clip(lower=0)
    here = its.assign(lasted=lasted)[lasted > 0]

    def outside(level):
        low, high = (here[f"{level}_{end}"] for end in ("low", "high"))
        return here.loc[(here["value"] < low) | (here["value"] > high), "lasted"].sum()

    inside = its[(its["ms"] >= from_ms) & (its["ms"] < to_ms)]
    hourly = inside.groupby(inside["ms"] // HOUR_MS)["value"].mean()
    missing = (here["advisory_low"] - here["value"]).clip(lower=0).fillna(0)
    return {
        "known_ms": here["lasted"].sum(),
        "unit_days": (here["value"] * here["lasted"]).sum() / DAY_MS,
        "lowest": here["value"].min(),
        "highest": here["value"].max(),
        "advisory_ms": outside("advisory"),
        "critical_ms": outside("critical"),
        "deficit": (missing * here["lasted"]).sum() / HOUR_MS,
        "worst_per_hour": hourly.diff()[hourly.index.to_series().diff() == 1].abs().max()
        if len(hourly)
        else 0,
    }


TOGETHER = {"lowest": np.fmin.reduce, "highest": np.fmax.reduce, "worst_per_hour": np.fmax.reduce}


@pytest.mark.parametrize("code", ["p1", "s1", "e1", "m1"])
@pytest.mark.parametrize("quantity", QUANTITIES)
def test_the_water_of_a_batch_through_its_moves_is_what_pandas_makes_of_the_export(
    record, water, exported, code, quantity
):
    of = record.culture.cohorts[code]
    ours = record.exposed(of, water, quantity, (of.began_ms, record.now_ms))
    stays = [(it.vessel, it.from_ms, record.now_ms if it.to_ms is None else it.to_ms) for it in of.stays]
    parts = [pandas_exposure(exported, vessel, quantity, *span) for vessel, *span in stays]
    for name in parts[0]:
        expected = TOGETHER.get(name, np.sum)([part[name] for part in parts])
        assert getattr(ours, name) == pytest.approx(expected, rel=1e-9, abs=1e-9, nan_ok=True), name
    lived_ms = sum(end - begun for _, begun, end in stays)
    assert ours.known_ms + ours.unwatched_ms == lived_ms


def test_what_went_wrong_with_the_water_is_in_what_the_batch_had(record, water):
    of = record.culture.cohorts["e1"]
    assert [stay.vessel for stay in of.stays] == ["kreisel-4", "kreisel-5"]
    ours = record.exposed(of, water, Quantity.TEMPERATURE, (of.began_ms, record.now_ms))
    assert ours.advisory_ms > 4 * HOUR_MS, "the chiller failed"
    assert ours.unwatched_ms > 7 * HOUR_MS, "a probe was silent"
    assert ours.known_ms > 0.97 * (ours.known_ms + ours.unwatched_ms), "and otherwise the water is known"
    alone = [record.exposed(of, water, Quantity.TEMPERATURE, day) for day in record.days(of.began_ms)]
    assert math.fsum(it.unit_days for it in alone) == pytest.approx(ours.unit_days, rel=1e-9)


def test_the_days_stand_in_a_table(record, water, tmp_path, monkeypatch):
    monkeypatch.setattr(type(record), "water", lambda *_: water)  # judged once is enough here
    count = write_days(record, tmp_path / "days.csv")
    with (tmp_path / "days.csv").open(encoding="utf-8") as file:
        written = list(csv.DictReader(file))
    rows = [row for row in written if row["organismID"] == "e1"]
    assert count == len(written)
    assert len(rows) == 33
    released = {row["eventDate"]: float(row["released"]) for row in written if row["organismID"] == "s1"}
    assert [it for it in released.values() if it] == [20, 60, 110, 150, 120, 70, 30]
    assert released["2026-04-11"] == 150
    assert [float(row["fed_mL"]) for row in rows[:9]] == [0, 59, 0, 0, 62, 0, 0, 65, 0]
    assert [float(row["died_so_far"]) for row in rows[7:14]] == [0, 12, 12, 12, 12, 20, 20]
    assert rows[17]["locationID"] == "kreisel-4 | kreisel-5"
    assert (float(rows[9]["bell_mean_mm"]), rows[9]["bells"]) == (pytest.approx(3.15), "4")
    assert (rows[0]["individualCount"], rows[0]["lifeStage"]) == ("20.0", "ephyra")
    assert rows[-1]["lifeStage"] == "juvenile"


def test_growth_and_survival_and_the_strobilation_are_told(record):
    lines = list(cohort_lines(record, "e1"))
    assert any(line.startswith("survival 93.2 (90.4 to 95.2) %") for line in lines), lines
    growth = next(line for line in lines if line.startswith("diameter"))
    slope = math.log(6.325 / 3.15) / 12 * 100
    assert float(growth.split()[1]) == pytest.approx(slope, rel=0.05)
    assert "exponent 2.7" in growth
    assert growth.endswith("of 17 bells weighed)")
    s1 = next(line for line in cohort_lines(record, "s1") if line.startswith("strobilation"))
    assert s1.startswith("strobilation: cooled 2026-03-16; first disc 2026-04-06, 21 d after; 3.6 (")
    assert s1.endswith("released 560, 2.8 for each that is there, half by 2026-04-11")
    assert "Batches side by side are no experiment" in list(overview_lines(record))[-1]


def test_growth_and_survival_are_those_of_statsmodels(record):
    of = record.culture.cohorts["e1"]
    days = np.array(list(SIZES), dtype=float)
    ols = sm.OLS(np.log([np.mean(its) for its in SIZES.values()]), sm.add_constant(days)).fit()
    line = growth(record.bells(of))
    assert (line.slope, line.low, line.high) == pytest.approx((ols.params[1], *ols.conf_int()[1]), rel=1e-6)
    assert survival(of)[1:] == pytest.approx(proportion_confint(410, 440, method="wilson"))


def test_the_exponent_of_weight_is_that_of_scipy(record):
    mm, mg = np.log([pair for day in WEIGHED for pair in weighed_on(day)]).T
    fit = stats.linregress(mm, mg)
    half = stats.t.ppf(0.975, len(mm) - 2) * fit.stderr
    own = record.weight().own
    assert (own.slope, own.intercept) == pytest.approx((fit.slope, fit.intercept), rel=1e-9)
    assert (own.low, own.high) == pytest.approx((fit.slope - half, fit.slope + half), rel=1e-9)


def test_acts_and_samples_go_out_and_come_in_the_same(record, tmp_path):
    path = tmp_path / "acts.csv"
    assert write_acts(record, path) == len(record.acts) + len(record.entries)
    header = path.read_text(encoding="utf-8").splitlines()[0].split(",")
    assert {"eventID", "eventDate", "recordedBy", "organismID", "individualCount", "lifeStage"} <= set(header)
    rows = list(new_rows(replace(record, acts=[], entries=[]), path))
    assert {row.who for row in rows} == {"Ada"}
    ordered = sorted(record.acts, key=lambda it: (it.at_ms, it.number))
    acts = [row for row in rows if row.kind == "culture"]
    made = [act_of(it.number, 0, row.who, row.body) for it, row in zip(ordered, acts, strict=True)]
    assert made == ordered
    bells = [row.body for row in rows if row.body["what"] == "bell_diameter"]
    assert [tuple(it["values"]) for it in bells] == list(SIZES.values())
    assert bells[0]["sd"] == pytest.approx(np.std(SIZES[47], ddof=1))
    weighed = [row.body for row in rows if row.body["what"] == "wet_weight"]
    pairs = [pair for body in weighed for pair in pairs_of(body)]
    assert pairs == [pair for day in WEIGHED for pair in weighed_on(day)]
    assert list(new_rows(record, path)) == [], "what is written down is not taken again"


def test_a_record_that_is_taken_in_elsewhere_has_the_same_animals(season, record, exported, tmp_path):
    other, folder = tmp_path / "other.sqlite", season.path.with_name("record")
    assert main(["import", str(folder), str(other)]) == 0
    with closing(Journal(other, writable=False)) as journal:
        assert culture_of(acts_in(journal)) == record.culture
        samples = journal.history.logbook((), tuple(ENTRY_KINDS))
        assert sorted(str(it.body) for it in samples) == sorted(str(it.body) for it in record.entries)


def test_what_is_due_is_one_list(season):
    due = Due(season.settings)
    begun_s = time.process_time()
    lines = due.lines(season.now_ms)
    first_s = time.process_time() - begun_s
    again = due.lines(season.now_ms)
    again_s = time.process_time() - begun_s - first_s
    assert again_s < first_s / 2, "the water of weeks is judged once"
    # Whether anybody watches, and whether alarms have a value now, goes by the second of the test.
    told = [[it for it in its if it[0] not in "■◆▲·"] for its in (again, lines)]
    assert told[0] == told[1] != lines
    weeks = "common practice, no source: about two weeks, more by the day at first"
    assert f"s1: release over, 2026-04-20 ({weeks})" in lines
    assert any(line.startswith("m1: look for everted bells, 2026-05-08 to 2026-06-07 (") for line in lines)
    assert [line for line in lines if line.startswith("s1: may strobilate")] == [], "it was cooled by plan"


def test_a_label_opens_the_page_of_its_vessel(season, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    assert main(["culture", "--label", "kreisel-4", "--settings", str(season.path)]) == 0
    text = (tmp_path / "kreisel-4.html").read_text(encoding="utf-8")
    assert "http://127.0.0.1:8781/vessel/kreisel-4" in text
    assert "e1: juvenile, aurita" in text
    code = BytesIO()
    segno.make("http://127.0.0.1:8781/vessel/kreisel-4", error="m").save(code, kind="svg")
    (drawn,) = re.findall(rb' d="([^"]+)"', code.getvalue())
    assert f' d="{drawn.decode()}"' in text
