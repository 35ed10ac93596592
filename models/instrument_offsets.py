"""Instruments that read off on every car: found over the standing cars of all their tests.

One standing car whose gauge and lines disagree may have air in it, or have run shortly
before. Where the cars of one instrument all disagree alike, it is the instrument. Two gauges
that differ at rest: one of them is off, the one further from saturation at the lines. Gauges
that agree while all lines stand off: the thermometers, which share their reference. One clamp
off the others: its sensor. Takes SOAK_BIASES and the context, gives INSTRUMENT_OFFSETS. Does
not belong here: what an offset does to the judgement (`offset_effects`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from features.channels import CHANNEL
from models.tables import INSTRUMENT_OFFSETS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from models.settings import AssessmentSettings

    Array = NDArray[np.float64]
    Places = NDArray[np.int64]

ALL_TEMPERATURES = "all_temperatures"
_LOW, _HIGH = "low_side_kpa", "high_side_kpa"
_NAMES = {_LOW: "low-side gauge", _HIGH: "high-side gauge"}
# so many standing cars tell an instrument from a car
_LEAST_VEHICLES = 3
# Cars scatter by at least so much, however well a few agree: lines of a standing car agree
# within 1 to 2 K (common practice), two gauges on one circuit within their display.
_LEAST_SCATTER_K, _LEAST_SCATTER_KPA = 0.8, 8.0
# The condenser stands nearer to ambient air than the other lines do (common practice); what one
# clamp alone may read off is so much more.
_ONE_CLAMP_FACTOR = 1.5
# Half width of a 95 % interval in standard uncertainties (GUM 6.3.3).
_SURE = 2.0
# Standard error of a median over that of a mean, and of the median deviation over sigma.
_OF_MEDIAN, _OF_DEVIATION = 1.2533, 1.4826
# a change of the offset at some date must stand out by so many standard errors, of the best of
# so many dates (chosen)
_CHANGE_STANDS_OUT, _MOST_DATES = 5.0, 100


@dataclass(frozen=True)
class _Series:
    """What one sensor showed in the tests of an instrument, in order of time; NaN unknown."""

    values: Array
    limit: float
    scatter: float


@dataclass(frozen=True)
class _Span:
    """Tests from one place to another with an offset that is no car's."""

    first: int
    past: int
    offset: float
    uncertainty: float
    n_tests: int
    n_vehicles: int


@dataclass(frozen=True)
class _Tests:
    """The tests of one instrument in order of time: instants and vehicles."""

    started_at: list[Any]
    vehicles: Array


def find_instrument_offsets(
    soak_biases: pl.DataFrame, context: pl.DataFrame, settings: AssessmentSettings
) -> pl.DataFrame:
    """The INSTRUMENT_OFFSETS frame; tests without an instrument on record say nothing.

    Parameters
    ----------
    soak_biases
        Frame of `features.trust.soak_biases.SOAK_BIASES`.
    context
        With test_id, vehicle_id, instrument_id and started_at.
    """
    known = soak_biases.join(
        context.select("test_id", "vehicle_id", "instrument_id", "started_at"), on="test_id"
    ).filter(pl.col("instrument_id").is_not_null() & pl.col("started_at").is_not_null())
    rows = [
        row
        for (instrument_id,), own in known.sort("instrument_id", "started_at", "test_id").group_by(
            "instrument_id", maintain_order=True
        )
        for row in _rows_of(str(instrument_id), own, settings)
    ]
    found = pl.DataFrame(rows, schema=INSTRUMENT_OFFSETS.schema)
    return found.sort(INSTRUMENT_OFFSETS.key)


def offsets_of_tests(offsets: pl.DataFrame, context: pl.DataFrame) -> pl.DataFrame:
    """One row per test and offset that it falls under: test_id and the columns of the offset."""
    at = context.select("test_id", "instrument_id", "started_at")
    every = at.join(offsets, on="instrument_id")
    is_inside = (pl.col("started_at") >= pl.col("from_at")) & (
        pl.col("until_at").is_null() | (pl.col("started_at") < pl.col("until_at"))
    )
    return every.filter(is_inside).drop("started_at")


def _rows_of(
    instrument_id: str, own: pl.DataFrame, settings: AssessmentSettings
) -> Iterator[dict[str, Any]]:
    """The offsets of one instrument."""
    ids = own.select("test_id", "vehicle_id", "started_at").unique("test_id", maintain_order=True)
    tests = _Tests(
        ids["started_at"].to_list(),
        ids["vehicle_id"].rank("dense").fill_null(0).to_numpy().astype(np.float64),
    )
    if np.unique(tests.vehicles).size < _LEAST_VEHICLES:
        return
    even = own.filter("is_even")
    low, high = (_by_test(even, ids, name, "bias_kpa") for name in (_LOW, _HIGH))
    apart = _Series(_apart_kpa(own, even, ids), settings.instrument_offset_kpa, _LEAST_SCATTER_KPA)
    gauges_off = _spans(apart, tests)
    for span in gauges_off:
        yield from (
            _row(instrument_id, name, span, tests, "kPa") for name in _blamed(span, low, high)
        )
    low_k, high_k = (_by_test(even, ids, name, "bias_k") for name in (_LOW, _HIGH))
    together = np.where(_inside(gauges_off, low_k.size), np.nan, -(low_k + high_k) / 2.0)
    thermometers = _Series(together, settings.instrument_offset_k, _LEAST_SCATTER_K)
    for span in _spans(thermometers, tests):
        yield _row(instrument_id, ALL_TEMPERATURES, span, tests, "K")
    for name in even["channel"].unique().sort():
        if name not in _NAMES:
            limit = _ONE_CLAMP_FACTOR * settings.instrument_offset_k
            clamp = _Series(_by_test(even, ids, name, "bias_k"), limit, _LEAST_SCATTER_K)
            for span in _spans(clamp, tests):
                yield _row(instrument_id, name, span, tests, "K")


def _apart_kpa(own: pl.DataFrame, even: pl.DataFrame, ids: pl.DataFrame) -> Array:
    """Low less high side at rest, test by test [kPa]; of cars that stood long where enough did.

    Soon after a stop the sides of a car still differ: a warm evaporator side and a condenser in
    cool air exchange through valve and compressor only slowly.
    """
    low, high = (even.filter(channel=name).select("test_id", "bias_kpa") for name in (_LOW, _HIGH))
    stood = low.join(high, on="test_id").join(ids, on="test_id")
    chosen = even if stood["vehicle_id"].n_unique() >= _LEAST_VEHICLES else own
    return _by_test(chosen, ids, _LOW, "bias_kpa") - _by_test(chosen, ids, _HIGH, "bias_kpa")


def _by_test(own: pl.DataFrame, ids: pl.DataFrame, channel: str, column: str) -> Array:
    """A column of one channel, test by test, NaN where it is not known."""
    values = own.filter(channel=channel).select("test_id", column)
    joined = ids.join(values, on="test_id", how="left", maintain_order="left")
    return joined[column].fill_null(np.nan).to_numpy().astype(np.float64)


def _inside(spans: list[_Span], n_tests: int) -> NDArray[np.bool_]:
    inside = np.zeros(n_tests, dtype=np.bool_)
    for span in spans:
        inside[span.first : span.past] = True
    return inside


def _spans(series: _Series, tests: _Tests) -> list[_Span]:
    """The spans of time over which a sensor was off: all tests, or those after or before a date."""
    known = np.flatnonzero(np.isfinite(series.values))
    n_tests = series.values.size
    border = _change(series.values[known], series.scatter)
    if border is not None:
        date = int(known[border])
        halves = [(known[:border], 0, date), (known[border:], date, n_tests)]
    else:
        halves = [(known, 0, n_tests)]
    found = [_judge(series, tests, *half) for half in halves]
    return [span for span in found if span is not None]


def _change(values: Array, scatter: float) -> int | None:
    """The place from which on values are others than before, None where they stay the same."""
    places = np.arange(_LEAST_VEHICLES, values.size - _LEAST_VEHICLES + 1)
    if places.size > _MOST_DATES:
        places = np.unique(np.linspace(places[0], places[-1], _MOST_DATES).astype(np.int64))
    best, stands_out = None, _CHANGE_STANDS_OUT
    for place in places.tolist():
        (before, error), (after, other) = (
            _centre(part, scatter) for part in (values[:place], values[place:])
        )
        if abs(after - before) > stands_out * np.hypot(error, other):
            best, stands_out = place, abs(after - before) / np.hypot(error, other)
    return best


def _centre(values: Array, scatter: float) -> tuple[float, float]:
    """Median, and its standard error by the median deviation."""
    middle = float(np.median(values))
    sigma = max(_OF_DEVIATION * float(np.median(np.abs(values - middle))), scatter)
    return middle, _OF_MEDIAN * sigma / float(np.sqrt(values.size))


def _judge(series: _Series, tests: _Tests, known: Places, first: int, past: int) -> _Span | None:
    """The offset over some tests, None where it is too small, too uncertain, or of few cars."""
    vehicles, values = tests.vehicles[known], series.values[known]
    each = np.array([np.median(values[vehicles == car]) for car in np.unique(vehicles)])
    if each.size < _LEAST_VEHICLES:
        return None
    offset, uncertainty = _centre(each, series.scatter)
    if abs(offset) - _SURE * uncertainty <= series.limit:
        return None
    return _Span(first, past, offset, uncertainty, int(known.size), int(each.size))


def _blamed(span: _Span, low: Array, high: Array) -> tuple[str, ...]:
    """Which gauge is off: the one further from saturation at the lines; both if nobody knows."""
    inside = slice(span.first, span.past)
    both = np.isfinite(low[inside]) & np.isfinite(high[inside])
    if np.count_nonzero(both) == 0:
        return (_LOW, _HIGH)
    low_off, high_off = (float(np.median(each[inside][both])) for each in (low, high))
    return (_LOW,) if abs(low_off) > abs(high_off) else (_HIGH,)


def _row(instrument_id: str, channel: str, span: _Span, tests: _Tests, unit: str) -> dict[str, Any]:
    offset = -span.offset if channel == _HIGH else span.offset
    until = tests.started_at[span.past] if span.past < len(tests.started_at) else None
    return {
        "instrument_id": instrument_id,
        "channel": channel,
        "from_at": tests.started_at[span.first],
        "until_at": until,
        "offset": offset,
        "unit": unit,
        "standard_uncertainty": span.uncertainty,
        "n_tests": span.n_tests,
        "n_vehicles": span.n_vehicles,
        "sentence": _sentence(channel, offset, span, tests, until),
    }


def _sentence(channel: str, offset: float, span: _Span, tests: _Tests, until: Any) -> str:
    since = f"since {tests.started_at[span.first]:%Y-%m-%d}"
    lasts = f"{since}, until {until:%Y-%m-%d}" if until else since
    cars = f"on {span.n_vehicles} standing cars ({span.n_tests} tests), {lasts}"
    way = "above" if offset > 0 else "below"
    if channel in _NAMES:
        return (
            f"the {_NAMES[channel]} stands {abs(offset):.0f} +- {2.0 * span.uncertainty:.0f} kPa "
            f"{way} the other gauge and saturation {cars}: no car does that to all. Set its zero, "
            "or have it calibrated; until then what rests on it counts as so much more uncertain"
        )
    size = f"{abs(offset):.1f} +- {2.0 * span.uncertainty:.1f} K {way}"
    if channel == ALL_TEMPERATURES:
        return (
            f"all lines stand {size} saturation at the pressure of both gauges {cars}: the "
            "thermometers are off, or both gauges alike. Compare the thermometers in one bath and "
            "the gauges with a reference; until then temperatures count as so much more uncertain"
        )
    return (
        f"the clamp of the {CHANNEL[channel].meaning.split(',')[0]} stands {size} the other "
        f"clamps and saturation {cars}. Compare it with the others in one bath; until then it "
        "counts as so much more uncertain"
    )
