"""Prints the critical values of the ratio statistic for `features/ratio_statistic.py`.

Simulates series at steady state with first-order autoregressive normal noise and takes the
quantiles of the ratio at their end, by the definition of Cao & Rhinehart 1995 (J. Process
Control 5:363, equations of the two filtered variances). Shares no code with the features.
Run it from the root of the repository; takes about half a minute.
"""

from __future__ import annotations

import numpy as np

LAMBDAS = (0.2, 0.1, 0.1)
LIKENESS = tuple(round(0.1 * k, 1) for k in range(10))
N_SERIES, N_SAMPLES = 200_000, 150


def ratios_at_steady_state(lambdas, phi, *, n_series, n_samples=N_SAMPLES, seed=1995):
    """The ratio at the end of each of many steady series."""
    rng = np.random.default_rng(seed)
    one, two, three = lambdas
    x = rng.standard_normal(n_series)
    filtered = np.zeros(n_series)
    v2, d2 = np.full(n_series, 1.0 / (2.0 - one)), np.full(n_series, 2.0 * (1.0 - phi))
    for _ in range(n_samples):
        before = x
        x = phi * before + np.sqrt(1.0 - phi**2) * rng.standard_normal(n_series)
        v2 = two * (x - filtered) ** 2 + (1.0 - two) * v2
        filtered = one * x + (1.0 - one) * filtered
        d2 = three * (x - before) ** 2 + (1.0 - three) * d2
    return (2.0 - one) * v2 / d2


def main():
    """The two rows of the table, as they stand in the module."""
    rows = np.array(
        [
            np.quantile(ratios_at_steady_state(LAMBDAS, phi, n_series=N_SERIES), [0.95, 0.99])
            for phi in LIKENESS
        ]
    )
    for name, column in zip(("STEADY_BELOW", "MOVING_ABOVE"), rows.T, strict=True):
        print(f"{name} = ({', '.join(f'{value:.2f}' for value in column)})")  # noqa: T201 - prints by purpose


if __name__ == "__main__":
    main()
