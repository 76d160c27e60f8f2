"""What is likely next: each a range with its basis, from the team's own events once there are three."""

import pytest

from rules.culture.acts import act_of
from rules.culture.ahead import Life, ahead, cue_band, fed_cue_days, looked_at_from_ms
from rules.culture.cohorts import culture_of
from rules.culture.growth import Sample, growth
from rules.culture.weight import weight_of

DAY_MS = 86_400_000
FED = [day * DAY_MS for day in range(0, 200, 3)]


def act(day, what, cohort="p1", **body):
    return act_of(day, round(day * DAY_MS), "ada", {"what": what, "cohort": cohort, **body})


def begun(stage, day=0, cohort="p1", lineage="aurita", **more):
    return act(day, "begin", cohort, vessel="k1", stage=stage, value=100, lineage=lineage, **more)


def life(celsius, fed=FED, cooled=(), **more):
    """Days from the first on, each at its mean temperature; on some the vessel was set to be cooled."""
    means = {day * DAY_MS: mean for day, mean in enumerate(celsius)}
    return Life(means, fed, {day * DAY_MS for day in cooled}, stomachs_seen=True, **more)


def found(acts, now_day, **lives):
    return [
        (it.what, it.from_ms / DAY_MS, it.to_ms / DAY_MS, it.basis)
        for it in ahead(culture_of(acts), lives, round(now_day * DAY_MS))
    ]


def test_planulae_settle_in_seven_to_ten_days():
    """Common practice, no source."""
    ((what, begin, end, basis),) = found([begun("planula")], 3)
    assert (what, begin, end) == ("settled", 7, 10)
    assert basis.startswith("common practice, no source")


def test_fed_days_in_the_cue_band_count_and_colder_ones_do_not():
    """Ten days at 10 °C count, five at 3 °C do not: no chilling degree-days."""
    acts = [begun("polyp-cooling")]
    (soon,) = found(acts, 15, p1=life([10.0] * 10 + [3.0] * 5))
    assert soon[:3] == ("first discs", 15 + 14 - 10, 15 + 28 - 10)
    assert soon[3] == "about three weeks (Fuchs et al. 2014), 14 to 28 fed days in the cue band; 10 so far"
    unfed = found(acts, 15, p1=life([10.0] * 15, fed=[]))
    assert unfed[0][:3] == ("feed: cooled without food", 7, 15)
    assert unfed[1][1:3] == (15 + 14, 15 + 28), "days without food do not count"


def test_days_count_from_when_the_cooling_began():
    """Ten days at 10 °C before it, five since."""
    acts = [begun("polyp"), act(10, "stage", stage="polyp-cooling")]
    (soon,) = found(acts, 15, p1=life([10.0] * 15))
    assert soon[:3] == ("first discs", 15 + 14 - 5, 15 + 28 - 5)


@pytest.mark.parametrize(
    ("fed_ms", "counts"),
    [(DAY_MS, 1), (DAY_MS + 1, 0), (-6 * DAY_MS, 1), (-6 * DAY_MS - 1, 0)],
)
def test_a_day_counts_as_fed_by_what_was_given_within_the_week_before_its_end(fed_ms, counts):
    (of,) = culture_of([begun("polyp-cooling")]).cohorts.values()
    assert fed_cue_days(of, life([10.0], fed=[fed_ms]), 0, DAY_MS) == counts


def own(count):
    """Batches cooled from day 0 that strobilated after 18, 20 and 22 days, and one that is cooled now."""
    acts = [begun("polyp-cooling", day=100)]
    for place in range(count):
        code = f"o{place}"
        acts += [begun("polyp-cooling", cohort=code), act(18 + 2 * place, "discs", code, values=[2.0, 1.0])]
    lives = {f"o{place}": life([10.0] * 40) for place in range(count)}
    return acts, lives | {"p1": life([10.0] * 105)}


def test_own_events_without_their_water_or_food_do_not_count():
    acts, lives = own(3)
    later = Life({day * DAY_MS: 10.0 for day in (*range(10), *range(25, 60))}, FED, set(), stomachs_seen=True)
    for blind in (life([10.0] * 12), later, life([10.0] * 40, fed=[])):
        soon = next(it for it in found(acts, 105, **lives | {"o1": blind}) if it[1] > 105)
        assert "Fuchs" in soon[3]


def test_the_water_is_looked_at_only_where_it_decides():
    acts, _ = own(3)
    acts += [begun("polyp", cohort="h1"), begun("adult", cohort="a1"), begun("ephyra", 90, "e1")]
    since = looked_at_from_ms(culture_of(acts), 105 * DAY_MS)
    assert {code: at_ms / DAY_MS for code, at_ms in since.items()} == {
        **{"p1": 100, "o0": 0, "o1": 0, "o2": 0},
        **{"h1": 105 - 56, "e1": 90},
    }


def test_however_long_a_batch_is_kept_cool_no_more_than_weeks_are_judged_again():
    for stage, weeks in (("polyp-cooling", 12), ("ephyra", 12), ("polyp", 8)):
        since = looked_at_from_ms(culture_of([begun(stage)]), 900 * DAY_MS)
        assert since == {"p1": (900 - 7 * weeks) * DAY_MS}


def test_of_many_own_events_the_newest_are_looked_at():
    acts, lives = own(8)
    said = [it for it in found(acts, 105, **lives) if it[0] == "first discs"]
    assert len(said) == 1, "those whose discs were seen wait for none"
    acts += [act(60, "stage", f"o{place}", stage="strobila") for place in range(8)]
    since = looked_at_from_ms(culture_of(acts), 105 * DAY_MS)
    assert sorted(since) == ["o2", "o3", "o4", "o5", "o6", "o7", "p1"]


def test_a_medusa_by_its_own_growth_and_common_practice():
    """4 mm and 8 % of the diameter a day: ten bells at three dates, the range from the growth's interval."""
    bells = [Sample(day * DAY_MS, 4.0 * 1.08**day * off, 10) for day, off in ((0, 1.0), (3, 1.01), (6, 1.0))]
    kept = Life({}, FED, bells=bells, stomachs_seen=True)
    (it,) = ahead(culture_of([begun("ephyra")]), {"p1": kept}, 7 * DAY_MS)
    assert (it.what, it.basis.startswith("common practice, no source: beyond 10 mm")) == ("medusa", True)
    newest, line = bells[-1].mean_mm, growth(bells)
    assert (it.from_ms / DAY_MS, it.to_ms / DAY_MS) == pytest.approx(
        tuple(6 + ((10 / newest) ** 0.56 - 1) / (0.56 * rate) for rate in (line.high, line.low))
    )
    big = [Sample(at.at_ms, 3 * at.mean_mm, at.n) for at in bells]
    (now,) = ahead(
        culture_of([begun("ephyra")]), {"p1": Life({}, FED, bells=big, stomachs_seen=True)}, 7 * DAY_MS
    )
    assert now.from_ms == now.to_ms == 6 * DAY_MS


def test_once_bells_were_weighed_here_a_medusa_comes_by_their_exponent():
    bells = [Sample(day * DAY_MS, 4.0 * 1.08**day * off, 10) for day, off in ((0, 1.0), (3, 1.01), (6, 1.0))]
    weighed = weight_of([(mm, 0.05 * mm**3.1) for mm in range(3, 20)])
    kept = {"p1": Life({}, FED, bells=bells, stomachs_seen=True)}
    (usual,), (own,) = (
        ahead(culture_of([begun("ephyra")]), kept, 7 * DAY_MS, *its) for its in ((), (weighed,))
    )
    assert usual.basis.endswith("by a placeholder exponent of 2.8")
    assert own.basis.endswith("by exponent 3.10 (3.10 to 3.10) of 17 bells weighed")
    line = growth(bells)
    expected = ((10 / bells[-1].mean_mm) ** 0.62 - 1) / (0.62 * line.high)
    assert own.from_ms / DAY_MS == pytest.approx(6 + expected)


def test_stomachs_are_to_be_counted_until_somebody_has():
    assert [it[:3] for it in found([begun("ephyra", 1)], 2)] == [("count stomachs", 1, 1)]
    assert found([begun("ephyra")], 2, p1=life([20.0] * 2)) == []


@pytest.mark.parametrize(
    ("day", "peak"), [(20, (30, 60)), (60, (30, 60)), (61, (180, 210)), (210, (180, 210)), (211, None)]
)
def test_bells_evert_at_one_to_two_and_beyond_six_months(day, peak):
    """Freeman et al. 2009 (abstract): most between the first and second month, again beyond the sixth."""
    told = [it[1:3] for it in found([begun("adult", born_ms=0)], day) if it[0] == "look for everted bells"]
    assert told == ([peak] if peak else [])


def test_how_long_medusae_live_is_the_teams_word_or_a_wide_range():
    acts = [begun("adult", born_ms=0)]
    assert [it[:3] for it in found(acts, 20)] == [("look for everted bells", 30, 60), ("old age", 365, 730)]
    assert found(acts, 400, p1=life([], lives_days=500.0))[0][:3] == ("old age", 500, 500)
    assert "common practice, no source" in found(acts, 400)[0][3]


def test_a_strobila_is_done_two_weeks_after_it_became_one():
    """Common practice, no source."""
    ((what, begin, end, basis),) = found([begun("polyp"), act(5, "stage", stage="strobila")], 9)
    assert (what, begin, end) == ("release over", 5 + 14, 5 + 14)
    assert basis.startswith("common practice, no source")
    assert found([begun("strobila", 2)], 9)[0][1] == 2 + 14


def test_of_a_medusa_that_nobody_saw_born_nothing_is_told():
    assert found([begun("adult")], 20) == []


def test_of_three_own_events_on_their_range_is_taken():
    acts, lives = own(2)
    assert "Fuchs" in next(it for it in found(acts, 105, **lives) if it[1] > 105)[3]
    acts, lives = own(3)
    soon = next(it for it in found(acts, 105, **lives) if it[1] > 105)
    assert soon[3].startswith("3 own events of aurita")
    assert soon[1:3] == (105 + 18 - 5, 105 + 22 - 5)
    assert "median 20 fed days" in soon[3]


@pytest.mark.parametrize(
    ("days", "told"),
    [
        ([18.0] * 5 + [11.0] * 2, True),
        ([14.0] * 5 + [11.0] * 2, False),
        ([18.0] * 5 + [5.0] * 2, False),
        ([18.0, 17.0, 16.0, 15.0, 14.0, 13.0, 12.0], True),
    ],
    ids=["into the band", "by less than 5", "past the band", "slowly"],
)
def test_a_fall_that_nobody_planned_may_bring_holding_polyps_to_strobilate(days, told):
    begin = next((day for day, mean in enumerate(days) if 7 <= mean <= 12), 0)
    made = found([begun("polyp")], 7, p1=life(days))
    assert [it[:3] for it in made] == [("may strobilate", begin + 14, begin + 28)] * told
    assert found([begun("polyp", lineage="warm")], 7, p1=life(days)) == []
    assert found([begun("polyp")], 7, p1=life(days, cooled=range(7))) == [], "the vessel was set to be cooled"
    assert found([begun("polyp")], 36, p1=life(days)) == [], "the time for it is over"


@pytest.mark.parametrize(("now", "told"), [(102, True), (128, True), (128.1, False)])
def test_a_fall_of_whatever_year_is_told_for_four_weeks(now, told):
    made = found([begun("polyp")], now, p1=life([18.0] * 100 + [11.0]))
    assert [it[:3] for it in made] == [("may strobilate", 100 + 14, 100 + 28)] * told


@pytest.mark.parametrize(("apart", "told"), [(28, True), (29, False)])
def test_a_fall_is_one_within_four_weeks(apart, told):
    made = found([begun("polyp")], apart + 1, p1=life([16.5] + [14.0] * (apart - 1) + [11.0]))
    assert [it[0] for it in made] == ["may strobilate"] * told


def test_a_lineage_without_cooling_has_no_cue():
    assert cue_band("warm") is None
    assert (cue_band("aurita").low, cue_band("aurita").high) == (7.0, 12.0)


def test_unfed_ephyrae_are_told_of_after_a_third_and_within_what_was_tried():
    """At 12 °C 38.4 d (Fu et al. 2014), that is 12.8 d for a third."""
    acts = [begun("ephyra")]
    assert found(acts, 12, p1=life([12.0] * 12, fed=[])) == []
    ((what, begin, end, _),) = found(acts, 15, p1=life([12.0] * 15, fed=[]))
    assert what == "half recover no more"
    assert (begin, end) == pytest.approx((0.9 * 38.4, 1.1 * 38.4))
    assert found(acts, 60, p1=life([18.0] * 60, fed=[])) == []
    assert found(acts, 15, p1=life([12.0] * 15)) == []


def test_the_dead_and_the_moved_on_have_nothing_ahead():
    assert found([begun("planula"), act(2, "died", vessel="k1", value=100)], 3) == []
    assert found([begun("planula"), act(2, "stage", stage="juvenile")], 3) == []
