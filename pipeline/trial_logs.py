"""The logs of a trial read through the door, as any log is.

Takes contexts of tests and the workshop, gives samples and the tests whose log was refused.
Does not belong here: what is judged of them (`trust_verdicts`, `reading_verdicts`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from pipeline.readers import LogRequest, read_logs

if TYPE_CHECKING:
    from pipeline.log_batches import Workshop
    from pipeline.progress import Progress

_LOGS_READ_TOGETHER = 100
_STORED_DECIMALS = 4


def read_trial_logs(
    contexts: pl.DataFrame, workshop: Workshop, progress: Progress
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Samples of the logs, and the tests whose log was refused: test_id, code."""
    samples, refused = [], []
    for some in contexts.iter_slices(_LOGS_READ_TOGETHER):
        requests = [
            LogRequest(
                path=row["log_path"],
                file=workshop.logs_folder / row["log_path"],
                test_id=row["test_id"],
                profile=row["profile"],
                barometric_kpa=row["barometric_kpa"],
                altitude_m=row["altitude_m"],
            )
            for row in some.iter_rows(named=True)
        ]
        batch = read_logs(requests, workshop.door)
        samples.append(batch.samples.with_columns(pl.selectors.float().round(_STORED_DECIMALS)))
        whole = batch.refusals.filter(pl.col("column_name").is_null())
        named = whole.join(some, left_on="path", right_on="log_path")
        refused.append(named.select("test_id", "code"))
        progress.advance(some.height)
    return pl.concat(samples, how="diagonal"), pl.concat(refused)
