r"""Evidence that a mean failing share lies below or above a limit, valid however often it is looked at.

Evidence is the logarithm of a capital that starts at 1 and, if the claim tested against is true, is a nonnegative
supermartingale over the observations: the probability that it ever reaches 1 / alpha is at most alpha (Ville 1939).
It may therefore be read after every block, and a run may stop when it likes what it reads.

Pass or fail, with s failures in n: the likelihood of a mixture over failing probabilities on one side of the limit
p, over the likelihood at p (Robbins 1970). With a beta(a, b) mixture cut off at p,

    M(s, n) = B(s + a, n - s + b) I_p(s + a, n - s + b) / [B(a, b) I_p(a, b) p^s (1 - p)^(n - s)]

for the claim that the share is at least p, and the complements of the incomplete beta functions for the other side.
Exact, no approximation for small counts.

Shares x in [0, 1]: a mixture over constant bets, prod_i [1 + lambda (m - x_i)] with lambda <= 1 / (1 - m) against a
mean of at least m, and with lambda <= 1 / m and the sign reversed against a mean of at most m (Waudby-Smith and
Ramdas 2024). Nothing is assumed of the distribution; little spread is rewarded by itself, as larger bets pay.

References
----------
Robbins, H. (1970). Statistical methods related to the law of the iterated logarithm. Annals of Mathematical
    Statistics 41, 1397-1409.
Ville, J. (1939). Etude critique de la notion de collectif. Gauthier-Villars, Paris.
Waudby-Smith, I. and Ramdas, A. (2024). Estimating means of bounded random variables by betting. Journal of the
    Royal Statistical Society B 86, 1-27.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, betaincc, betaln, logsumexp

Floats = NDArray[np.float64]

# Mixtures over failing probabilities. Below the limit: beta(1/2, 1/2), which needs 1.28 times the trials of the
# fixed-size test where nothing fails, and fewer elsewhere (`tests/benchmarks/stopping.py`). Above it: nearly uniform
# in the logarithm, as how much more fails may be anything.
_BELOW = (0.5, 0.5)
_ABOVE = (0.1, 1.0)
# Bets as shares of the largest allowed: half of the weight as beta(1/2, 1) in the mean bet on, for rare failures,
# half in octaves, for shares that spread.
_CELLS, _OCTAVES = 16, 24
_EVEN = np.asarray(1.0 - ((np.arange(_CELLS) + 0.5) / _CELLS) ** 2, dtype=np.float64)
_HALVED = np.asarray(0.5 ** np.arange(1, _OCTAVES + 1), dtype=np.float64)


def evidence_below(failures: int, trials: int, limit: float) -> float:
    """Evidence that fewer than a share `limit` fail: log capital against a share of at least `limit`.

    Parameters
    ----------
    failures, trials : int
        Counts of independent trials so far.
    limit : float
        Share, strictly between 0 and 1.
    """
    a, b = _BELOW
    tail = betainc(failures + a, trials - failures + b, limit)
    if tail == 0.0:  # far more fail than the limit says
        return -np.inf
    return float(
        betaln(failures + a, trials - failures + b)
        + np.log(tail)
        - betaln(a, b)
        - np.log(betainc(a, b, limit))
        - _log_likelihood(failures, trials, limit)
    )


def evidence_above(failures: int, trials: int, limit: float) -> float:
    """Evidence that more than a share `limit` fail; parameters as in `evidence_below`."""
    a, b = _ABOVE
    tail = betaincc(failures + a, trials - failures + b, limit)
    if tail == 0.0:
        return -np.inf
    return float(
        betaln(failures + a, trials - failures + b)
        + np.log(tail)
        - betaln(a, b)
        - np.log(betaincc(a, b, limit))
        - _log_likelihood(failures, trials, limit)
    )


def _log_likelihood(failures: int, trials: int, p: float) -> float:
    return float(failures * np.log(p) + (trials - failures) * np.log1p(-p))


def evidence_of_mean_below(values: Floats, counts: Floats, limit: float) -> float:
    """Evidence that a mean is below `limit`.

    Parameters
    ----------
    values, counts : (k,) arrays
        Independent observations in [0, 1] so far, as distinct values and how often each was seen.
    limit : float
        Strictly between 0 and 1.
    """
    bets = np.concatenate([_EVEN, _HALVED])
    weights: Floats = np.concatenate([np.full(_CELLS, 0.5 / _CELLS), _slowly_falling(0.5)])
    return _capital((limit - values) / (1.0 - limit), counts, bets, weights)


def evidence_of_mean_above(values: Floats, counts: Floats, limit: float) -> float:
    """Evidence that a mean is above `limit`; parameters as in `evidence_of_mean_below`."""
    return _capital((values - limit) / limit, counts, _HALVED, np.full(_OCTAVES, 1.0 / _OCTAVES))


def _slowly_falling(total: float) -> Floats:
    """Weights of the octaves, in proportion to 1 / k."""
    weights = 1.0 / np.arange(1, _OCTAVES + 1)
    return np.asarray(total * weights / weights.sum())


def _capital(gains: Floats, counts: Floats, bets: Floats, weights: Floats) -> float:
    """Log of the mixture's capital: sum over bets of weight times the product of 1 + bet times gain."""
    logs = counts @ np.log1p(gains[:, None] * bets)
    return float(logsumexp(logs, b=weights))
