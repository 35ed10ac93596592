"""The command `score`: its options, what they ask for.

Imported by the command line at once, so light. Does not belong here: running a trial
(`score_command`).
"""

from __future__ import annotations

import typer

from pipeline.options import (  # noqa: TC001 - typer reads the annotations as it runs
    CleanLogsOption,
    DebugOption,
    FleetOption,
    JsonOption,
    KindsOption,
    LogsOption,
    ReadingsOption,
    ScorePageOption,
    ScoreTestsOption,
    ScoreVehiclesOption,
    SeedOption,
    TrialOption,
    TrustOption,
    TruthOption,
)
from pipeline.terminal import say
from pipeline.told_failures import failures_told, require_known

READINGS, TESTS_PER_VEHICLE = 300, 3


def score(  # noqa: PLR0913, PLR0917 - one parameter per option
    trust: TrustOption = False,
    readings: ReadingsOption = False,
    fleet: FleetOption = False,
    logs_per_mishap: LogsOption = 40,
    clean_logs: CleanLogsOption = 300,
    tests: ScoreTestsOption = None,
    vehicles: ScoreVehiclesOption = 2000,
    seed: SeedOption = 1,
    mishap: KindsOption = None,
    json_file: JsonOption = None,
    truth_file: TruthOption = None,
    page: ScorePageOption = None,
    folder: TrialOption = None,
    debug: DebugOption = False,
) -> None:
    """Measure the program's own rules on simulated logs whose truth is known."""
    with failures_told(debug):
        if trust + readings + fleet != 1:
            raise typer.BadParameter(
                "say what to score: `chillroster score` with one of `--trust`, `--readings`, "
                "`--fleet`"
            )
        from pipeline.fleet_trial import FleetOrder
        from pipeline.score_command import (
            ScoreFiles,
            tell_fleet_score,
            tell_reading_score,
            tell_trust_score,
        )
        from pipeline.score_trust import ANSWERS, TrialSize
        from synthetic.reading_trials import ReadingOrder

        files = ScoreFiles(json_file, truth_file, folder, page)
        if readings:
            say(tell_reading_score(ReadingOrder(seed, tests or READINGS), files))
            return
        if fleet:
            order = FleetOrder(seed, vehicles, tests or TESTS_PER_VEHICLE * vehicles)
            say(tell_fleet_score(order, files))
            return
        require_known("kind of mishap", mishap or [], list(ANSWERS))
        size = TrialSize(logs_per_mishap, clean_logs, seed, tuple(mishap or ()))
        say(tell_trust_score(size, files))
