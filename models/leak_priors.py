"""What is known of leaks before a car is looked at: rates, reserve, kelvins per gram.

Holds published leak rates with their sources, and `LeakPrior`, log-normal in all three
quantities, which `hinge` and `leaks` take. Does not belong here: any car's data.

Published rates
- cars up to seven years old in use, 300 of them, regular leakage: mean 52.4 g/a
  (W. Schwarz and J. Harnisch, Establishing the leakage rates of mobile air conditioners,
  report for the European Commission, 2003);
- 28 standing cars in a sealed housing: 0.07 g/day with a standard deviation of 0.07 g/day,
  0.01 to 0.36 g/day (W. O. Siegl and others, R-134a emissions from vehicles, Environ. Sci.
  Technol. 36 (2002) 561);
- heavy-duty and off-road: mean 257 g/a, about log-normal with few gross emitters (California
  Air Resources Board, contract 06-342);
- consumption of light-duty cars, California: about 80 g/a per car (SAE 2004-01-2256).
So rates are heavy-tailed: most cars lose by permeation and fittings, a few leak grossly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

# Mean of cars in use (Schwarz & Harnisch 2003); standard deviation as large as the mean
# (Siegl and others 2002), which for a log-normal is sigma = sqrt(log 2).
_REGULAR_MEAN_G_PER_YEAR = 52.4
_REGULAR_SIGMA = math.sqrt(math.log(2.0))
# Mean of gross emitters (CARB 06-342), the same form of scatter.
_GROSS_MEAN_G_PER_YEAR = 257.0
# Share of gross emitters among cars that a workshop sees again and again [assumed].
_GROSS_SHARE = 0.2
# Reserve in the receiver: 50 to 150 g (common practice, no source), taken as the middle 90 %.
_RESERVE_MEDIAN_G = math.sqrt(50.0 * 150.0)
_RESERVE_SIGMA = math.log(150.0 / 50.0) / (2.0 * 1.6448536269514722)
# Subcooling of 5 to 15 K goes with some 50 to 150 g of liquid in the subcooling passes
# (common practice, no source): 0.1 K/g within a factor of three.
_KELVIN_PER_GRAM_MEDIAN = 0.1
_KELVIN_PER_GRAM_SIGMA = math.log(3.0) / 1.6448536269514722
# Where it is not known when the charge was full last, the reserve left is anything between
# none and all: the logarithm of a uniform share has mean -1 and variance 1.
_SHARE_LEFT_LOG_MEAN = -1.0
_SHARE_LEFT_LOG_VARIANCE = 1.0


@dataclass(frozen=True)
class Leaking:
    """One kind of leaking car: its share, and the log-normal law of its rate in g/a."""

    share: float
    log_mean: float
    log_sigma: float


@dataclass(frozen=True)
class LeakPrior:
    """Rates in g/a, reserve in g, kelvins of subcooling lost per gram, as log-normals.

    `log_covariance` is that of reserve and kelvins per gram: services of a model that tell
    one of them too high tell the other too high.
    `is_learned` says that reserve and kelvins per gram come from services of the model.
    """

    kinds: tuple[Leaking, ...]
    reserve_log_mean: float = math.log(_RESERVE_MEDIAN_G)
    reserve_log_variance: float = _RESERVE_SIGMA**2
    kelvin_log_mean: float = math.log(_KELVIN_PER_GRAM_MEDIAN)
    kelvin_log_variance: float = _KELVIN_PER_GRAM_SIGMA**2
    log_covariance: float = 0.0
    is_learned: bool = False

    @property
    def with_unknown_start(self) -> LeakPrior:
        """The same for a car of which it is not known when its charge was full last."""
        return replace(
            self,
            reserve_log_mean=self.reserve_log_mean + _SHARE_LEFT_LOG_MEAN,
            reserve_log_variance=self.reserve_log_variance + _SHARE_LEFT_LOG_VARIANCE,
        )


def _kind(share: float, mean: float, sigma: float) -> Leaking:
    return Leaking(share, math.log(mean) - sigma**2 / 2.0, sigma)


PUBLISHED = LeakPrior(
    (
        _kind(1.0 - _GROSS_SHARE, _REGULAR_MEAN_G_PER_YEAR, _REGULAR_SIGMA),
        _kind(_GROSS_SHARE, _GROSS_MEAN_G_PER_YEAR, _REGULAR_SIGMA),
    )
)
