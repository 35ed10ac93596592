"""ASAM MDF 4 files: one channel group at 1 Hz, units as MDF units, through asammdf.

Needs the optional extra `mdf`; the import waits until a file is written, since it is slow and
brings pandas, which nothing else here uses. Same readings, same bytes: every time stamp in
the file is the log's own. Does not belong here: other dialects (`dialects`).
"""

from __future__ import annotations

import io
from datetime import UTC
from importlib import import_module
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from types import ModuleType

    from synthetic.dialects import Recording

_UNITS = {
    "pressure": "kPa", "temperature": "degC", "share": "%", "speed": "rpm", "power": "W",
    "switch": "",
}  # fmt: skip
_HISTORY = (
    "<FHcomment><TX>test log</TX><tool_id>simulated logger</tool_id>"
    "<tool_vendor>invented</tool_vendor><tool_version>1</tool_version></FHcomment>"
)
_GROUP = "performance test"


class MdfMissingError(RuntimeError):
    """MDF was asked for, but its library is not installed."""


def _asammdf() -> ModuleType:
    try:
        import asammdf  # noqa: PLC0415 - slow, optional
    except ImportError as error:
        raise MdfMissingError(
            "MDF 4 logs need asammdf, which is not installed; install the extra `mdf` "
            "(pip install 'chillroster[mdf]') or leave MDF logs out"
        ) from error
    return asammdf


def _signals(log: Recording, asammdf: ModuleType) -> list[Any]:
    """One signal per sensor; samples that are missing are marked invalid."""
    seconds = log.seconds.astype(np.float64)
    signals = []
    for sensor in log.sensors:
        values = log.readings[sensor.curve]
        is_missing = np.isnan(values)
        signals.append(
            asammdf.Signal(
                samples=np.round(np.where(is_missing, 0.0, values), 3),
                timestamps=seconds,
                unit=_UNITS[sensor.kind],
                name=sensor.long,
                comment="absolute pressure" if sensor.kind == "pressure" else "",
                invalidation_bits=is_missing,
            )
        )
    return signals


def mdf4(log: Recording) -> bytes:
    """An MDF 4.10 file of the recording."""
    asammdf = _asammdf()
    # left to itself the library would write the time of writing
    file_history = import_module("asammdf.blocks.v4_blocks").FileHistory
    started = log.started_at.astimezone(UTC)
    with asammdf.MDF(version="4.10") as mdf:
        mdf.start_time = started
        mdf.append(_signals(log, asammdf), comment=_GROUP, acq_name=log.instrument_id)
        entry = file_history()
        entry.comment, entry.time_stamp = _HISTORY, started
        mdf.file_history.append(entry)
        buffer = io.BytesIO()
        mdf.save(buffer, compression=2, add_history_block=False)
        return buffer.getvalue()
