"""Limits by lineage beside what is published as tolerated and as harmful.

CAUTION: consistency, not validation. The limits were drawn around these very points, no paper was read in
full (each row: abstract only), and what a stage tolerates was seldom the question of the study. Left out is
what was only tried (polyps of A. coerulea at 2-8 °C, Front. Mar. Sci. 2022 9:888656), what belongs to other
species (A. labiata, A. relicta, Chrysaora, planulae that do not settle below salinity 20) or to a strain
whose lineage is not said (Koper), and growth held back at salinity 10 in the Baltic, where moon jellyfish
live at 7.
"""

import pytest

from rules.alarms.life_cycle import Priority, Trigger
from rules.quantities import Quantity
from rules.rack.lineages import Lineage, tolerances_of
from rules.rack.plan import Source
from rules.rack.stage_plan import StageStep
from rules.rack.stages import DEFAULT_TOLERANCES
from tests.rigs.watched_rack import DAY, HOUR, MINUTE, START_MS, WatchedRack, plan_of

T, S, O2 = Quantity.TEMPERATURE, Quantity.SALINITY, Quantity.OXYGEN_SATURATION
AURITA, BALTIC = Lineage("aurita"), Lineage("aurita", baltic=True)
COERULEA, WARM = Lineage("coerulea"), Lineage("warm")
WIDMER = "Widmer, Fox & Brierley 2016, MEPS 559:73"
HOLST_JARMS = "Holst & Jarms 2010, Hydrobiologia 645:53"
WEBSTER = "Webster & Lucas 2012, JEMBE 436-437:50"
SOKOLOWSKI = "Sokolowski et al. 2016, Hydrobiologia 773:49"
GOLDSTEIN = "Goldstein et al. 2017, Mar. Ecol. 38:e12457"
WANG = "Wang & Li 2015, Hydrobiologia 754:157"
SHI = "Shi et al. 2018, J. Oceanol. Limnol. 36:465"
FENG = "Feng et al. 2018, MEPS"
FU = "Fu et al. 2020, Am. J. Life Sci. 8:144"
FUCHS = "Fuchs et al. 2014, Curr. Biol. 24:263"
FU_2014 = "Fu et al. 2014, MEPS 510:255"
GE = "Ge et al. 2018, Oceanol. Limnol. Sin. 49:809: their water before the ammonia"
LIU = "Liu et al. 2009, Hydrobiologia 616:247"
SURVIVAL = "a study of polyps of A. coerulea (name not known): over 90 % survive, or strobilate"
ISHII = "Ishii et al. 2008, Plankton Benthos Res. 3:107"

TOLERATED = [
    (AURITA, "planula", T, (4.0,), GOLDSTEIN),
    (AURITA, "planula", T, (6.0, 12.0), WEBSTER),
    (AURITA, "polyp", T, (4.0, 9.0, 14.0, 19.0, 23.0), WIDMER),
    (AURITA, "polyp", S, (21.0, 27.0, 34.0), WIDMER),
    (AURITA, "polyp", S, (8.0, 36.0), HOLST_JARMS),
    (AURITA, "strobila", S, (12.0,), HOLST_JARMS),
    (AURITA, "polyp", T, (18.0,), FUCHS),
    (AURITA, "polyp-cooling", T, (10.0,), FUCHS),
    (AURITA, "polyp-cooling", T, (10.0,), "Holst 2012, Hydrobiologia 690:127"),
    (AURITA, "ephyra", T, (9.0, 12.0, 15.0), f"{FU_2014}: half of them recover after weeks without food"),
    (BALTIC, "polyp-cooling", T, (3.0, 10.0), SOKOLOWSKI),
    (BALTIC, "planula", S, (7.5,), GOLDSTEIN),
    (AURITA, "juvenile", T, (5.1, 19.0), "Hansson 1997, MEPS 161:145"),
    (AURITA, "adult", T, (5.0, 5.1, 12.0, 16.5, 19.0), "Hansson 1997, MEPS 161:145"),
    (AURITA, "polyp", O2, (35.0, 38.0), ISHII),
    (COERULEA, "polyp", O2, (35.0, 38.0), ISHII),
    (COERULEA, "planula", T, (20.0,), "Suzuki et al. 2019, PLoS ONE 14:e0225513"),
    (COERULEA, "polyp", T, (21.0,), "Purcell et al. 2012"),
    (COERULEA, "polyp-cooling", T, (14.0,), "Purcell et al. 2012: the one at which they strobilated"),
    (COERULEA, "polyp", S, (30.0,), GE),
    (COERULEA, "ephyra", T, (21.0,), GE),
    (COERULEA, "ephyra", S, (30.0,), GE),
    (COERULEA, "polyp", S, (15.0, 20.0, 28.0, 32.0, 40.0), SURVIVAL),
    (COERULEA, "polyp-cooling", S, (20.0, 40.0), SURVIVAL),
    (COERULEA, "strobila", S, (20.0, 28.0, 32.0, 40.0), SURVIVAL),
    (COERULEA, "polyp-cooling", T, (10.0, 15.0), "Hydrobiologia 754:169"),
    (COERULEA, "polyp-cooling", T, (4.0, 8.0, 12.0, 16.0), SHI),
    (COERULEA, "strobila", T, (8.0, 13.0, 17.0), WANG),
    (COERULEA, "strobila", T, (3.9, 18.1), FENG),
    (COERULEA, "ephyra", T, (10.0, 15.0, 20.0, 25.0), FU),
    (COERULEA, "ephyra", S, (22.0, 25.0, 31.0), FU),
    (WARM, "polyp", T, (20.0, 25.0), LIU),
    (WARM, "strobila", T, (25.0,), LIU),
]
HARMFUL = [
    (AURITA, "planula", T, (18.0,), f"{WEBSTER}: significantly fewer settle"),
    (AURITA, "polyp-cooling", T, (5.0,), "Holst 2012, Hydrobiologia 690:127: inhibited"),
    (AURITA, "polyp-cooling", T, (20.0, 25.0), f"{SOKOLOWSKI}: reduced, none"),
    (AURITA, "strobila", T, (20.0, 25.0), f"{SOKOLOWSKI}: reduced, none"),
    (BALTIC, "polyp-cooling", T, (20.0, 25.0), f"{SOKOLOWSKI}: reduced, none"),
    (BALTIC, "strobila", T, (20.0, 25.0), f"{SOKOLOWSKI}: reduced, none"),
    (AURITA, "polyp", S, (2.0, 4.0), f"{SOKOLOWSKI}: dead, tentacles lost"),
    (BALTIC, "polyp", S, (2.0, 4.0, 5.0), f"{SOKOLOWSKI}; {GOLDSTEIN}: degeneration"),
    (COERULEA, "polyp", T, (14.0, 15.0), "Purcell et al. 2012; Hydrobiologia 754:169: strobilate unasked"),
    (COERULEA, "polyp", T, (8.0, 13.0, 17.0), f"{WANG}: strobilate unasked"),
    (COERULEA, "polyp-cooling", T, (21.0, 28.0), "Purcell et al. 2012: no strobilation"),
    (WARM, "polyp", T, (30.0,), f"{LIU}: survival lower"),
    (WARM, "strobila", T, (20.0, 30.0), f"{LIU}: none in the dark, survival lower"),
]


def rows(table):
    return [(*row[:3], value, row[4]) for row in table for value in row[3]]


def told_of(tolerances, stage, quantity, value):
    """The priorities of what is raised where water that was on its target is at a value for three hours."""
    source = Source(1, "probe", quantity, "k1", 10 * DAY)
    watched = WatchedRack(plan_of((source,), {stage: {quantity: tolerances[stage][quantity]}}))
    watched.read_all([(minute * MINUTE, 1, value) for minute in range(180)])
    return [event.priority for event in watched.events if event.trigger is Trigger.RAISED]


@pytest.mark.parametrize(("lineage", "stage", "quantity", "value", "source"), rows(TOLERATED))
def test_what_is_published_as_tolerated_raises_nothing_above_low(lineage, stage, quantity, value, source):
    told = told_of(tolerances_of(lineage), stage, quantity, value)
    assert max(told, default=Priority.LOW) == Priority.LOW, source


@pytest.mark.parametrize(("lineage", "stage", "quantity", "value", "source"), rows(HARMFUL))
def test_what_is_published_as_harmful_is_told(lineage, stage, quantity, value, source):
    assert max(told_of(tolerances_of(lineage), stage, quantity, value)) >= Priority.MEDIUM, source


DEADLY = [
    (S, 2.0, f"{SOKOLOWSKI}: polyps are dead; taken for every stage"),
    (S, 41.5, f"{SURVIVAL}, up to salinity 40; beyond it nothing is known of any stage"),
    (T, -1.9, "UNESCO 44: sea water of salinity 35 freezes at -1.92 °C"),
    (T, 35.0, "warmer than any of these studies tried"),
    (O2, 5.0, "Thuesen et al. 2005, J. Exp. Biol. 208:2475: A. labiata takes oxygen up down to 10 %"),
]


@pytest.mark.parametrize(("quantity", "value", "source"), DEADLY)
@pytest.mark.parametrize("lineage", [AURITA, BALTIC, COERULEA, WARM, Lineage()])
def test_what_no_animal_outlives_is_critical_in_every_stage(lineage, quantity, value, source):
    tolerances = tolerances_of(lineage)
    told = {stage: max(told_of(tolerances, stage, quantity, value)) for stage in tolerances}
    assert set(told.values()) == {Priority.CRITICAL}, (source, told)


def test_one_column_for_all_would_fail_both_tables():
    """Shows that they can fail."""
    told = [told_of(DEFAULT_TOLERANCES, *row[1:4]) for row in rows(TOLERATED)]
    wrong = [each for each in told if max(each, default=Priority.LOW) > Priority.LOW]
    missed = [row for row in rows(HARMFUL) if not told_of(DEFAULT_TOLERANCES, *row[1:4])]
    assert len(wrong) > 10
    assert missed


def test_without_a_lineage_the_column_stays():
    assert tolerances_of(Lineage()) is DEFAULT_TOLERANCES


def test_polyps_of_the_warm_lineage_are_not_cooled():
    assert set(DEFAULT_TOLERANCES) - set(tolerances_of(WARM)) == {"polyp-cooling"}
    assert set(tolerances_of(AURITA)) == set(tolerances_of(COERULEA)) == set(DEFAULT_TOLERANCES)


@pytest.mark.parametrize("lineage", [AURITA, BALTIC, COERULEA, WARM])
def test_bands_lie_within_each_other_and_around_the_target(lineage):
    for limits in tolerances_of(lineage).values():
        for it in limits.values():
            low, high = it.advisory.low, it.advisory.high
            assert it.critical.low <= low <= it.target <= high <= it.critical.high
            assert it.deadband > 0


@pytest.mark.parametrize(("lineage", "low"), [(AURITA, 31.0), (BALTIC, 15.0)])
def test_a_brackish_strain_has_salinity_of_its_own(lineage, low):
    assert tolerances_of(lineage)["polyp"][S].target == low


def test_two_vessels_of_one_rack_may_be_home_of_two_lineages():
    sources = tuple(Source(number, f"t{number}", T, f"k{number}", 10 * DAY) for number in (1, 2))
    plan = plan_of(sources, tolerances_of(AURITA), own_tolerances={"k2": tolerances_of(COERULEA)})
    watched = WatchedRack(plan, restarting=True)
    for vessel in ("k1", "k2"):
        watched.do(0, "move_stage", vessel=vessel, stage="ephyra")
    watched.read_all([(minute * MINUTE, number, 23.0) for minute in range(10) for number in (1, 2)])
    assert {event.vessel for event in watched.events} == {"k1"}


def test_planulae_that_become_ephyrae_without_a_polyp_have_a_path():
    """Suzuki et al. 2019: up to 90 % do. Limits follow over a day; who has been moved reminds nobody."""
    source = Source(1, "probe", T, "k1", 10 * DAY)
    steps = {"k1": (StageStep(START_MS + 5 * DAY, "ephyra", ramp_ms=DAY),)}
    stay_ms = {"planula": 10 * DAY}
    watched = WatchedRack(plan_of((source,), tolerances_of(COERULEA), steps=steps, usual_stay_ms=stay_ms))
    watched.do(0, "move_stage", vessel="k1", stage="planula")
    watched.read_all([(hour * HOUR, 1, 20.0) for hour in range(1, 20 * 24)])
    assert watched.engine.stages()["k1"].stage == "ephyra"
    assert watched.events == []
    assert [notice for notice in watched.notices if notice.kind == "stage runs long"] == []


def test_planulae_bear_the_salinity_of_full_sea_water_and_no_more_than_38():
    """Common practice, no source: beyond 20 to 38 is critical, but for a brackish strain."""
    for name in ("aurita", "coerulea"):
        critical = tolerances_of(Lineage(name))["planula"][Quantity.SALINITY].critical
        assert (critical.low, critical.high) == (20.0, 38.0), name


DRAWN = """\
aurita planula 3 4 12 17 22 a
aurita polyp 3 15 18 22 25 c
aurita polyp-cooling 3 7 10 12 16 f
aurita strobila 2 5 10 13 16 f
aurita ephyra 4 7 12 18 22 -
aurita juvenile 4 5 15 19 22 i
aurita adult 4 5 15 19 23 i
coerulea planula 8 14 20 26 29 b
coerulea polyp 5 17.5 20 25 28 d
coerulea polyp-cooling 3.5 10 13 15.5 17.5 g
coerulea strobila 3 8 13 17 19 g
coerulea ephyra 6 10 18 25 28 h
coerulea juvenile 6 10 18 25 28 -
coerulea adult 6 10 18 26 29 -
warm planula 16 20 25 28 31 -
warm polyp 14 18 21 25 31 e
warm strobila 20 24 26 29 31 e
warm ephyra 16 20 25 29 31 e
warm juvenile 16 20 25 29 31 e
warm adult 16 20 25 29 31 e
any planula 20 26 32 35 38 -
any polyp 15 24 31 35 40 k
any polyp-cooling 20 26 30 34 40 k
any strobila 20 26 30 34 40 k
any ephyra 18 22 31 35 38 h
any juvenile 20 25 32 35 38 -
any adult 20 25 32 35 38 -
"""
"""Temperature limits by lineage, then salinity's (of `coerulea`; others differ as the tests above say):
critical low, advisory low, target, advisory high, critical high, and the source by the letter of
`rules/rack/lineages.py` (-: project judgement). A copy, so that no limit changes unseen.
"""


@pytest.mark.parametrize("row", DRAWN.splitlines())
def test_limits_are_those_drawn_from_the_sources(row):
    name, stage, *limits, _source = row.split()
    tolerances = tolerances_of(COERULEA if name == "any" else Lineage(name))
    it = tolerances[stage][S if name == "any" else T]
    drawn = [it.critical.low, it.advisory.low, it.target, it.advisory.high, it.critical.high]
    assert drawn == [float(limit) for limit in limits]


@pytest.mark.parametrize("name", ["aurita", "coerulea", "warm"])
def test_low_oxygen_guards_against_a_failed_flow(name):
    """Project judgement, advisory and critical low [%]: a copy as above. The high sides are the column's."""
    drawn = {
        "planula": (50, 30),
        "polyp": (50, 20),
        "polyp-cooling": (50, 20),
        "strobila": (60, 30),
        "ephyra": (75, 50),
        "juvenile": (70, 45),
        "adult": (70, 40),
    }
    for stage, tolerances in tolerances_of(Lineage(name)).items():
        its, column = tolerances[O2], DEFAULT_TOLERANCES[stage][O2]
        assert (its.advisory.low, its.critical.low) == drawn[stage], stage
        assert (its.advisory.high, its.critical.high) == (column.advisory.high, column.critical.high)
        assert its.max_fall_per_hour == column.max_fall_per_hour
        assert its.mild is (stage in ("polyp", "polyp-cooling")), "Ishii et al.: they bud and grow at 35-38 %"


def test_brackish_and_north_sea_strains_have_their_own_low_sides():
    """Letters f, k and l of `rules/rack/lineages.py`: a copy as above."""
    cooling = tolerances_of(BALTIC)["polyp-cooling"][T]
    assert (cooling.critical.low, cooling.advisory.low, cooling.target) == (2.0, 3.0, 10.0)
    assert (cooling.advisory.high, cooling.critical.high) == (12.0, 16.0)
    for stage, tolerances in tolerances_of(BALTIC).items():
        its = tolerances[S]
        bands = (its.critical.low, its.advisory.low, its.target, its.advisory.high, its.critical.high)
        assert bands == (7.0, 9.0, 15.0, 22.0, 28.0), stage
    low = {stage: its[S].critical.low for stage, its in tolerances_of(AURITA).items()}
    usual = {stage: its[S].critical.low for stage, its in tolerances_of(COERULEA).items()}
    assert low == usual | {"polyp": 8.0, "polyp-cooling": 12.0, "strobila": 12.0}
