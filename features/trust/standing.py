"""What each test shows at rest and at work, in one row: pressures, lines, saturation.

Holds `Standing`, arrays with one element per test in the order of the stack, NaN where
unknown: the first seconds (at rest where `has_rested`), the second half, the circuit's
refrigerant and the atmosphere of the place. Rules that hold pressures against temperatures
share it. Does not belong here: any rule.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from features.air import atmospheric_pressure_kpa
from features.channels import CHANNEL
from features.context import CONTEXT
from features.refrigerant import (
    REFRIGERANTS,
    RefrigerantError,
    bubble_temperature_c,
    dew_pressure_kpa,
    dew_temperature_c,
    resolve_refrigerant,
)
from features.trust.ordered import TEST, Ordered

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from features.refrigerant import Refrigerant

    Floats = NDArray[np.float64]
    Booleans = NDArray[np.bool_]

LINES = (
    "compressor_suction_c",
    "compressor_discharge_c",
    "condenser_mid_c",
    "condenser_outlet_c",
    "expansion_inlet_c",
    "evaporator_outlet_c",
    "rear_evaporator_outlet_c",
)
DUCTS = ("duct_air_c", "duct_left_c", "duct_right_c")
CASE_AIR = (*DUCTS, "intake_air_c")
SEA_LEVEL_KPA = 101.325


@dataclass(frozen=True)
class Standing:
    """One element per test; pressures absolute [kPa] as read, temperatures [degC] as read.

    `begun` and `late`: medians of every channel over the first seconds and over the second
    half; `refrigerants`: those on record that can be judged, None elsewhere.
    """

    test_ids: pl.DataFrame
    begun: dict[str, Floats]
    late: dict[str, Floats]
    has_rested: Booleans
    refrigerants: tuple[Refrigerant | None, ...]
    atmospheric_kpa: Floats
    noted_ambient_c: Floats

    def at_begin(self, channel: str) -> Floats:
        """Median of the first seconds."""
        return self.begun.get(channel, self._unknown)

    def at_work(self, channel: str) -> Floats:
        """Median of the second half."""
        return self.late.get(channel, self._unknown)

    @property
    def _unknown(self) -> Floats:
        return np.full(self.test_ids.height, np.nan)

    def saturated_c(self, pressure_kpa: Floats, *, is_liquid: bool = False) -> Floats:
        """Dew (or, of a liquid, bubble) temperature of each test's refrigerant [degC]."""
        return self._by_refrigerant(
            bubble_temperature_c if is_liquid else dew_temperature_c, pressure_kpa
        )

    def saturation_kpa(self, temperature_c: Floats) -> Floats:
        """Saturation pressure (dew) of each test's refrigerant [kPa]."""
        return self._by_refrigerant(dew_pressure_kpa, temperature_c)

    def _by_refrigerant(
        self, function: Callable[[Floats, Refrigerant], Floats], values: Floats
    ) -> Floats:
        found = self._unknown
        for refrigerant in {each for each in self.refrigerants if each is not None}:
            mine = np.array([each is refrigerant for each in self.refrigerants])
            found[mine] = function(values[mine], refrigerant)
        return found


def read_standing(ordered: Ordered, context: pl.DataFrame) -> Standing:
    """The standing of every test in the stack."""
    tests = ordered.test_ids
    noted = _noted(tests, context)
    rested = ordered.soak[TEST].to_numpy()
    return Standing(
        test_ids=tests,
        begun=_columns(tests, ordered.beginning, ordered.channels),
        late=_columns(tests, ordered.late, ordered.channels),
        has_rested=np.isin(tests[TEST].to_numpy(), rested),
        refrigerants=tuple(_refrigerant(name) for name in noted["refrigerant"]),
        atmospheric_kpa=noted["atmospheric_kpa"].to_numpy(),
        noted_ambient_c=noted["ambient_c"].fill_null(np.nan).to_numpy(),
    )


def _noted(tests: pl.DataFrame, context: pl.DataFrame) -> pl.DataFrame:
    known = CONTEXT.conform(context.select(set(context.columns) & CONTEXT.schema.keys()))
    joined = tests.join(
        known.unique("test_id", keep="first", maintain_order=True),
        on="test_id",
        how="left",
        maintain_order="left",
    )
    by_altitude_kpa = atmospheric_pressure_kpa(
        joined["altitude_m"].fill_null(np.nan).to_numpy().astype(np.float64)
    )
    return joined.with_columns(
        atmospheric_kpa=pl.coalesce(
            "barometric_kpa",
            pl.Series(by_altitude_kpa, nan_to_null=True),
            pl.lit(SEA_LEVEL_KPA),
        )
    )


def _columns(
    tests: pl.DataFrame, medians: pl.DataFrame, channels: Sequence[str]
) -> dict[str, Floats]:
    every = tests.join(medians.drop("test_id"), on=TEST, how="left", maintain_order="left")
    return {name: _possible(every[name].fill_null(np.nan).to_numpy(), name) for name in channels}


def _possible(values: Floats, channel: str) -> Floats:
    """The values with NaN for infinities and for pressures at or below nothing."""
    is_possible = np.isfinite(values)
    if CHANNEL[channel].quantity == "pressure":
        is_possible &= values > 0.0
    return np.asarray(np.where(is_possible, values, np.nan))


def _refrigerant(designation: str | None) -> Refrigerant | None:
    if designation is None:
        return None
    if designation in REFRIGERANTS:
        return REFRIGERANTS[designation]
    try:
        return resolve_refrigerant(designation)
    except RefrigerantError:
        return None
