"""Clamps with poor contact on a suction line: half the line, half the air under the hood.

Half-way to the air a clamp stands where many a line stands. On a suction line without internal
heat exchanger nothing warms the gas but the air around the line, by a few kelvins (common
practice, no source): a clamp above ambient air beside a cold evaporator outlet reads air. Takes
`ClampLevels`. Does not belong here: clamps that hang in the air (`clamps`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.trust.clamp_levels import ClampLevels

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

_SUCTION, _EVAPORATOR = "compressor_suction_c", "evaporator_outlet_c"
# so far over the evaporator outlet, over ambient air and over where it stood before the start
_WARMED_K, _OVER_AIR_K, _RISE_K = 12.0, 2.0, 2.5
# at the start it cools by less than this share of what the evaporator outlet cools, which cools
# by at least so much
_LEAST_DIP_SHARE, _DIP_BESIDE_K = 0.6, -12.0


def is_half_in_air(levels: ClampLevels, ambient_c: Floats) -> Booleans:
    """Whether the suction clamp of each test reads the air around it as well."""
    dip, beside = levels.dip[_SUCTION], levels.dip[_EVAPORATOR]
    follows_little = (beside < _DIP_BESIDE_K) & (dip > _LEAST_DIP_SHARE * beside)
    suction = levels.of(_SUCTION)
    is_warm = (suction > ambient_c + _OVER_AIR_K) & (levels.rise(_SUCTION) > _RISE_K)
    is_far = suction - levels.of(_EVAPORATOR) > _WARMED_K
    return np.asarray(follows_little & is_warm & is_far & ~levels.has_exchanger)


def half_in_air_sentence(levels: ClampLevels, test: int) -> str:
    """What the note of such a clamp says."""
    suction = levels.of(_SUCTION)[test]
    return (
        f"{suction:.1f} degC while running, {suction - levels.of(_EVAPORATOR)[test]:.0f} K over "
        "the evaporator outlet and warmer than ambient air, although no exchanger warms the gas; "
        f"at the start it cooled by {-levels.dip[_SUCTION][test]:.0f} K, the evaporator outlet by "
        f"{-levels.dip[_EVAPORATOR][test]:.0f} K: poor contact, it reads the air around it as "
        "well. Clamp it on clean pipe, insulate it, and repeat the test"
    )
