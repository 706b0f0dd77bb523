"""Rank correlations: the matrix of normal scores against numpy, levels, and what is refused."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from yieldsim.design.correlation import correlation_problems, normal_correlation
from yieldsim.design.parameter import Parameter, Tolerance
from yieldsim.design.schema import Correlation

UNIT = Tolerance("unit", "uniform", True, -0.1, 0.1)
NAMES = ("a.b", "a.c", "a.d", "a.e")
PARAMETERS = {name: Parameter(name, "V", 1.0, (UNIT,)) for name in NAMES}
RANKS = st.floats(min_value=-1, max_value=1)


@given(st.lists(RANKS, min_size=6, max_size=6))
def test_a_set_is_refused_exactly_when_numpy_finds_no_positive_definite_matrix(ranks):
    pairs = [(i, j) for i in range(4) for j in range(i)]
    matrix = np.eye(4)
    for (i, j), rank in zip(pairs, ranks, strict=True):
        matrix[i, j] = matrix[j, i] = 2 * np.sin(np.pi * rank / 6)
    least = np.linalg.eigvalsh(matrix)[0]
    assume(abs(least) > 1e-8)
    correlations = tuple(
        Correlation((NAMES[i], NAMES[j]), rank, "unit") for (i, j), rank in zip(pairs, ranks, strict=True)
    )
    assert bool(list(correlation_problems(correlations, PARAMETERS))) is bool(least < 0)


def test_the_normal_scores_of_a_spearman_correlation():
    # K. Pearson, 1907: r = 2 sin(pi rho / 6); the ends and the middle are exact
    assert normal_correlation(1.0) == pytest.approx(1.0, rel=1e-15)
    assert normal_correlation(0.0) == 0.0
    assert normal_correlation(0.5) == pytest.approx(0.5176380902050415, rel=1e-15)  # 2 sin 15 degrees


def test_sets_that_do_not_touch_are_judged_apart():
    good = Correlation(("a.b", "a.c"), 0.9, "unit")
    assert list(correlation_problems((good, Correlation(("a.d", "a.e"), -0.9, "unit")), PARAMETERS)) == []
    (problem,) = correlation_problems((good, Correlation(("a.d", "a.e"), 1.0, "unit")), PARAMETERS)
    assert problem.key == "correlation[2]"
    assert problem.reason.endswith("a.d, a.e")


def test_three_names_in_one_entry_correlate_pairwise():
    weak, strong = (Correlation(NAMES[:3], rank, "unit") for rank in (-0.4, -0.6))
    assert list(correlation_problems((weak,), PARAMETERS)) == []
    assert len(list(correlation_problems((strong,), PARAMETERS))) == 1  # three cannot all oppose each other


BETWEEN = 'between = ["regulator.dropout", "regulator.quiescent"]'
DROPOUT = 'tolerance = { sigma = "8 %" }'
QUIESCENT = 'quiescent = "1.2 uA ±40 %"'
BOTH = '[{ level = "lot", sigma = "2 %" }, { level = "unit", sigma = "3 %" }]'


def test_the_common_level_is_found_or_asked_for(changed, told):
    two = (
        (DROPOUT, f"tolerance = {BOTH}"),
        (QUIESCENT, f'quiescent = {{ nominal = "1.2 uA", tolerance = {BOTH} }}'),
    )
    assert told(*two) == [
        "valve.toml: correlation[1].level: the parameters spread together at more than one "
        'level: "lot" and "unit"; '
        'say which: level = "unit"'
    ]
    assert changed(*two, (BETWEEN, f'level = "lot"\n{BETWEEN}')).correlations[0].level == "lot"
    assert changed(two[0]).correlations[0].level == "unit"


def test_a_set_of_one_is_none(told):
    assert told((BETWEEN, 'between = ["regulator.dropout", "regulator.dropout"]')) == [
        'valve.toml: correlation[1].between = ["regulator.dropout", "regulator.dropout"]: '
        "two or more different parameters are due here; "
        'write between = ["regulator.dropout", "regulator.quiescent"]'
    ]
