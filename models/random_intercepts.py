"""Groups as random intercepts: what belongs to a group once its members are allowed for.

Array functions for y = X b + u(group) + e with u and e normal: variances by restricted
maximum likelihood, coefficients by generalised least squares, and the predicted u of each
group with its standard error, drawn towards zero as far as the group says little. Does not
belong here: whose values they are (`compared_means`).

Sources: Patterson & Thompson, Biometrika 58 (1971) 545 (restricted likelihood); Henderson,
Biometrics 31 (1975) 423 (prediction and its error); Self & Liang, J. Am. Statist. Assoc. 82
(1987) 605 (test of a variance at its border).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.stats import chi2

Array = NDArray[np.float64]
Numbers = NDArray[np.int64]

# scale of the half-normal prior of the groups' spread in residual spreads: workshops that differ
# by half of what single repairs do are far apart [default]
_PRIOR_SCALE = 0.5
_PRIOR_RATIOS = np.geomspace(0.01, 2.0, 28) ** 2
# ratios of variances between which the best is looked for; below the first it counts as none
_LOG_RATIOS = (-14.0, 9.0)
_GRID = 47


@dataclass(frozen=True)
class Grouped:
    """Sums over the groups, all that the likelihood needs: design (n, p), m groups."""

    y: Array
    x: Array
    sizes: Array
    x_sums: Array
    y_sums: Array


@dataclass(frozen=True)
class Fit:
    """A fitted model. Per group (m,): predicted intercept, its standard error, mean residual.

    `border_p` is the chance of such a likelihood without any difference between groups.
    """

    coefficients: Array
    coefficient_errors: Array
    group_variance: float
    residual_variance: float
    intercepts: Array
    intercept_errors: Array
    mean_residuals: Array
    sizes: Array
    border_p: float


def fit_random_intercepts(y: Array, x: Array, groups: Numbers) -> Fit:
    """The model fitted.

    Parameters
    ----------
    y : (n,)
    x : (n, p), of full rank, with its column of ones.
    groups : (n,), counted from 0 without gaps.

    Raises
    ------
    ValueError
        Fewer values than coefficients, or groups, would leave to estimate.
    """
    if y.size <= x.shape[1] + 1:
        raise ValueError(f"{y.size} values cannot fit {x.shape[1]} coefficients")
    data = _grouped(y, x, groups)
    ratio, at_best = _best_ratio(data)
    border = max(0.0, _deviance(data, 0.0) - at_best)
    coefficients, inverse, variance = _generalised_least_squares(data, ratio)
    return _fit_at(data, ratio, (coefficients, inverse, variance), border)


def likely_intercepts(y: Array, x: Array, groups: Numbers) -> tuple[Array, Array]:
    """Posterior mean and standard deviation of each group's intercept, (m,) each.

    The spread between groups is not taken for known, as `fit_random_intercepts` does: every
    spread counts by its restricted likelihood and a half-normal prior (Gelman, Bayesian Analysis
    1 (2006) 515), so that groups that seem alike are not said to be the same.
    """
    data = _grouped(y, x, groups)
    deviance = np.array([_deviance(data, float(ratio)) for ratio in _PRIOR_RATIOS])
    # the steps of the grid are equal in the logarithm of the spread, hence the last term
    prior = -0.5 * _PRIOR_RATIOS / _PRIOR_SCALE**2 + 0.5 * np.log(_PRIOR_RATIOS)
    log_weight = prior - 0.5 * deviance
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    fits = [
        _fit_at(data, float(ratio), _generalised_least_squares(data, float(ratio)), 0.0)
        for ratio in _PRIOR_RATIOS
    ]
    each = np.stack([fit.intercepts for fit in fits])
    errors = np.stack([fit.intercept_errors for fit in fits])
    mean = weight @ each
    return mean, np.sqrt(np.maximum(weight @ (errors**2 + each**2) - mean**2, 0.0))


def _grouped(y: Array, x: Array, groups: Numbers) -> Grouped:
    m = int(groups.max()) + 1
    x_sums = np.zeros((m, x.shape[1]))
    np.add.at(x_sums, groups, x)
    sizes = np.bincount(groups, minlength=m).astype(np.float64)
    return Grouped(y, x, sizes, x_sums, np.bincount(groups, y, m).astype(np.float64))


def _generalised_least_squares(data: Grouped, ratio: float) -> tuple[Array, Array, float]:
    """Coefficients, inverse of X' V^-1 X, and the residual variance, at a ratio of variances."""
    shrink = ratio / (1.0 + ratio * data.sizes)
    weighted = data.x_sums * shrink[:, None]
    inverse: Array = np.linalg.inv(data.x.T @ data.x - data.x_sums.T @ weighted).astype(np.float64)
    coefficients = inverse @ (data.x.T @ data.y - weighted.T @ data.y_sums)
    left = data.y - data.x @ coefficients
    left_sums = data.y_sums - data.x_sums @ coefficients
    squares = float(left @ left - (shrink * left_sums**2).sum())
    freedom = data.y.size - data.x.shape[1]
    return coefficients, inverse, float(max(squares, 1e-300) / freedom)


def _deviance(data: Grouped, ratio: float) -> float:
    """Minus twice the restricted log-likelihood, but for a constant."""
    _, inverse, variance = _generalised_least_squares(data, ratio)
    freedom = data.y.size - data.x.shape[1]
    spread = float(np.log1p(ratio * data.sizes).sum())
    log_determinant = float(np.linalg.slogdet(inverse)[1])
    return float(spread - log_determinant + freedom * np.log(variance))


def _best_ratio(data: Grouped) -> tuple[float, float]:
    """Ratio of the variances, of groups to residual, and the deviance there."""
    grid = np.linspace(*_LOG_RATIOS, _GRID)
    place = int(np.argmin([_deviance(data, float(np.exp(each))) for each in grid]))
    around = (grid[max(place - 1, 0)], grid[min(place + 1, _GRID - 1)])
    found = minimize_scalar(
        lambda log_ratio: _deviance(data, float(np.exp(log_ratio))),
        bounds=around,
        method="bounded",
        options={"xatol": 1e-8},
    )
    without = _deviance(data, 0.0)
    if place == 0 or without <= found.fun:
        return 0.0, without
    return float(np.exp(found.x)), float(found.fun)


def _fit_at(data: Grouped, ratio: float, solved: tuple[Array, Array, float], border: float) -> Fit:
    coefficients, inverse, variance = solved
    left_sums = data.y_sums - data.x_sums @ coefficients
    damped = 1.0 + ratio * data.sizes
    through_coefficients = np.einsum("gi,ij,gj->g", data.x_sums, inverse, data.x_sums)
    known = data.sizes / damped - through_coefficients / damped**2
    return Fit(
        coefficients,
        np.sqrt(variance * np.diag(inverse)),
        ratio * variance,
        variance,
        ratio * left_sums / damped,
        np.sqrt(np.maximum(variance * (ratio - ratio**2 * known), 0.0)),
        left_sums / np.maximum(data.sizes, 1.0),
        data.sizes,
        1.0 if border == 0.0 else 0.5 * float(chi2.sf(border, 1)),
    )
