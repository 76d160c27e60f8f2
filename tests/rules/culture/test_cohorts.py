"""Batches of animals: balances close, what does not add up is shown, and the fold may be cut anywhere."""

import json
import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.culture.acts import Act, How, What, act_of
from rules.culture.cohorts import Cohort, Culture, Stay, Stock, below_nought, culture_of
from rules.culture.refusals import unfit_act, unfit_sample
from rules.errors import InputError
from rules.plain import from_plain, to_plain
from tests.rigs.examples import examples

DAY_MS = 86_400_000
CODES, VESSELS = ("p1", "e1", "e2"), ("k1", "k2", "k3")


def act(number, what, cohort="e1", **body):
    return act_of(number, number * DAY_MS, "ada", {"what": what, "cohort": cohort, **body})


def begun(value=200, cohort="e1", vessel="k1", **more):
    return act(1, "begin", cohort, vessel=vessel, stage="ephyra", value=value, **more)


@st.composite
def acts(draw):
    """Acts in any order and of any sense, also of batches that there are not, at equal times too."""
    number = st.integers(0, 300).map(float)
    made = [
        Act(place + 1, DAY_MS * place, "ada", What.BEGIN, code, vessel="k1", value=100.0, stage="ephyra")
        for place, code in enumerate(CODES[: draw(st.integers(1, 3))])
    ]
    for place in range(draw(st.integers(0, 14))):
        share = draw(st.none() | st.floats(0.05, 1))
        made.append(
            Act(
                10 + place,
                draw(st.integers(0, 9)) * DAY_MS,
                "ada",
                draw(st.sampled_from(What)),
                draw(st.sampled_from(CODES)),
                draw(st.sampled_from(VESSELS)),
                draw(st.sampled_from(VESSELS)),
                draw(st.sampled_from(CODES)),
                draw(number) if share is None else None,
                share,
                draw(st.sampled_from(How)),
                stage="juvenile",
                parents=(draw(st.sampled_from(CODES)),),
            )
        )
    return made


def closes(of):
    """Whether what came, less what left and died, with the rests of all counts, is what is there."""
    rest = sum(it.number for it in of.rests)
    expected = of.came.number + rest - of.left.number - of.died.number
    return math.isclose(expected, of.now.number, abs_tol=1e-6)


@given(acts())
@settings(max_examples=examples(150))
def test_every_balance_closes_with_its_rests_whatever_was_done(made):
    assert all(closes(of) for of in culture_of(made).cohorts.values())


@given(acts())
@settings(max_examples=examples(150))
def test_no_batch_is_its_own_ancestor_whatever_was_done(made):
    culture = culture_of(made)
    assert [code for code in culture.cohorts if code in culture.ancestors(code)] == []


def test_animals_that_come_back_are_no_parents_but_those_that_come_with_them_are():
    """Some of e1 are split off to e2, some of w1 join them, all come back: e1 is of w1 too, not of e2."""
    made = [
        begun(200),
        act(2, "begin", "w1", vessel="k2", stage="ephyra", value=50, origin="wild"),
        act(3, "split", value=20, vessel="k1", into="e2"),
        act(4, "merge", "w1", vessel="k2", into="e2"),
        act(5, "merge", "e2", vessel="k1", into="e1"),
    ]
    of = culture_of(made).cohorts
    assert (of["e2"].parents, of["e1"].parents, of["w1"].parents) == (("e1", "w1"), ("w1",), ())


@given(acts(), st.integers(0, 17))
@settings(max_examples=examples(150))
def test_cut_anywhere_and_restored_it_goes_on_to_the_same(made, cut):
    ordered = sorted(made, key=lambda it: (it.at_ms, it.number))
    part = culture_of(ordered[:cut])
    restored = from_plain(Culture, json.loads(json.dumps(to_plain(part))))
    for each in ordered[cut:]:
        restored.do(each)
    assert to_plain(restored) == to_plain(culture_of(made))


def test_where_all_was_counted_nothing_is_left_over():
    of = culture_of(
        [
            begun(200),
            act(2, "move", value=40, vessel="k1", to="k2"),
            act(3, "died", value=3, vessel="k2", cause="bubble"),
            act(4, "count", value=160, vessel="k1"),
            act(5, "split", value=60, vessel="k1", to="k3", into="e2"),
        ]
    )
    e1, e2 = of.cohorts["e1"], of.cohorts["e2"]
    assert {name: it.number for name, it in e1.stocks.items()} == {"k1": 100, "k2": 37}
    assert [it.number for it in e1.rests] == [0]
    assert e1.now.interval == (137, 137)
    assert (e2.now.number, e2.parents, e2.stage) == (60, ("e1",), "ephyra")
    assert e1.causes == {"bubble": 3}


def test_a_planted_rest_is_shown_and_not_forced_to_nought():
    of = culture_of([begun(200), act(3, "count", value=188, vessel="k1")]).cohorts["e1"]
    (rest,) = of.rests
    assert (rest.number, rest.expected.number, of.now.number) == (-12, 200, 188)


def test_a_sample_has_its_counting_error_and_a_guess_none():
    """Three of a hundred parts held 10, 14 and 12: sd of the mean 2/sqrt(3), times 100."""
    of = culture_of([begun(1000), act(2, "count", vessel="k1", values=[10, 14, 12], fraction=0.01)]).cohorts[
        "e1"
    ]
    assert of.now.number == pytest.approx(1200)
    assert math.sqrt(of.now.variance) == pytest.approx(100 * 2 / math.sqrt(3))
    one = act(2, "count", vessel="k1", values=[16], fraction=0.1)
    assert (one.value, one.sd, one.how) == (160, 40, How.SAMPLED), "of one part Poisson's root"
    guessed = culture_of([begun(1000), act(2, "move", value=50, how="guessed", vessel="k1", to="k2")])
    assert guessed.cohorts["e1"].now.interval is None


def test_a_share_that_is_moved_is_binomial_on_both_sides():
    of = culture_of([begun(400), act(2, "move", share=0.25, vessel="k1", to="k2")]).cohorts["e1"]
    assert (of.stocks["k1"].number, of.stocks["k2"].number) == (300, 100)
    assert of.stocks["k2"].variance == pytest.approx(400 * 0.25 * 0.75)
    assert of.stocks["k2"].how is How.SAMPLED


@pytest.mark.parametrize(
    ("share", "goes", "stays"), [(0.25, 6.25, 56.25), (1.0, 100.0, 0.0), (0.5, 25.0, 25.0)]
)
def test_a_share_takes_its_share_of_what_the_number_is_off(share, goes, stays):
    """Of 100 known to 10 by a sample: the variance goes with the square of the share, and chance is added."""
    of = culture_of([begun(100, how="sampled", sd=10.0), act(2, "move", share=share, vessel="k1", to="k2")])
    chance = 100 * share * (1 - share)
    its = of.cohorts["e1"].stocks
    assert (its["k2"].number, its["k1"].number) == (100 * share, 100 * (1 - share))
    assert (its["k2"].variance, its["k1"].variance) == pytest.approx((goes + chance, stays + chance))


def test_of_young_that_nobody_counted_none_are_known():
    """Older journals may have such."""
    made = [begun(10), Act(2, DAY_MS, "ada", What.YOUNG, "e1", "k1", into="e2", stage="planula")]
    assert culture_of(made).cohorts["e1"].released == [(DAY_MS, 0.0)]


def test_stages_are_no_single_line():
    """Planulae to ephyrae without a polyp, a medusa that turns back, a strobila back to polyps."""
    changes = [
        act(n, "stage", stage=name) for n, name in enumerate(("adult", "polyp", "strobila", "polyp"), 2)
    ]
    of = culture_of([begun(20), *changes]).cohorts["e1"]
    assert [name for _, name in of.changes] == ["ephyra", "adult", "polyp", "strobila", "polyp"]


@pytest.mark.parametrize(("died", "stage"), [(10, "ephyra"), (9, "polyp")])
def test_a_batch_of_which_none_are_left_is_what_comes_into_it(died, stage):
    made = [
        begun(20),
        act(1, "begin", "p1", vessel="k3", stage="polyp", value=10),
        act(2, "died", "p1", value=died, vessel="k3"),
        act(3, "merge", vessel="k1", into="p1"),
    ]
    of = culture_of(made).cohorts["p1"]
    assert (of.stage, of.now.number) == (stage, 30 - died)
    assert of.changes[1:] == ([(3 * DAY_MS, "ephyra")] if stage == "ephyra" else [])


def test_young_are_noted_as_released_and_are_no_loss():
    polyps = act(1, "begin", "p1", vessel="k3", stage="polyp", value=30)
    young = act(3, "young", "p1", value=90, vessel="k3", to="k1", into="e9", stage="ephyra")
    of = culture_of([polyps, young]).cohorts
    assert (of["p1"].released, of["p1"].now.number) == ([(3 * DAY_MS, 90.0)], 30)
    assert (of["e9"].now.number, of["e9"].born_ms, of["e9"].vessels) == (90, 3 * DAY_MS, ["k1"])


def test_settling_keeps_what_settled_of_what_was_put_in():
    made = [
        act(1, "begin", "p1", vessel="k1", stage="planula", value=500, how="guessed"),
        act(9, "stage", "p1", vessel="k1", stage="polyp", value=310),
    ]
    (rest,) = culture_of(made).cohorts["p1"].rests
    assert (rest.at, rest.found.number / rest.expected.number) == ("planula to polyp", 0.62)


WRONG_BY_ITSELF = {
    "count -5": ({"what": "count", "vessel": "k1", "value": -5}, "value: found -5"),
    "half an animal": ({"what": "died", "vessel": "k1", "value": 0.5}, "value: found 0.5"),
    "no number": ({"what": "move", "vessel": "k1", "to": "k2"}, "value: move needs how many, a share or all"),
    "both": ({"what": "move", "vessel": "k1", "to": "k2", "value": 1, "share": 0.5}, "value: move needs"),
    "110 %": ({"what": "move", "vessel": "k1", "to": "k2", "share": 1.1}, "share: found 110 %"),
    "unknown key": ({"what": "count", "vessel": "k1", "value": 5, "colour": "red"}, "colour: count has no"),
    "unknown act": ({"what": "sing"}, "what: found 'sing'"),
    "list for words": (
        {"what": "begin", "vessel": "k1", "stage": "ephyra", "value": 1, "parents": 3},
        "parents",
    ),
    "code": ({"what": "count", "cohort": "e 3", "vessel": "k1", "value": 1}, "cohort: found 'e 3'"),
    "error of a count": ({"what": "count", "vessel": "k1", "value": 5, "sd": 1}, "sd: found 1"),
    "true": ({"what": "count", "vessel": "k1", "value": True}, "value: found True"),
    "in words": ({"what": "count", "vessel": "k1", "value": "five"}, "value: found five; expected a number"),
    "beyond all": (
        {"what": "count", "vessel": "k1", "value": 1.1e12},
        "value: found 1100000000000.0; expected a",
    ),
    "nowhere to": ({"what": "move", "vessel": "k1", "value": 1}, "to: move needs one"),
    "no moment": (
        {"what": "died", "vessel": "k1", "value": 1, "when_ms": "noon"},
        "when_ms: found noon; exp",
    ),
    "no way": (
        {"what": "count", "vessel": "k1", "value": 1, "how": "seen"},
        "how: found 'seen'; expected one",
    ),
    "no discs": ({"what": "discs", "values": []}, "discs: expected the discs of each polyp"),
    "less than none": ({"what": "discs", "values": [3, -1]}, "discs: expected the discs of each polyp"),
    "51 discs": ({"what": "discs", "values": [3, 51]}, "discs: expected the discs of each polyp"),
    "more than the whole": (
        {"what": "count", "vessel": "k1", "values": [3, 4], "fraction": 0.6},
        "sample: expected counts of 0 or more, of parts that are the whole at most together",
    ),
    "a part below 0": (
        {"what": "count", "vessel": "k1", "values": [3, -4], "fraction": 0.1},
        "sample: expected",
    ),
    "no part": ({"what": "count", "vessel": "k1", "values": [], "fraction": 0.1}, "sample: expected counts"),
    "none of it": ({"what": "move", "vessel": "k1", "to": "k2", "share": 0}, "share: found 0 %"),
    "none died": (
        {"what": "died", "vessel": "k1", "value": 0},
        "value: found 0; expected a number of animals, 1",
    ),
    "too many": (
        {"what": "count", "vessel": "k1", "value": 1e8 + 1},
        "value: found 1e+08; expected a number",
    ),
    "an error below 0": (
        {"what": "count", "vessel": "k1", "value": 5, "how": "sampled", "sd": -1},
        "sd: found -1 of a sampled number; a sample's is 0 or more, others have none",
    ),
}


@pytest.mark.parametrize(
    "body",
    [
        {"what": "count", "vessel": "k1", "value": 0},
        {"what": "count", "vessel": "k1", "value": 1e8},
        {"what": "died", "vessel": "k1", "value": 1},
        {"what": "count", "vessel": "k1", "value": 5.5, "how": "sampled", "sd": 0},
        {"what": "count", "vessel": "k1", "values": [0, 3], "fraction": 0.5},
        {"what": "move", "vessel": "k1", "to": "k2", "share": 1},
        {"what": "left", "vessel": "k1"},
        {"what": "discs", "values": [0, 50]},
    ],
)
def test_what_is_on_the_edge_is_taken(body):
    assert act_of(1, DAY_MS, "ada", {"cohort": "e1"} | body).what == body["what"]


def test_an_entry_is_known_by_its_number_or_that_of_a_correction():
    done = replace(begun(), corrected_by=(7, 9))
    assert [number for number in (1, 2, 7, 8, 9, "1") if done.is_entry(number)] == [1, 7, 9]


@pytest.mark.parametrize(("body", "said"), WRONG_BY_ITSELF.values(), ids=WRONG_BY_ITSELF)
def test_what_cannot_be_gets_one_line(body, said):
    with pytest.raises(InputError) as error:
        act_of(1, DAY_MS, "ada", {"cohort": "e1"} | body)
    assert str(error.value).startswith(said)
    assert "\n" not in str(error.value)


UNFIT = {
    "more than there are": (
        act(3, "move", value=250, vessel="k1", to="k2"),
        "value: found 250; of e1 there are 200",
    ),
    "a move to itself": (act(3, "move", value=5, vessel="k1", to="k1"), "to: k1 is where they are"),
    "not there": (act(3, "died", value=5, vessel="k3"), "vessel: no e1 in k3; it lives in: k1"),
    "unknown": (act(3, "count", "e7", value=5, vessel="k1"), "cohort: there is no e7"),
    "itself": (act(3, "merge", vessel="k1", into="e1"), "into: e1 itself"),
    "other lineage": (
        act(3, "merge", vessel="k1", into="w1"),
        "into: w1 is of the lineage warm, e1 of aurita",
    ),
    "new without stage": (act(3, "young", value=5, vessel="k1", into="e9"), "stage: e9 is new"),
    "again": (begun(5), "cohort: e1 there is already"),
    "before it began": (
        act_of(3, 0, "ada", {"what": "count", "cohort": "e1", "vessel": "k1", "value": 1}),
        "cohort",
    ),
    "a lineage without cooling": (act(3, "stage", "w1", stage="polyp-cooling"), "stage: the lineage warm"),
    "born later": (
        act(3, "begin", "e8", vessel="k1", stage="ephyra", value=5, born_ms=4 * DAY_MS),
        "born: found a moment after the act itself",
    ),
    "a lineage mistyped": (
        act(3, "begin", "e8", vessel="k1", stage="ephyra", value=5, lineage="aurtia"),
        "lineage: found aurtia; did you mean aurita?",
    ),
    "no such parents": (
        act(3, "begin", "e8", vessel="k1", stage="ephyra", value=1, parents=["q1"]),
        "parents: there is no q1",
    ),
    "nobody began": (act(3, "begin", "e8", vessel="k1", stage="ephyra", value=0), "value: found 0; expected"),
    "left, but how many": (act(3, "left", vessel="k1"), "value: left needs how many, a share or all"),
    "said twice": (
        act(3, "left", vessel="k1", value=2, share=0.5),
        "value: found 2 and 50 %; expected one of",
    ),
    "that stage already": (act(3, "stage", stage="ephyra"), "stage: e1 is ephyra already"),
    "a part of one stage": (
        act(3, "stage", stage="juvenile", vessel="k3"),
        "vessel: e1 is of one stage, in k1; split those in k3 off, or name none",
    ),
    "discs of an ephyra": (act(3, "discs", values=[2]), "discs: e1 is ephyra; expected polyps"),
    "another stage": (
        act(3, "merge", vessel="k1", into="p1"),
        "into: p1 is polyp, what joins it ephyra; say polyp where that is so",
    ),
    "young of another stage": (
        act(3, "young", "p1", value=9, vessel="k3", into="e1", stage="planula"),
        "into: e1 is ephyra, what joins it planula; say ephyra where that is so",
    ),
    "into nothing": (act(3, "merge", vessel="k1", into="e9"), "into: there is no e9; known are: p1, w1"),
    "a letter": (
        act(3, "split", value=5, vessel="k1", into="P1"),
        "into: there is no P1; did you mean p1?",
    ),
}
FIT = {
    "taken back": act(3, "withdrawn", "e7"),
    "some left": act(3, "left", vessel="k1", value=2),
    "a share left": act(3, "left", vessel="k1", share=0.5),
    "all that there are": act(3, "move", value=200, vessel="k1", to="k2"),
    "more were counted": act(3, "count", value=250, vessel="k1"),
    "counted where none were": act(3, "count", value=5, vessel="k3"),
    "the next stage": act(3, "stage", stage="juvenile", vessel="k1"),
    "counted at the next stage": act(3, "stage", stage="juvenile", vessel="k1", value=150),
    "discs of polyps": act(3, "discs", "p1", values=[0, 2]),
    "stage said": act(3, "merge", vessel="k1", into="p1", stage="polyp"),
    "their young": act(3, "young", "p1", value=9, vessel="k3", into="e1"),
    "a new batch of young": act(3, "young", "p1", value=9, vessel="k3", into="e9", stage="ephyra"),
    "more young than parents": act(3, "young", "p1", value=900, vessel="k3", into="e1"),
    "a new batch": act(3, "split", value=5, vessel="k1", into="e9"),
    "born before": act(3, "begin", "e8", vessel="k1", stage="ephyra", value=5, born_ms=2 * DAY_MS),
    "of known parents": act(3, "begin", "e8", vessel="k1", stage="ephyra", value=1, parents=["e1", "p1"]),
    "cooled": act(3, "stage", "p1", stage="polyp-cooling"),
    "of a lineage of the site's own": act(
        3, "begin", "e8", vessel="k1", stage="ephyra", value=1, lineage="zz"
    ),
}
KNOWN = [
    begun(200, lineage="aurita"),
    begun(10, "w1", "k2", lineage="warm"),
    act(1, "begin", "p1", vessel="k3", stage="polyp", value=30, lineage="aurita"),
]


@pytest.mark.parametrize(("made", "said"), UNFIT.values(), ids=UNFIT)
def test_what_does_not_fit_the_animals_gets_one_line(made, said):
    line = unfit_act(culture_of(it for it in KNOWN if it.at_ms <= made.at_ms), made)
    assert line.startswith(said)
    assert "\n" not in line


@pytest.mark.parametrize("made", FIT.values(), ids=FIT)
def test_what_fits_is_not_asked_back(made):
    assert unfit_act(culture_of(KNOWN), made) == ""


def test_where_limits_are_to_follow_the_same_stage_may_be_said_again():
    again = act(3, "stage", stage="ephyra", vessel="k1")
    assert unfit_act(culture_of(KNOWN), again, limits_too=True) == ""


SAMPLES = {
    "no such batch": ({"cohort": "e7"}, "cohort: there is no e7"),
    "elsewhere": ({"vessel": "k2"}, "vessel: no e1 in k2; it lives in: k1"),
    "no number": ({"value": None}, "value: bell_diameter needs a number in mm"),
    "several that add up": (
        {"what": "feed", "n": 3},
        "value: found 3 numbers; of feed, which adds up, write each",
    ),
}


@pytest.mark.parametrize(("body", "said"), SAMPLES.values(), ids=SAMPLES)
def test_an_entry_about_a_batch_that_does_not_fit_gets_one_line(body, said):
    entry = {"what": "bell_diameter", "cohort": "e1", "vessel": "k1", "value": 3.0} | body
    assert unfit_sample(culture_of(KNOWN), entry).startswith(said)


@pytest.mark.parametrize(
    "body",
    [
        {"what": "bell_diameter", "value": 3.0, "n": 4},
        {"what": "feed", "value": 3.0},
        {"what": "note"},
        {"what": "count", "withdrawn": True, "corrects": 4},
        {"what": "unheard of"},
    ],
)
def test_an_entry_that_fits_is_not_asked_back(body):
    assert unfit_sample(culture_of(KNOWN), {"cohort": "e1", "vessel": "k1"} | body) == ""
    assert unfit_sample(culture_of(KNOWN), {"vessel": "k2"} | body) == ""


@pytest.mark.parametrize("ends", [{}, {"low": 2.0}, {"high": 2.0}])
def test_both_ends_of_a_range_are_such_as_the_stage_has(ends):
    """A bell of an ephyra has 40 mm at most; one in a vessel of none known 500 (project judgement)."""
    entry = {"what": "bell_diameter", "vessel": "k1", "value": 41.0}
    assert unfit_sample(culture_of(KNOWN), entry | ends) == ""
    with pytest.raises(
        InputError, match="value: found 41; bell_diameter in ephyra is a number from 0 to 40 mm"
    ):
        unfit_sample(culture_of(KNOWN), entry | {"cohort": "e1"} | ends)


def test_a_billionth_of_an_animal_is_none():
    """Sums of shares are rounded: what is left of animals then lives nowhere (project judgement)."""
    of = Cohort("e1", 0, "ephyra")
    of.arrive("k1", Stock(1e-9), 5)
    assert of.vessels == []
    for at_ms, number in ((6, 2e-9), (7, 1.0), (8, 1e-9)):
        of.count(Act(at_ms, at_ms, "ada", What.COUNT, "e1", "k1", value=number), "count")
    assert of.stays == [Stay("k1", 6, 8)]


def test_acts_that_leave_fewer_than_none_beyond_all_error_are_found():
    """2 of 20 are left, then 5 die; where nobody counted how many left, 5 may have."""
    first = [
        act(1, "begin", "e1", vessel="k1", stage="ephyra", value=20),
        act(4, "died", value=5, vessel="k1"),
    ]
    sure = act(2, "left", value=18, vessel="k1")
    assert below_nought([*first, sure]) == {first[1]: -3}
    assert below_nought([*first, replace(sure, how=How.GUESSED)]) == {}
    assert (
        below_nought(
            [*first, act(2, "left", value=15, vessel="k1"), act(3, "died", "e9", value=1, vessel="k1")]
        )
        == {}
    )


def test_after_the_last_has_died_nothing_can_be_done_with_them():
    culture = culture_of([begun(3), act(2, "died", value=3, vessel="k1")])
    assert culture.cohorts["e1"].vessels == []
    assert "nowhere any more" in unfit_act(culture, act(3, "move", value=1, vessel="k1", to="k2"))
