"""The search for events through a stack of tests, family by family.

Each method gives the events of one family, from a logged channel where there is one, else
from the pressures. What one event explains is not found again as another. Does not belong
here: steps, moves and edges themselves (`command_steps`, `commanded_moves`,
`pressure_edges`), the answer to an event (`event_responses`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import polars as pl

from features import commanded_moves as moves
from features.command_steps import compressor_steps, fan_steps
from features.cut_outs import name_cut_outs
from features.event_responses import add_responses
from features.icing import find_recoveries
from features.pressure_edges import compressor_edges, fan_edges, pressure_knees, stroke_edges

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from features.event_grid import EventGrid
    from features.pressure_edges import PressureKnees
    from features.settings import DerivationSettings

# Within which time before and after itself an event explains an edge (tuning values): its own
# answer bends both sides once more.
_COMPRESSOR_SHADOW_S, _STROKE_SHADOW_S = (8.0, 8.0), (30.0, 30.0)
_ENGINE_SHADOW_S, _FAN_SHADOW_S = (10.0, 18.0), (8.0, 13.0)
_STARTING_S = 60.0
# By how much the low side may end against the high side under a fan (tuning values).
_LOW_SIDE_AGAINST_SHARE, _LOW_SIDE_AGAINST_KPA = 0.08, 5.0
_FOUND_SCHEMA = {
    "test_number": pl.UInt32(),
    "time_s": pl.Float64(),
    "kind_code": pl.String(),
    "source_code": pl.String(),
    "size_pct": pl.Float64(),
    "size_rpm": pl.Float64(),
    "strength": pl.Float64(),
}


@dataclass(frozen=True)
class EventInputs:
    """What events are found in: ordered samples, their blocks, the tests, clamps that moved.

    `tests` needs test_id, test_number, compressor and refrigerant; `clamp_moves` test_id,
    channel and from_s.
    """

    ordered: pl.DataFrame
    blocks: pl.DataFrame
    tests: pl.DataFrame
    clamp_moves: pl.DataFrame
    block_s: float


def no_clamp_moves() -> pl.DataFrame:
    """A frame of clamp moves without rows."""
    return pl.DataFrame(schema={"test_id": pl.String, "channel": pl.String, "from_s": pl.Float64})


class EventSearch:
    """One search through a stack of tests; each method gives the events of one family."""

    def __init__(
        self,
        inputs: EventInputs,
        sources: pl.DataFrame,
        grid: EventGrid,
        settings: DerivationSettings,
    ) -> None:
        self._inputs, self._sources, self._grid = inputs, sources, grid
        self._settings = settings
        asked = sources.select(
            pl.any_horizontal(pl.selectors.string() == "pressure", "is_stroke_inferred").any()
        )
        self._knees: PressureKnees | None = pressure_knees(grid) if asked.item() else None

    def compressor(self) -> pl.DataFrame:
        """Starts and stops, those at a pressure limit as cut-outs."""
        kinds = ("compressor_on", "compressor_off")
        steps = compressor_steps(self._inputs.ordered, self._settings)
        found = [_sized(self._where(steps, compressor_source="command"), kinds)]
        if self._knees is not None:
            edges = compressor_edges(self._knees, self._is_fixed(), self._settings)
            found.append(_inferred(self._where(edges, compressor_source="pressure"), kinds))
        events = pl.concat(found).sort("test_number", "time_s")
        return name_cut_outs(events, self._grid, self._settings)

    def fan(self, compressor: pl.DataFrame, engine: pl.DataFrame) -> pl.DataFrame:
        """Changes of the condenser fan."""
        steps = fan_steps(self._inputs.ordered, self._settings)
        found = [_sized(self._where(steps, fan_source="command"), ("fan_up", "fan_down"))]
        if self._knees is not None:
            is_stirred = self._is_after(_named(compressor, "compressor_on"), _STARTING_S)
            is_stirred |= self._is_after(engine, _ENGINE_SHADOW_S[1])
            edges = fan_edges(self._knees, is_stirred, self._is_fixed(), self._settings)
            edges = self._where(edges, fan_source="pressure")
            edges = _outside(edges, compressor, _COMPRESSOR_SHADOW_S)
            kinds = ("fan_down", "fan_up")
            inferred = pl.concat([_inferred(x, kinds) for x in _not_of_engine(edges, engine)])
            found.append(self._not_of_stroke(inferred))
        return pl.concat(found)

    def displacement(
        self, compressor: pl.DataFrame, engine: pl.DataFrame, fan: pl.DataFrame
    ) -> pl.DataFrame:
        """Changes of stroke or speed of a compressor that runs on."""
        kinds = ("displacement_up", "displacement_down")
        command = moves.command_moves(self._grid, self._settings)
        speed = moves.speed_moves(self._grid, "compressor_rpm", self._settings)
        power = moves.speed_moves(self._grid, "compressor_power_w", self._settings)
        found = [
            _sized(
                self._where(command.rename({"size": "size_pct"}), displacement_source="command"),
                kinds,
            ),
            _sized(
                self._where(speed.rename({"size": "size_rpm"}), displacement_source="speed"), kinds
            ),
            _sized(self._where(power, displacement_source="power"), kinds),
        ]
        if self._knees is not None:
            edges = stroke_edges(self._knees, self._is_fixed(), self._settings)
            edges = edges.join(
                self._sources.filter(pl.col("is_stroke_inferred")).select("test_number"),
                on="test_number",
                how="semi",
                maintain_order="left",
            )
            edges = _outside(edges, pl.concat(found), _STROKE_SHADOW_S)
            found += [
                _inferred(_outside(own, fan, _FAN_SHADOW_S), kinds)
                for own in _not_of_engine(edges, engine)
            ]
        return _outside(pl.concat(found), compressor, _STROKE_SHADOW_S)

    def engine(self) -> pl.DataFrame:
        """Changes of the engine speed."""
        found = moves.engine_moves(self._grid, self._settings).rename({"size": "size_rpm"})
        kinds = ("engine_faster", "engine_slower")
        return _sized(self._where(found, engine_source="command"), kinds)

    def others(self) -> pl.DataFrame:
        """Changes of blower and recirculation flap."""
        blower = moves.blower_moves(self._grid, self._settings)
        flap = moves.recirculation_moves(self._grid, self._settings)
        return pl.concat(
            [
                _sized(blower.rename({"size": "size_pct"}), ("blower_up", "blower_down")),
                _sized(
                    flap.rename({"size": "size_pct"}), ("recirculation_on", "recirculation_off")
                ),
            ]
        )

    def icing(self, compressor: pl.DataFrame) -> pl.DataFrame:
        """Restarts after which an iced evaporator was free."""
        inputs = self._inputs
        found = find_recoveries(compressor, self._grid, inputs.ordered, inputs.tests)
        told = self._where(found, icing_source="air")
        return _found(told, kind_code=pl.lit("icing_recovery"), source_code=pl.lit("air"))

    def clamps(self) -> pl.DataFrame:
        """Clamps that the trust rules saw moving."""
        tests = self._sources.select("test_number").join(
            self._inputs.tests.select("test_id", "test_number"), on="test_number"
        )
        moved = self._inputs.clamp_moves.join(tests, on="test_id").rename({"from_s": "time_s"})
        return _found(moved, kind_code=pl.lit("clamp_move"), source_code=pl.lit("trust"))

    def _where(self, frame: pl.DataFrame, **wanted: str) -> pl.DataFrame:
        """The rows of tests whose event source is the one wanted."""
        tests = self._sources.filter(**wanted).select("test_number")
        return frame.join(tests, on="test_number", how="semi", maintain_order="left")

    def _not_of_stroke(self, fan: pl.DataFrame) -> pl.DataFrame:
        """The fan events whose low side stays or goes along, where a stroke could change.

        A compressor that does more or less would move it against the high side.
        """
        tests = self._inputs.tests.filter(compressor="fixed_clutch").select("test_number")
        fixed = fan.join(tests, on="test_number", how="semi", maintain_order="left")
        others = fan.join(tests, on="test_number", how="anti", maintain_order="left")
        along = pl.col("low_side_change_kpa") * pl.col("high_side_swing_kpa").sign()
        against = pl.max_horizontal(
            _LOW_SIDE_AGAINST_SHARE * pl.col("high_side_swing_kpa").abs(), _LOW_SIDE_AGAINST_KPA
        )
        answered = add_responses(others.sort("test_number", "time_s"), self._grid)
        kept = answered.filter((along >= -against).fill_null(value=True))
        return pl.concat([fixed, kept.select(fan.columns)])

    def _is_fixed(self) -> NDArray[np.float64]:
        """Of every cell: 1 a compressor of fixed stroke, 0 another, NaN not known."""
        tests = self._inputs.tests
        known = tests.select(
            "test_number", is_fixed=(pl.col("compressor") == "fixed_clutch").cast(pl.Float64)
        ).sort("test_number")
        numbers = known["test_number"].to_numpy().astype(np.int64)
        values = known["is_fixed"].fill_null(np.nan).to_numpy()
        at = np.clip(np.searchsorted(numbers, self._grid.test), 0, numbers.size - 1)
        return np.where(self._grid.test >= 0, values[at], np.nan)

    def _is_after(self, events: pl.DataFrame, for_s: float) -> NDArray[np.bool_]:
        """Of every cell: within so long after an event."""
        test = events["test_number"].to_numpy().astype(np.int64)
        time_s = events["time_s"].to_numpy()
        edge = np.zeros(self._grid.test.size + 1, dtype=np.int64)
        if test.size:
            np.add.at(edge, self._grid.places(test, time_s), 1)
            np.add.at(edge, self._grid.places(test, time_s + for_s) + 1, -1)
        return np.asarray(np.cumsum(edge)[:-1] > 0)


def _named(events: pl.DataFrame, *kinds: str) -> pl.DataFrame:
    return events.filter(pl.col("kind_code").is_in(kinds))


def _not_of_engine(edges: pl.DataFrame, engine: pl.DataFrame) -> list[pl.DataFrame]:
    """The rises, and the falls, that a change of the engine speed does not explain.

    A faster engine pushes the high side up, a slower one lets it fall.
    """
    return [
        _outside(edges.filter(is_rise=is_rise), _named(engine, kind), _ENGINE_SHADOW_S)
        for is_rise, kind in ((True, "engine_faster"), (False, "engine_slower"))
    ]


def _found(frame: pl.DataFrame, **columns: pl.Expr) -> pl.DataFrame:
    """A frame of `_FOUND_SCHEMA`; what it lacks is null."""
    full = frame.with_columns(**columns)
    absent = [name for name in _FOUND_SCHEMA if name not in full.columns]
    return full.with_columns(pl.lit(None).alias(name) for name in absent).select(
        pl.col(name).cast(dtype) for name, dtype in _FOUND_SCHEMA.items()
    )


def _sized(steps: pl.DataFrame, kinds: tuple[str, str]) -> pl.DataFrame:
    """Logged steps and moves as events; `kinds` are for a rise and for a fall."""
    sizes = [name for name in ("size_pct", "size_rpm", "size") if name in steps.columns]
    is_rise = pl.coalesce(sizes) > 0
    kind = pl.when(is_rise).then(pl.lit(kinds[0])).otherwise(pl.lit(kinds[1]))
    return _found(steps, kind_code=kind, source_code=pl.lit("command"))


def _inferred(edges: pl.DataFrame, kinds: tuple[str, str]) -> pl.DataFrame:
    """Edges of the pressures as events; `kinds` are for a rise and for a fall."""
    kind = pl.when(pl.col("is_rise")).then(pl.lit(kinds[0])).otherwise(pl.lit(kinds[1]))
    return _found(edges, kind_code=kind, source_code=pl.lit("pressure"))


def _outside(
    frame: pl.DataFrame, others: pl.DataFrame, shadow_s: tuple[float, float]
) -> pl.DataFrame:
    """The rows that no other event of the same test explains, from so long before to after it."""
    sides: tuple[tuple[Literal["backward", "forward"], float], ...] = (
        ("forward", shadow_s[0]),
        ("backward", shadow_s[1]),
    )
    near = others.select("test_number", "time_s", near_s="time_s").sort("test_number", "time_s")
    kept = frame.sort("test_number", "time_s")
    for strategy, within_s in sides:
        is_far = (pl.col("time_s") - pl.col("near_s")).abs() > within_s
        kept = (
            kept.join_asof(
                near, on="time_s", by="test_number", strategy=strategy, check_sortedness=False
            )
            .filter(is_far.fill_null(value=True))
            .drop("near_s")
        )
    return kept
