"""Derived quantities of transients: pull-down, start, stop, fan swing, cycling, hunting.

Holds the records of scope `whole_test` that `transients` fills; the expression of such a
record only says what it is worked out from. Does not belong here: the arithmetic
(`transient_pull_down`, `transient_pressures`, `transient_hunting`).
"""

from __future__ import annotations

import polars as pl

from features.records import Feature

_STARTED = "the start of the compressor is in the log"
_FITTED = (
    f"{_STARTED}; from the last event of its first minute on, which t counts from, three of the "
    "slower time constants without an event; "
    "the fall slows from third to third of them; "
    "both parts at least three times their standard error, both times known to 30 %"
)
_FALLEN = f"{_STARTED}, then at least 300 s of running in which the duct falls by 3 K or more"
_FAN_ALONE = "a minute or more after the compressor was switched, and no event within 15 s"
_RESTED = "the compressor rests for 45 s or more after its last stop"
_CYCLED = "three cycles or more in a row"
_SETTLED = "180 s on end in a settled regime"
_FIT = "T_inf + A1 exp(-t / tau1) + A2 exp(-t / tau2) by least squares, t from the start"
_DUCT = ("n_compressor_events", "duct_air_c")
_LOW = ("n_compressor_events", "low_side_kpa")
_HIGH = ("n_compressor_events", "high_side_kpa")
_SUPERHEAT = ("superheat_k", "running_min")


def _of_test(
    told: tuple[str, str, str], needs: tuple[str, ...], validity: str, source: str = "definition"
) -> Feature:
    name, unit, meaning = told
    return Feature(
        name,
        unit,
        meaning,
        pl.struct(needs),
        source=source,
        validity=validity,
        scope="whole_test",
    )


PULL_DOWN_RECORDS: tuple[Feature, ...] = (
    _of_test(
        ("pull_down_level_c", "degC", "level towards which the duct air falls after the start"),
        _DUCT, _FITTED, _FIT,
    ),
    _of_test(
        ("pull_down_fast_k", "K", "part of the duct air's fall that is fast (coil, refrigerant)"),
        _DUCT, _FITTED, _FIT,
    ),
    _of_test(
        ("pull_down_fast_s", "s", "time constant of the fast part"), _DUCT, _FITTED, _FIT
    ),
    _of_test(
        ("pull_down_slow_k", "K", "part of the duct air's fall that is slow (case, cabin)"),
        _DUCT, _FITTED, _FIT,
    ),
    _of_test(
        ("pull_down_slow_s", "s", "time constant of the slow part"), _DUCT, _FITTED, _FIT
    ),
    _of_test(
        ("pull_down_t63_s", "s", "time from the start to 63 % of the duct air's fall"),
        _DUCT, _FALLEN, "fall to the lowest half minute of the first 15 minutes of the run",
    ),
    _of_test(
        ("pull_down_t90_s", "s", "time from the start to 90 % of the duct air's fall"),
        _DUCT, _FALLEN, "fall to the lowest half minute of the first 15 minutes of the run",
    ),
    _of_test(
        ("pull_down_after_5_min_c", "degC", "duct air 5 minutes after the start"),
        _DUCT, f"{_STARTED}, then 5 minutes of running", "mean over 30 s",
    ),
    _of_test(
        ("pull_down_after_10_min_c", "degC", "duct air 10 minutes after the start"),
        _DUCT, f"{_STARTED}, then 10 minutes of running", "mean over 30 s",
    ),
)  # fmt: skip

PRESSURE_RECORDS: tuple[Feature, ...] = (
    _of_test(
        ("start_low_side_kpa_per_s", "kPa/s", "slope of the low side in the first 10 s of a run"),
        _LOW, _STARTED, "least-squares line",
    ),
    _of_test(
        ("start_high_side_kpa_per_s", "kPa/s", "slope of the high side in the first 10 s of a run"),
        _HIGH, _STARTED, "least-squares line",
    ),
    _of_test(
        (
            "start_undershoot_kpa", "kPa",
            "how far the low side falls below what it comes back to within 60 s; 0 if it does not",
        ),
        _LOW, f"{_STARTED}, then 120 s of running",
    ),
    _of_test(
        ("start_undershoot_s", "s", "time from the start to the low side's lowest point"),
        _LOW, "the low side undershoots",
    ),
    _of_test(
        ("stop_equalisation_s", "s", "time constant with which the pressure ratio falls to one"),
        ("n_compressor_events", "low_side_kpa", "high_side_kpa"), _RESTED,
        "line through ln(ratio - 1)",
    ),
    _of_test(
        ("fan_swing_kpa", "kPa", "fall of the high side as the condenser fan steps up, median"),
        ("n_fan_events", "high_side_kpa"), _FAN_ALONE,
        "median of the 10 s before minus the lowest of the 5th to 40th second after",
    ),
    _of_test(
        ("clutch_cycles_per_min", "1/min", "cycles of the compressor per minute while it cycles"),
        ("n_compressor_events",), _CYCLED,
    ),
    _of_test(
        ("clutch_on_share", "1", "share of a cycle in which the compressor is on, mean"),
        ("n_compressor_events",), _CYCLED,
    ),
    _of_test(
        ("clutch_cut_out_low_side_kpa", "kPa", "low side as the compressor cuts out, median"),
        _LOW, _CYCLED, "lowest of each cycle",
    ),
    _of_test(
        ("clutch_cut_in_low_side_kpa", "kPa", "low side as the compressor cuts in, median"),
        _LOW, _CYCLED, "highest of each cycle",
    ),
)  # fmt: skip

HUNTING_RECORDS: tuple[Feature, ...] = (
    _of_test(
        (
            "superheat_swing_k", "K",
            "half range of the superheat about its trend, 5 to 95 %, evaporator outlet if logged",
        ),
        _SUPERHEAT, _SETTLED, "half range, corrected for means over 5 s",
    ),
    _of_test(
        ("superheat_hunting_s", "s", "period of the superheat's swings, where they have one"),
        _SUPERHEAT,
        f"{_SETTLED}; 20 to 120 s; no control event of the same period",
        "first peak of the autocorrelation, above 0.3",
    ),
)  # fmt: skip

TRANSIENT_RECORDS = (*PULL_DOWN_RECORDS, *PRESSURE_RECORDS, *HUNTING_RECORDS)
