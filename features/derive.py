"""The one entry point: from samples and their context to everything that is derived.

Holds `derive`, which carries samples through screening, the block grid, events, regimes
and windows to features. Every step is one function from another module. Does not belong
here: any step itself, files, comparisons between cars.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from features.air_columns import add_clamp_air, add_condenser_air, add_duct_air, add_intake_enthalpy
from features.blocks import block_lengths, make_blocks, number_tests, order_samples
from features.catalogue import FEATURES
from features.channels import channels_in
from features.compressor_work import Switching
from features.context import CONTEXT
from features.cycle_points import CYCLE_POINTS, describe_cycle_points
from features.cycles import find_cycles
from features.event_confidence import LIKELY
from features.event_kinds import UNSETTLING
from features.events import EVENTS, EventInputs, describe_events, detect_events
from features.explained_effects import EFFECTS
from features.impossible import describe_impossible, withhold_impossible
from features.instruments import add_sensor_uncertainties
from features.intake_share import (
    correct_intake,
    describe_strays,
    estimate_intake_share,
    find_strays,
)
from features.periodic import drop_overlapping, find_periodic_units
from features.regime_spans import REGIMES, describe_regimes
from features.regimes import CONTINUOUS, WHOLE_TEST, Regime, add_regimes
from features.screening import TRUST, screen
from features.settling import judge_settling, logger_resolutions
from features.static_pressure import check_static_pressure
from features.story import STORIES
from features.swings import SWING, find_swings
from features.transients import Logged
from features.unread import UNREAD, describe_unread
from features.whole_tests import read_whole_tests
from features.window_values import read_windows
from features.windows import WINDOWS, describe_windows, find_steady_units, join_units

if TYPE_CHECKING:
    from features.settings import DerivationSettings
    from features.tables import Table
    from features.trust.rules import Screened

_STORED_DECIMALS = 6
# Noted values that would collide with logged channels of the same name.
_NOTED = {
    "ambient_c": "noted_ambient_c",
    "barometric_kpa": "noted_barometric_kpa",
    "blower_pct": "noted_blower_pct",
    "recirculation": "noted_recirculation",
}


@dataclass(frozen=True)
class Derived:
    """What is derived from samples: frames of the tables of the same names."""

    trust: pl.DataFrame
    events: pl.DataFrame
    windows: pl.DataFrame
    features: pl.DataFrame
    unread: pl.DataFrame
    regimes: pl.DataFrame
    cycle_points: pl.DataFrame
    soak_biases: pl.DataFrame
    effects: pl.DataFrame
    stories: pl.DataFrame


def derive(
    samples: pl.DataFrame,
    context: pl.DataFrame,
    settings: DerivationSettings,
    instruments: pl.DataFrame | None = None,
) -> Derived:
    """Trust, events, windows and features of all tests in a samples frame.

    Parameters
    ----------
    samples
        Frame of `channels.SAMPLES`: test_id, time_s and any of the channels; many tests
        stacked, in any order. Nulls, gaps and any sampling rate are fine.
    context
        Frame of `context.CONTEXT`. A test without a row there is read without knowing its
        refrigerant and compressor.
    instruments
        Frame with the columns of `instruments.INSTRUMENTS`; where it states the accuracy of
        a channel of a test's instrument, that one counts and not the settings' default.

    Returns
    -------
    Derived
        Ordered by test_id. The result does not depend on the order of the rows, nor on
        which other tests are in the frame.
    """
    told = _with_context(number_tests(samples), context)
    tests = add_sensor_uncertainties(told, told, instruments)
    ordered = order_samples(samples.select("test_id", "time_s", *channels_in(samples)), tests)
    screened = screen(ordered.drop("test_number"), context, settings)
    trusted = screened.samples.with_columns(ordered["test_number"])
    parts = [
        _derive_at(part, tests, settings, block_s, screened.clamp_moves)
        for block_s, part in _by_block_length(trusted, settings.block_s)
    ]
    static = check_static_pressure(screened.soak, screened.trust, tests, settings)
    return _stack(screened, parts, tests, static)


def _with_context(tests: pl.DataFrame, context: pl.DataFrame) -> pl.DataFrame:
    """The tests with what is noted of them; columns that the context lacks are null."""
    noted = CONTEXT.conform(context.select(set(context.columns) & CONTEXT.schema.keys()))
    return tests.join(
        noted.unique("test_id", keep="first", maintain_order=True),
        on="test_id",
        how="left",
        maintain_order="left",
    ).rename(_NOTED)


def _by_block_length(samples: pl.DataFrame, block_s: float) -> list[tuple[float, pl.DataFrame]]:
    """The samples by the block length that their sampling rate allows, in one or more parts."""
    lengths = block_lengths(samples, block_s)
    distinct = sorted(lengths["block_s"].unique().to_list())
    if len(distinct) == 1:
        return [(distinct[0], samples)]
    return [
        (
            length,
            samples.join(
                lengths.filter(block_s=length),
                on="test_number",
                how="semi",
                maintain_order="left",
            ),
        )
        for length in distinct
    ]


@dataclass(frozen=True)
class _Part:
    """What is derived from the tests of one block length."""

    events: pl.DataFrame
    windows: pl.DataFrame
    features: pl.DataFrame
    unread: pl.DataFrame
    regimes: pl.DataFrame
    cycle_points: pl.DataFrame
    distrusted: pl.DataFrame
    effects: pl.DataFrame
    stories: pl.DataFrame


def _derive_at(
    samples: pl.DataFrame,
    tests: pl.DataFrame,
    settings: DerivationSettings,
    block_s: float,
    clamp_moves: pl.DataFrame,
) -> _Part:
    blocks = add_duct_air(make_blocks(samples, block_s))
    log = detect_events(EventInputs(samples, blocks, tests, clamp_moves, block_s), settings)
    likely = log.events.filter(pl.col("confidence") >= LIKELY)
    cycles = {kind: find_cycles(likely, kind, settings) for kind in ("compressor_on", "fan_up")}
    switching = Switching(likely, cycles["compressor_on"])
    told = _add_noted(add_regimes(blocks, tests, switching, settings, block_s), tests)
    shares = estimate_intake_share(told, block_s)
    strays = find_strays(told, shares)
    blocks = _add_air(correct_intake(told, shares, strays), settings)
    unsettling = likely.filter(pl.col("kind_code").is_in(UNSETTLING))
    settling = judge_settling(blocks, unsettling, logger_resolutions(samples), settings, block_s)
    units = join_units(
        [
            (None, find_steady_units(blocks, settling)),
            *_periodic_units(blocks, unsettling, cycles, settings, block_s),
        ]
    )
    windows = describe_windows(units, blocks, tests, block_s)
    read = read_windows(blocks, units, tests, settings, block_s)
    logged = Logged(samples, blocks, likely, cycles["compressor_on"], block_s)
    whole = read_whole_tests(logged, log, tests, settings)
    rows = [
        withhold_impossible(read.features),
        whole.features.join(shares, on="test_number", how="left", maintain_order="left"),
    ]
    return _Part(
        describe_events(log.events, tests),
        windows,
        pl.concat(rows, how="diagonal"),
        describe_unread(blocks, settling, windows, settings, block_s),
        describe_regimes(blocks, tests, block_s),
        describe_cycle_points(read.units, windows, tests),
        pl.concat([describe_impossible(read.features), describe_strays(strays, tests)]),
        whole.effects,
        whole.stories,
    )


def _periodic_units(
    blocks: pl.DataFrame,
    events: pl.DataFrame,
    cycles: dict[str, pl.DataFrame],
    settings: DerivationSettings,
    block_s: float,
) -> list[tuple[str, pl.DataFrame]]:
    """Units of the cycles of clutch and fan, and of swings where neither cycles meanwhile."""
    clutch = find_periodic_units(
        blocks, cycles["compressor_on"], (Regime.CYCLING,), settings, block_s
    )
    fan = find_periodic_units(blocks, cycles["fan_up"], CONTINUOUS, settings, block_s)
    swings = find_cycles(find_swings(blocks, events, settings, block_s), SWING, settings)
    swinging = drop_overlapping(
        find_periodic_units(blocks, swings, CONTINUOUS, settings, block_s), [clutch, fan]
    )
    return [("compressor", clutch), ("fan", fan), (SWING, swinging)]


def _add_noted(blocks: pl.DataFrame, tests: pl.DataFrame) -> pl.DataFrame:
    """The blocks with what is noted of their tests, as far as the air and the clamps need it."""
    names = ("noted_ambient_c", "noted_barometric_kpa", "noted_recirculation", "clamps_insulated")
    noted = tests.select("test_id", "test_number", "altitude_m", *names)
    return blocks.join(noted, on="test_number", how="left", maintain_order="left")


def _add_air(blocks: pl.DataFrame, settings: DerivationSettings) -> pl.DataFrame:
    around = add_clamp_air(add_condenser_air(blocks), settings.hood_over_ambient_k)
    return add_intake_enthalpy(around)


def _stack(
    screened: Screened, parts: list[_Part], tests: pl.DataFrame, static: pl.DataFrame
) -> Derived:
    """The parts as frames of the declared tables, ordered by test."""
    if not parts:
        tables = (EVENTS, WINDOWS, FEATURES, UNREAD, REGIMES, CYCLE_POINTS, EFFECTS, STORIES)
        nothing = {table.name: table.empty() for table in tables}
        return Derived(trust=screened.trust, soak_biases=screened.soak_biases, **nothing)
    standing = static.join(tests.select("test_id", "test_number"), on="test_id").drop("test_id")
    rows = pl.concat([part.features.drop("test_id") for part in parts], how="diagonal").join(
        standing.with_columns(regime=pl.lit(WHOLE_TEST)),
        on=("test_number", "regime"),
        how="left",
        maintain_order="left",
    )
    features = _named([rows], FEATURES, tests)
    distrusted = [part.distrusted for part in parts]
    return Derived(
        pl.concat([screened.trust, *distrusted]).sort(TRUST.key),
        pl.concat([part.events for part in parts]).sort("test_id", "event_number"),
        pl.concat([part.windows for part in parts]).sort("test_id", "window_number"),
        features,
        pl.concat([part.unread for part in parts]).sort("test_id"),
        pl.concat([part.regimes for part in parts]).sort(REGIMES.key),
        pl.concat([part.cycle_points for part in parts]).sort(
            "test_id", "window_number", "station_order"
        ),
        screened.soak_biases,
        _named([part.effects for part in parts], EFFECTS, tests),
        _named([part.stories for part in parts], STORIES, tests),
    )


def _named(parts: list[pl.DataFrame], table: Table, tests: pl.DataFrame) -> pl.DataFrame:
    """Parts with test_number as one frame of a table, rounded, in order of its key."""
    named = pl.concat(parts, how="diagonal").join(
        tests.select("test_id", "test_number"), on="test_number", maintain_order="left"
    )
    rounded = pl.selectors.float().round(_STORED_DECIMALS)
    return table.conform(named.drop("test_number")).with_columns(rounded).sort(table.key)
