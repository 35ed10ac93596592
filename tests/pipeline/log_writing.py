"""Small hand-made log files and the shortest way to read them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.log_requests import Door, LogRequest
from pipeline.profiles import shipped_profiles
from pipeline.readers import LogBatch, read_logs

if TYPE_CHECKING:
    from pathlib import Path

# NIST SP 811: 1 psi = 6.894757 kPa (rounded; exact 0.45359237 * 9.80665 / 0.0254**2 / 1000)
KPA_PER_PSI = 0.45359237 * 9.80665 / 0.0254**2 / 1000.0
SEA_LEVEL_KPA = 101.325


def write(folder: Path, name: str, content: str | bytes) -> Path:
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def request(path: Path, **known: object) -> LogRequest:
    return LogRequest(path.name, path, f"test-{path.name}", **known)


def door(**known: object) -> Door:
    return Door(**{"profiles": shipped_profiles(), "altitude_m": 0.0, **known})


def read_one(path: Path, *, with_door: Door | None = None, **known: object) -> LogBatch:
    return read_logs([request(path, **known)], with_door or door())


def values(batch: LogBatch, channel: str) -> list[float | None]:
    return batch.samples[channel].to_list()


def refusal_codes(batch: LogBatch) -> list[tuple[str | None, str]]:
    return batch.refusals.select("column_name", "code").rows()


def notice_codes(batch: LogBatch) -> list[tuple[str | None, str]]:
    return batch.notices.select("column_name", "code").rows()
