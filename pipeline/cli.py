"""The command line: reads options, calls the steps, tells what they did.

Every command imports what it needs when it runs, so that `--help` answers at once. Results
go to the output stream, progress and errors to the error stream. No work belongs here.
"""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli_baselines import baselines
from pipeline.cli_bundle import bundle
from pipeline.cli_disposition import disposition
from pipeline.cli_recurrence import recurrence
from pipeline.cli_score import score
from pipeline.cli_shops import refrigerant_register, replacements, shops
from pipeline.cli_verdict import verdict
from pipeline.cli_warnings import warnings
from pipeline.options import (  # noqa: TC001 - typer reads the annotations as it runs
    ClockOption,
    DebugOption,
    RefitOption,
    StrictOption,
    WorkspaceOption,
)
from pipeline.terminal import prepare_streams, say
from pipeline.told_failures import failures_told, require_known

if TYPE_CHECKING:
    from pipeline.run import Order, StoreSummary
    from pipeline.workspace import Workspace

# 0 and 2 are given by the reading of the command line, the rest by `failures`.
EXIT_SOMETHING_REFUSED = 4

_EPILOG = """
Exit codes: 0 done; 1 unexpected failure; 2 wrong command line; 3 settings or registry of
the workspace, or the log asked about, have problems, nothing was stored; 4 with --strict:
done, but something was refused; 5 the workspace is being written to by another process. A
reader that closes the output early, such as `head`, ends neither the work nor changes the
code.
"""

app = typer.Typer(
    name="chillroster",
    help="Which cars' air conditioning is out of line with its own kind, and on what evidence.",
    epilog=" ".join(_EPILOG.split()),
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


class Format(StrEnum):
    """File format of an export."""

    PARQUET = "parquet"
    CSV = "csv"
    XLSX = "xlsx"


HERE = Path()


@app.command()
def demo(  # noqa: PLR0913, PLR0917 - the library takes one parameter per option
    folder: Annotated[Path, typer.Argument(help="New folder for the demo workspace.")] = Path(
        "chillroster-demo"
    ),
    vehicles: Annotated[int, typer.Option(min=1, help="Vehicles to simulate.")] = 200,
    tests: Annotated[int, typer.Option(min=1, help="Tests to simulate.")] = 600,
    seed: Annotated[int, typer.Option(help="Seed of the simulation.")] = 1,
    models: Annotated[int, typer.Option(min=1, max=10, help="Car models in the fleet.")] = 5,
    years: Annotated[
        int, typer.Option(min=1, max=20, help="Warm seasons that the tests are spread over.")
    ] = 2,
    mdf: Annotated[
        bool, typer.Option("--mdf", help="Let some loggers write ASAM MDF 4 (extra `mdf`).")
    ] = False,
    debug: DebugOption = False,
) -> None:
    """Simulate a fleet into a new workspace and run everything on it."""
    with failures_told(debug):
        from pipeline.demo import DemoOrder, make_demo
        from pipeline.progress import show_progress
        from pipeline.report import site_text

        if folder.exists() and any(folder.iterdir()):
            raise typer.BadParameter(
                f"{folder} exists and is not empty; name another folder, delete it, or bring it "
                f"up to date with `chillroster run --workspace {folder}`"
            )
        if mdf and find_spec("asammdf") is None:
            raise typer.BadParameter(
                "--mdf needs asammdf, which is not installed: pip install 'chillroster[mdf]'"
            )
        with show_progress() as progress:
            order = DemoOrder(folder, vehicles, tests, seed, models, years, mdf)
            made = make_demo(order, progress)
        _tell_store(made.store)
        say(site_text(made.site))
        say(f"What was simulated, fault by fault: {made.truth_folder}")
        say(f"Open this page: {made.site.index_path}")


@app.command()
def init(
    workspace: Annotated[
        Path, typer.Option("--workspace", "-w", help="The folder to make a workspace of.")
    ] = HERE,
    debug: DebugOption = False,
) -> None:
    """Write settings, empty registry files and an example profile."""
    with failures_told(debug):
        from pipeline.init import init_workspace

        made = init_workspace(workspace)
        say(f"Workspace made: {made.root}")
        say("Next, in that folder: put log files under logs/, fill models.csv, vehicles.csv and")
        say("tests.csv in registry/, then `chillroster check`. Log files whose pressures are gauge")
        say("pressures need `altitude_m` in chillroster.toml.")


@app.command()
def check(  # noqa: PLR0913, PLR0917  one parameter per option
    file: Annotated[
        Path | None,
        typer.Argument(help="One log file, here or under logs/; without it, the whole workspace."),
    ] = None,
    workspace: WorkspaceOption = HERE,
    each: Annotated[
        bool, typer.Option(help="Name every log with what it can be judged by.")
    ] = False,
    draft: Annotated[
        Path | None,
        typer.Option(help="Write a drafted profile for FILE here: what is seen, what is asked."),
    ] = None,
    strict: StrictOption = False,
    debug: DebugOption = False,
) -> None:
    """Say what can and cannot be read and assessed; nothing is stored."""
    with failures_told(debug):
        from pipeline.check import check_file, check_workspace, save_draft
        from pipeline.progress import show_progress

        if file is not None:
            file = _log_file(file, workspace)
        with show_progress() as progress:
            checked = (
                check_workspace(_workspace(workspace), progress, is_each=each)
                if file is None
                else check_file(file, workspace)
            )
        say(checked.text)
        if draft is not None:
            say(save_draft(checked, draft))
        if strict and checked.n_refused:
            raise typer.Exit(EXIT_SOMETHING_REFUSED)


@app.command()
def ingest(
    workspace: WorkspaceOption = HERE,
    clock: ClockOption = None,
    strict: StrictOption = False,
    debug: DebugOption = False,
) -> None:
    """Read new and changed logs and derive their features."""
    with failures_told(debug):
        summary = _update(_workspace(workspace), _order("ingest", clock, debug))
        _finish(summary, strict=strict)


@app.command()
def assess(
    workspace: WorkspaceOption = HERE,
    clock: ClockOption = None,
    refit: RefitOption = False,
    debug: DebugOption = False,
) -> None:
    """Compare every car with its own kind, from the features stored."""
    with failures_told(debug):
        order = _order("assess", clock, debug, is_refit=refit)
        _tell_store(_update(_workspace(workspace), order))


@app.command()
def report(
    workspace: WorkspaceOption = HERE,
    clock: ClockOption = None,
    debug: DebugOption = False,
) -> None:
    """Write the site from what was assessed last."""
    with failures_told(debug):
        _write_site(_workspace(workspace), clock)


@app.command()
def run(
    workspace: WorkspaceOption = HERE,
    clock: ClockOption = None,
    refit: RefitOption = False,
    strict: StrictOption = False,
    debug: DebugOption = False,
) -> None:
    """Ingest, assess and report; does only what changed."""
    with failures_told(debug):
        place = _workspace(workspace)
        order = _order("run", clock, debug, is_refit=refit)
        summary = _update(place, order)
        _tell_store(summary)
        _write_site(place, order.clock)
        _exit_if_refused(summary, strict=strict)


@app.command()
def rebuild(
    workspace: WorkspaceOption = HERE,
    clock: ClockOption = None,
    strict: StrictOption = False,
    debug: DebugOption = False,
) -> None:
    """Make the store anew from the raw files on disk."""
    with failures_told(debug):
        from pipeline.progress import show_progress
        from pipeline.rebuild import rebuild as rebuild_store

        place = _workspace(workspace)
        with show_progress() as progress:
            summary = rebuild_store(place, _order("rebuild", clock, debug), progress)
        _finish(summary, strict=strict)


@app.command()
def explain(
    vehicle: Annotated[str, typer.Argument(help="The vehicle, as the registry names it.")],
    workspace: WorkspaceOption = HERE,
    debug: DebugOption = False,
) -> None:
    """The evidence behind the state of one vehicle, in words."""
    with failures_told(debug):
        from pipeline.explain import UnknownVehicleError
        from pipeline.explain import explain as explain_vehicle
        from pipeline.run import open_published
        from pipeline.settings import read_settings

        place = _workspace(workspace)
        settings = read_settings(place)
        with open_published(place, settings) as store:
            try:
                say(explain_vehicle(store, vehicle, settings.report))
            except UnknownVehicleError as error:
                raise typer.BadParameter(str(error)) from error


@app.command()
def export(
    folder: Annotated[Path, typer.Argument(help="Folder for the files.")] = Path("export"),
    kind: Annotated[Format, typer.Option("--format", help="File format.")] = Format.PARQUET,
    table: Annotated[
        list[str] | None, typer.Option("--table", help="Only this table; may be repeated.")
    ] = None,
    workspace: WorkspaceOption = HERE,
    debug: DebugOption = False,
) -> None:
    """Write the tables as files. Text that looks like a formula is made plain text."""
    with failures_told(debug):
        from pipeline.export import export as export_tables
        from pipeline.progress import show_progress
        from pipeline.run import open_published
        from pipeline.settings import read_settings

        place = _workspace(workspace)
        with open_published(place, read_settings(place)) as store:
            require_known("table", table or [], [known.name for known in store.tables])
            with show_progress() as progress:
                summary = export_tables(store, folder, kind.value, progress, table or [])
        say(f"{summary.text} Folder: {folder.resolve()}")


app.command()(baselines)
app.command()(verdict)
app.command()(disposition)
app.command()(shops)
app.command()(replacements)
app.command("refrigerant-register")(refrigerant_register)
app.command()(bundle)
app.command()(warnings)
app.command()(score)
app.command()(recurrence)


def main() -> None:
    """Entry point of the command `chillroster`."""
    prepare_streams()
    app(prog_name="chillroster")


def _workspace(folder: Path) -> Workspace:
    from pipeline.workspace import find_workspace

    return find_workspace(folder)


def _log_file(file: Path, workspace: Path) -> Path:
    """The file named, else the log of that name in the workspace: the lists name logs so."""
    for path in (file, workspace / "logs" / file):
        if path.is_file():
            return path
    raise typer.BadParameter(f"there is no file {file}, nor {workspace / 'logs' / file}")


def _order(command: str, clock: datetime | None, debug: bool, *, is_refit: bool = False) -> Order:
    from pipeline.run import Order

    return Order(
        command,
        clock or datetime.now(UTC),
        does_ingest=command != "assess",
        does_assess=command != "ingest",
        is_debugging=debug,
        is_refit=is_refit,
    )


def _update(workspace: Workspace, order: Order) -> StoreSummary:
    from pipeline.progress import show_progress
    from pipeline.run import update_store

    with show_progress() as progress:
        return update_store(workspace, order, progress)


def _write_site(workspace: Workspace, clock: datetime | None) -> None:
    from pipeline.progress import show_progress
    from pipeline.report import site_text, write_report

    with show_progress() as progress:
        site = write_report(workspace, clock or datetime.now(UTC), progress)
    say(site_text(site))
    say(f"Open this page: {site.index_path}")


def _finish(summary: StoreSummary, *, strict: bool) -> None:
    _tell_store(summary)
    _exit_if_refused(summary, strict=strict)


def _exit_if_refused(summary: StoreSummary, *, strict: bool) -> None:
    if strict and summary.n_refused:
        raise typer.Exit(EXIT_SOMETHING_REFUSED)


def _tell_store(summary: StoreSummary) -> None:
    for line in summary.lines:
        say(line)
