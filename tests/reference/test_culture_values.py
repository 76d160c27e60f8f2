"""Growth, starving, and intervals of the animals' record against published values and statsmodels."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from rules.culture.acts import How
from rules.culture.ahead import days_without_food
from rules.culture.cohorts import Cohort, Stock
from rules.culture.growth import (
    Sample,
    days_to,
    discs_per_polyp,
    growth,
    survival,
)
from rules.culture.intervals import line_through, t_quantile, wilson
from rules.culture.weight import pairs_of, weight_of
from tests.rigs.examples import examples

DAY_MS = 86_400_000


@pytest.mark.parametrize(("celsius", "days"), [(9, 58.6), (12, 38.4), (15, 33.8)])
def test_how_long_unfed_ephyrae_last(celsius, days):
    """Fu et al. 2014, MEPS 510:255 (abstract): PNR50. One line through the three would miss 12 °C by 10 %."""
    assert days_without_food(celsius) == pytest.approx(days)


def test_outside_of_what_was_tried_nothing_is_said():
    assert days_without_food(8.9) is None
    assert days_without_food(15.1) is None
    assert days_without_food(10.5) == pytest.approx(math.sqrt(58.6 * 38.4))


@pytest.mark.parametrize(("to_mm", "days"), [(10, 8), (20, 22), (50, 50)])
def test_the_growth_law(to_mm, days):
    """mu = a W^-0.2 (Riisgard & Larsen, MEPS, abstract), from 24.4 % a day at 5.5 mm (Vie et Milieu 66).

    The days were computed from W(t) = (W0^0.2 + 0.2 a t)^5, W ~ D^2.8, apart from our closed form.
    """
    assert days_to(to_mm, 5.5, 0.244, 2.8) == pytest.approx(days, abs=0.5)
    weight = (1 + 0.2 * 0.244 * days_to(to_mm, 5.5, 0.244, 2.8)) ** 5
    assert weight == pytest.approx((to_mm / 5.5) ** 2.8)


@given(st.integers(1, 3000).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
@settings(max_examples=examples(100))
def test_shares_have_the_interval_of_statsmodels(pair):
    count, of = pair
    assert wilson(count, of) == pytest.approx(proportion_confint(count, of, method="wilson"), abs=1e-12)


@pytest.mark.parametrize("degrees", [1, 2, 3, 4, 5, 6, 9, 10, 29, 30, 211])
def test_students_t_is_that_of_scipy(degrees):
    assert t_quantile(degrees) == pytest.approx(stats.t.ppf(0.975, degrees), rel=1e-10)


@given(st.lists(st.tuples(st.integers(0, 90), st.floats(2, 60)), min_size=3, max_size=12))
@settings(max_examples=examples(60))
def test_growth_has_the_interval_of_statsmodels(bells):
    made = [Sample(day * DAY_MS, mm, 10) for day, mm in sorted(bells)]
    line = growth(made)
    if len({it.at_ms for it in made}) < 3:
        assert line is None
        return
    days = np.array([(it.at_ms - made[0].at_ms) / DAY_MS for it in made])
    ols = sm.OLS(np.log([it.mean_mm for it in made]), sm.add_constant(days)).fit()
    assert (line.intercept, line.slope) == pytest.approx(tuple(ols.params), abs=1e-9)
    assert [line.low, line.high] == pytest.approx(list(ols.conf_int()[1]), abs=1e-8)


def bells_weighed(count, widest, scatter=0.2, seed=3):
    """Invented bells from 3 mm on, about W = 0.07 D^2.7 mg: our own numbers, as no source has any."""
    chance = np.random.default_rng(seed)
    mm = np.linspace(3, 3 * widest, count)
    return list(zip(mm, 0.07 * mm**2.7 * np.exp(chance.normal(0, scatter, count)), strict=True))


@given(st.integers(3, 60), st.floats(1.2, 12), st.floats(0, 0.6), st.integers(0, 99))
@settings(max_examples=examples(60))
def test_the_exponent_and_factor_of_weight_have_the_intervals_of_statsmodels(count, widest, scatter, seed):
    pairs = bells_weighed(count, widest, scatter, seed)
    line = weight_of(pairs).line
    mm, mg = np.log(np.array(pairs)).T
    ols = sm.OLS(mg, sm.add_constant(mm)).fit()
    (low_factor, high_factor), (low, high) = ols.conf_int()
    assert (line.intercept, line.slope) == pytest.approx(tuple(ols.params), abs=1e-7)
    assert (line.low, line.high) == pytest.approx((low, high), abs=1e-7)
    ends = [line.intercept - line.intercept_off, line.intercept + line.intercept_off]
    assert ends == pytest.approx([low_factor, high_factor], abs=1e-7)


@pytest.mark.parametrize(
    ("count", "widest", "own"), [(14, 8, False), (15, 8, True), (15, 1.5, False), (60, 1.01, False)]
)
def test_the_placeholder_stands_until_enough_bells_tell_the_exponent(count, widest, own):
    """Fifteen and half a unit are project judgement."""
    its = weight_of(bells_weighed(count, widest))
    assert (its.own is not None) is own
    assert ("placeholder" in its.basis) is not own
    assert its.exponent == (its.line.slope if own else 2.8)
    assert abs(its.exponent - 2.7) < (0.3 if own else 0.11)


def test_where_nothing_or_one_size_was_weighed_the_placeholder_stands():
    for pairs in ([], [(5.0, 6.0)], [(5.0, 6.0 + each) for each in range(20)]):
        assert (weight_of(pairs).own, weight_of(pairs).exponent) == (None, 2.8)


@pytest.mark.parametrize(
    "pairs",
    [
        [*[(5.0, 12.0)] * 15, (4.1, 12.0), (4.4, 14.1)],
        [*[(5.0, 12.0)] * 14, (5.01, 12.0)],
        [(5.0 + each / 10, 30.0 - each) for each in range(20)],
        bells_weighed(8, 8, scatter=0.01) * 2,
    ],
    ids=["one again and again", "two sizes", "the wider the lighter", "each written down twice"],
)
def test_bells_that_say_nothing_new_or_are_of_no_shape_take_no_place(pairs):
    """Such an exponent made animals shrink in weight that grew (project judgement, no source)."""
    its = weight_of(pairs)
    assert (its.pairs, its.own, its.exponent) == (len(set(pairs)), None, 2.8)


def test_what_came_in_as_no_pair_is_none():
    for odd in ("5", [5, 6], ["5"], [None], [float("nan")], {"5": 5}, None):
        assert pairs_of({"value": 9.0, "diameters_mm": odd}) == []
    assert pairs_of({"value": 9.0, "diameters_mm": [5.0]}) == [(5.0, 9.0)]
    assert pairs_of({"value": 9.0, "n": 4, "diameters_mm": [5.0]}) == [], "a mean of four is no bell"


def test_too_few_bells_or_dates_say_nothing():
    def bells(*samples):
        return [Sample(day * DAY_MS, 5.0 + day, n) for day, n in samples]

    assert growth(bells((0, 10), (5, 10))) is None
    assert growth(bells((0, 3), (5, 3), (9, 3))) is None
    assert growth(bells((0, 3), (5, 3), (9, 4))) is not None
    assert line_through([1, 1, 1], [1, 2, 3]) is None


NONE = Stock()


def batch(came, alive, left=NONE):
    return Cohort("e1", 0, "ephyra", stocks={"k1": alive}, came=came, left=left)


def test_survival_of_counted_animals_is_statsmodels_binomial():
    share, low, high = survival(batch(Stock(250), Stock(180), left=Stock(40)))
    assert share == pytest.approx(180 / 210)
    assert (low, high) == pytest.approx(proportion_confint(180, 210, method="wilson"), abs=1e-12)


def test_an_uncertain_count_widens_it_and_a_guess_has_none():
    counted = survival(batch(Stock(200), Stock(150)))
    sampled = survival(batch(Stock(200), Stock(150, 15.0**2, How.SAMPLED)))
    assert sampled[1] < counted[1] < counted[2] < sampled[2]
    assert survival(batch(Stock(200, 0.0, How.GUESSED), Stock(150)))[1:] == (None, None)
    assert survival(batch(Stock(0), Stock(0))) is None
    assert survival(batch(Stock(10), Stock(10)))[0] == 1.0
    assert survival(batch(Stock(10), Stock(12))) is None, "more than came: nothing that could be told"


def test_where_perhaps_none_came_all_that_came_may_live():
    """5, known to 3 by a sample: from none to 11. Of at least one that came at most all are alive."""
    share, low, high = survival(batch(Stock(5, 3.0**2, How.SAMPLED), Stock(4)))
    assert share == pytest.approx(0.8)
    assert high == pytest.approx(proportion_confint(5, 5, method="wilson")[1])
    assert low == pytest.approx(proportion_confint(5 * 4 / (5 + 1.96 * 3), 5, method="wilson")[0])


def test_discs_of_a_polyp_have_the_interval_of_t():
    of = batch(Stock(9), Stock(9))
    of.discs = [(0, each) for each in (3.0, 5.0, 4.0, 6.0, 2.0)]
    mean, low, high = discs_per_polyp(of)
    assert mean == 4
    expected = stats.t.interval(0.95, 4, loc=4, scale=math.sqrt(2.5) / math.sqrt(5))
    assert (low, high) == pytest.approx(expected)
