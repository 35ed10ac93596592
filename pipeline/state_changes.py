"""Changes between runs: which states changed, and which inputs moved them.

Takes what the states before were made from and what they are made from now, gives the rows
of `STATE_CHANGES`. A change is laid to what differs of the car itself (a log, its rows of
the registry, what a person recorded), to settings and program; where none of these differ,
to the baselines; and where they do not either, to the passing of time. Where both the car and
the baselines are others, what the baselines before would have said of the car now tells which
of them moved it. Does not belong here: judging (`models`), storing (`assess`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from pipeline.fingerprints import hash_values
from pipeline.state_tables import STATE_CHANGES, STATE_INPUTS, Mover

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from models.assess import AssessmentInputs

    Row = Mapping[str, Any]

_DIGITS = 12
_MOST_TOLD = 10


def state_inputs(
    states: pl.DataFrame,
    logs: pl.DataFrame,
    inputs: AssessmentInputs,
    fleet: Mapping[str, object],
) -> pl.DataFrame:
    """One row per vehicle: its state and fingerprints of all that it was made from.

    Parameters
    ----------
    states, logs : frame
        STATES, and the stored rows of LOGS.
    inputs : AssessmentInputs
    fleet : mapping
        settings_hash, code_hash and judged_on, the same for all.
    """
    of_logs = _by_vehicle(
        logs.select(
            "vehicle_id",
            pl.concat_str(
                "test_id",
                pl.col("content_hash").str.head(_DIGITS),
                pl.col("inputs_hash").str.head(_DIGITS),
                separator=":",
            ),
        ).sort(pl.all())
    )
    of_models = {row["model_id"]: tuple(row.values()) for row in inputs.models.to_dicts()}
    of_cars = _by_vehicle(inputs.vehicles)
    of_repairs, of_tests = _by_vehicle(inputs.repairs), _by_vehicle(inputs.context)
    recorded = _by_vehicle(inputs.dispositions)
    rows = [
        {
            "vehicle_id": car,
            "state": state,
            "handling_code": handling,
            "logs": " ".join(values[1] for values in of_logs.get(car, [])),
            "registry_hash": hash_values(
                of_cars.get(car), of_models.get(model), of_repairs.get(car), of_tests.get(car)
            ),
            "dispositions_hash": hash_values(recorded.get(car)),
            "baseline_version": version,
            **fleet,
        }
        for car, model, state, handling, version in states.select(
            "vehicle_id", "model_id", "state", "handling_code", "baseline_version"
        ).iter_rows()
    ]
    return STATE_INPUTS.conform(pl.DataFrame(rows, schema=STATE_INPUTS.schema)).sort("vehicle_id")


def _by_vehicle(frame: pl.DataFrame) -> dict[str, list[tuple[Any, ...]]]:
    place = frame.columns.index("vehicle_id")
    grouped: dict[str, list[tuple[Any, ...]]] = {}
    for row in frame.iter_rows():
        grouped.setdefault(row[place], []).append(row)
    return grouped


def changes(
    before: pl.DataFrame,
    after: pl.DataFrame,
    run_number: int,
    clock: datetime,
    by_earlier: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """The vehicles whose state or handling differs, each with what moved it.

    `before` and `after` are `STATE_INPUTS`; of a store that had no states before, nothing
    counts as a change. `by_earlier` are the STATES that the baselines before would give now,
    where that is known.
    """
    if before.is_empty():
        return STATE_CHANGES.empty()
    earlier = {row["vehicle_id"]: row for row in before.iter_rows(named=True)}
    later = {row["vehicle_id"]: row for row in after.iter_rows(named=True)}
    otherwise = {} if by_earlier is None else {r["vehicle_id"]: r for r in by_earlier.to_dicts()}
    rows = []
    for car in sorted(earlier.keys() | later.keys()):
        old, new = earlier.get(car), later.get(car)
        if old and new and _shown(old) == _shown(new):
            continue
        movers = [mover for mover in Mover if mover in _movers(old, new, otherwise.get(car))]
        rows.append(
            {
                "run_number": run_number,
                "vehicle_id": car,
                "changed_at": clock,
                "earlier_state": old and old["state"],
                "state": new and new["state"],
                "earlier_handling_code": old and old["handling_code"],
                "handling_code": new and new["handling_code"],
                "mover_codes": " ".join(mover.code for mover in movers),
                "sentence": _sentence(car, old, new, movers),
            }
        )
    return STATE_CHANGES.conform(pl.DataFrame(rows, schema=STATE_CHANGES.schema))


def _shown(row: Row) -> tuple[str, str | None]:
    return row["state"], row["handling_code"]


def _movers(old: Row | None, new: Row | None, by_earlier: Row | None) -> set[Mover]:
    if old is None or new is None:
        return {Mover.REGISTRY}
    own = _own_movers(old, new)
    if old["baseline_version"] == new["baseline_version"]:
        return own or {Mover.TIME}
    if by_earlier is None:
        return own or {Mover.BASELINE}
    if _shown(by_earlier) == _shown(new):
        return own or {Mover.TIME}
    return {Mover.BASELINE} if _shown(by_earlier) == _shown(old) else own | {Mover.BASELINE}


def _own_movers(old: Row, new: Row) -> set[Mover]:
    """What differs besides the baselines."""
    own = _log_movers(old, new)
    columns = {
        Mover.REGISTRY: "registry_hash",
        Mover.DISPOSITION: "dispositions_hash",
        Mover.SETTINGS: "settings_hash",
        Mover.CODE: "code_hash",
    }
    own |= {mover for mover, name in columns.items() if old[name] != new[name]}
    if not own and old["logs"] != new["logs"]:
        # read again with the same content, row and program: with other settings, then
        return {Mover.SETTINGS}
    return own


def _log_movers(old: Row, new: Row) -> set[Mover]:
    before, after = _contents(old["logs"]), _contents(new["logs"])
    movers = set()
    if after.keys() - before.keys():
        movers.add(Mover.NEW_LOG)
    if any(after.get(test) != content for test, content in before.items()):
        movers.add(Mover.CHANGED_LOG)
    return movers


def _contents(logs: str | None) -> dict[str, str]:
    """Content by test, without what it was read with."""
    parts = [one.rsplit(":", 2) for one in (logs or "").split()]
    return {part[0]: part[1] for part in parts}


def _sentence(car: str, old: Row | None, new: Row | None, movers: list[Mover]) -> str:
    because = " and ".join(mover.value for mover in movers)
    if old and new and Mover.BASELINE in movers:
        because += f" (version {old['baseline_version']} to {new['baseline_version']})"
    if old is None and new is not None:
        return f"{car} is new: {_words(new)}."
    if new is None or old is None:
        return f"{car} is no longer in the registry."
    return f"{car}: from {_words(old)} to {_words(new)}, by {because}."


def _words(row: Row) -> str:
    handling = f" ({row['handling_code']})" if row["handling_code"] else ""
    return f"{row['state']}{handling}"


def change_lines(changed: pl.DataFrame) -> list[str]:
    """The changes for the terminal, those to `service` first; the rest counted."""
    if changed.is_empty():
        return []
    first = changed.sort(pl.col("state").ne_missing("service"), "vehicle_id")
    lines = [f"{changed.height} state{'s' if changed.height > 1 else ''} changed:"]
    lines += [f"  {sentence}" for sentence in first["sentence"].head(_MOST_TOLD)]
    if changed.height > _MOST_TOLD:
        more = changed.height - _MOST_TOLD
        lines.append(f"  and {more} more: `chillroster export --table state_changes`")
    return lines
