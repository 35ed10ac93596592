"""Settings of the store: what DuckDB may take of the machine, how much is read at a time.

Holds `StoreSettings`, which the workspace's settings file composes as `[store]`. Does
not belong here: where the files lie (`workspace`).
"""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

_SIZE = r"^[1-9][0-9]*(\.[0-9]+)?(MB|GB|TB)$"


class StoreSettings(BaseModel):
    """Limits of the database and of reading; none of them changes a result."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    memory_limit: str = Field(
        default="512MB", pattern=_SIZE, description="Most memory the database may use."
    )
    threads: int = Field(default=2, ge=1, le=256, description="Threads the database may use.")
    temp_limit: str = Field(
        default="4GB",
        pattern=_SIZE,
        description="Most disk the database may use for work that does not fit in memory.",
    )
    # a transaction of some 350,000 samples fills whole row groups of the database; much
    # smaller ones make it rewrite them, which doubled both time and file size when measured
    batch_logs: int = Field(
        default=400, ge=1, le=5000, description="Most logs read and stored together."
    )
    batch_megabytes: int = Field(
        default=64,
        ge=1,
        le=4096,
        description="Most megabytes of log files read and stored together.",
    )
    workers: int = Field(
        default=0,
        ge=0,
        le=256,
        description=(
            "How many processes read logs and work out their features, each with some hundred "
            "megabytes of memory; 0 is one for each processor core. Fewer are begun where there "
            "is little to read."
        ),
    )
