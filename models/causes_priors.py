"""How often each cause is behind a complaint, before anything is measured.

Holds the shares by purpose of the test. Sources: about 53 % of poor-cooling complaints due to
low charge and 23.5 % to component failure (United States, shop field study of 2016, as
estimated by shops); 227 of 667 cars of a New Zealand specialist in 2014-15 with a fault
outside the refrigerant circuit only, 34 with a malfunctioning expansion valve; 8.6 % of
systems contaminated, half of those by air (the study of 2016). What these leave open is
common practice, no source. Does not belong here: the likelihood.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from models.causes_found import NOTHING_FOUND, updated
from models.fault_signs_numbers import NONE, SENSOR
from models.fault_signs_sensors import SENSORS

if TYPE_CHECKING:
    from models.causes_found import Found

_COMPLAINT: dict[str, float] = {
    "low_charge": 0.45, "condenser_air_short": 0.08, "evaporator_air_short": 0.06,
    "air_mixed_warm": 0.07, "compressor_weak": 0.05, "displacement_low": 0.03,
    "displacement_high": 0.02, "feed_restricted": 0.04, "feed_excessive": 0.02,
    "foreign_gas": 0.04, "overcharge": 0.05, "exchanger_fouled": 0.01, "oil_excess": 0.02,
    "feed_hunting": 0.01,
}  # fmt: skip
# Nobody complained: low charge is 8 of the 15 % with something wrong [default, tune on data].
_SCREENING: dict[str, float] = {**_COMPLAINT, "low_charge": 0.53}
# Shortly after work on the circuit what was filled wrong is likelier (common practice).
_AFTER_REPAIR: dict[str, float] = {
    **_COMPLAINT, "low_charge": 0.35, "overcharge": 0.12, "foreign_gas": 0.08, "oil_excess": 0.04,
}  # fmt: skip
_BY_PURPOSE = {"screening": _SCREENING, "after_repair": _AFTER_REPAIR}
# All sensors together, and causes outside the list [default, tune on data].
_ONE_SENSOR, _NONE = 0.01, 0.03
_PAIR_PENALTY = 0.15


def priors(causes: list[str], purpose: str | None, found: Found = NOTHING_FOUND) -> list[float]:
    """Shares of the causes, up to a factor common to all; pairs pay for being two.

    `found` is what workshops found on cars of the fleet, which moves the published shares.
    """
    shares = updated(_published(purpose), found)
    return [_share(cause, shares) for cause in causes]


@cache
def _published(purpose: str | None) -> dict[str, float]:
    """Shares of all single causes before any car of the fleet was looked at."""
    faults = _BY_PURPOSE.get(purpose or "", _COMPLAINT)
    sensors = {f"{SENSOR}:{channel}": _ONE_SENSOR for channel in SENSORS}
    return {**faults, **sensors, NONE: _NONE}


def _share(cause: str, shares: dict[str, float]) -> float:
    product = 1.0
    for part in cause.split("+"):
        product *= shares[part]
    return product * (_PAIR_PENALTY if "+" in cause else 1.0)
