"""The control chart's rules, one by one."""

import pytest

from rules.care.control_chart import ChartRule, broken_rule, sigma_of


@pytest.mark.parametrize(
    ("differences", "rule"),
    [
        ([], None),
        ([2.9], None),
        ([3.1], ChartRule.BEYOND_3_SIGMA),
        ([-3.1], ChartRule.BEYOND_3_SIGMA),
        ([2.1, 0.0, 2.1], ChartRule.TWO_OF_THREE),
        ([2.1, 0.0, -2.1], None),
        ([2.1, 0.0, 0.0, 2.1], None),
        ([1.1, 1.1, 0.0, 1.1, 1.1], ChartRule.FOUR_OF_FIVE),
        ([-1.1, -1.1, -1.1, -1.1], ChartRule.FOUR_OF_FIVE),
        ([1.1, 1.1, 1.1, 1.1, -0.1], None),
        ([0.1] * 8, ChartRule.EIGHT_IN_A_ROW),
        ([0.1] * 7, None),
        ([-0.1] + [0.1] * 7, None),
        ([0.0] * 9, None),
    ],
)
def test_each_rule_speaks_when_it_must(differences, rule):
    assert broken_rule(differences) is rule


def test_sigma_is_half_of_the_joint_accuracy():
    assert sigma_of(0.3, 0.4) == pytest.approx(0.25)
