"""How often each cause is behind a complaint, before anything is measured.

Holds the shares by purpose of the test. Sources: about 53 % of poor-cooling complaints due to
low charge and 23.5 % to component failure (United States, shop field study of 2016, as
estimated by shops); 227 of 667 cars of a New Zealand specialist in 2014-15 with a fault
outside the refrigerant circuit only, 34 with a malfunctioning expansion valve; 8.6 % of
systems contaminated, half of those by air (the study of 2016). What these leave open is
common practice, no source. Does not belong here: the likelihood.
"""

from __future__ import annotations

from models.fault_signs_numbers import NONE, SENSOR

_COMPLAINT: dict[str, float] = {
    "low_charge": 0.45, "condenser_air_short": 0.08, "evaporator_air_short": 0.06,
    "air_mixed_warm": 0.07, "compressor_weak": 0.05, "displacement_low": 0.03,
    "displacement_high": 0.02, "feed_restricted": 0.04, "feed_excessive": 0.02,
    "foreign_gas": 0.04, "overcharge": 0.05, "exchanger_fouled": 0.01, "oil_excess": 0.02,
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


def prior(cause: str, purpose: str | None) -> float:
    """Share of a cause, up to a factor common to all; pairs pay for being two."""
    if cause == NONE:
        return _NONE
    if cause.startswith(SENSOR):
        return _ONE_SENSOR
    shares = _BY_PURPOSE.get(purpose or "", _COMPLAINT)
    product = 1.0
    for part in cause.split("+"):
        product *= shares[part]
    return product * (_PAIR_PENALTY if "+" in cause else 1.0)
