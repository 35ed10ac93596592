"""Writes the reference pages of this folder from the dictionaries in the code.

Run `poe docs` after a change to a channel, a feature, a registry column or a table; a test
fails while a page lags behind. Does not belong here: prose, which people write.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from features.catalogue import FEATURE_RECORDS
from features.channels import CHANNELS
from features.requirements import ways_to
from features.screening import LEAST_EVIDENCE, RULES
from features.trust.blind_spots import BLIND_SPOTS
from models.findings import JUDGED_FEATURE
from pipeline.headers import CHANNEL_NAMES, TIME_NAMES, UNIT_NAMES, VALUE_NAMES
from pipeline.schema_versions import SCHEMAS
from pipeline.store_schema import schema_fingerprint
from pipeline.store_tables import STORE_TABLES

if TYPE_CHECKING:
    from features.records import Feature

HERE = Path(__file__).parent
_TABLES_LEAD = (
    "`warehouse.duckdb` is a read-only snapshot, replaced as a whole after each run. The "
    "comments below are stored with the columns.\n"
)
_NOTE = "<!-- written by docs/make_pages.py; change the code, then run `poe docs` -->\n\n"


def _either(names: list[str]) -> str:
    return ", ".join(f"`{name}`" for name in names[:-1]) + f" or `{names[-1]}`"


def channels_page() -> str:
    """The page of measured quantities, one row per channel."""
    rows = [
        f"| `{c.name}` | {c.unit} | {c.station} | {c.lowest:g} to {c.highest:g} | {c.meaning} | "
        f"{', '.join(c.spoken)} |"
        for c in CHANNELS
    ]
    return _table_page(
        "Channels: what can be measured",
        "Stations of the circuit: 1 compressor suction, 2 compressor discharge, 3 condenser, "
        "4 liquid line before the internal heat exchanger, 5 expansion device inlet, "
        "6 evaporator inlet, 7 evaporator outlet. Pressures are absolute. A reading outside the "
        "plausible range is distrusted. A header may use the canonical name or one of the "
        "spoken names, followed by its unit; `temperature` or `pressure` may follow the name. "
        f"The time column is called {_either(sorted(TIME_NAMES))}. In the long form, one row per "
        f"time and channel, the other columns are called {_either(sorted(CHANNEL_NAMES))}; "
        f"{_either(sorted(VALUE_NAMES))}; {_either(sorted(UNIT_NAMES))}. Capitals do not count.",
        ("channel", "unit", "station", "plausible", "meaning", "spoken names in headers"),
        rows,
    )


def features_page() -> str:
    """The page of derived quantities, one row per feature."""
    rows = [
        f"| `{f.name}` | {f.unit} | {f.meaning} | {_ways(f)} | "
        f"{f.least_samples} | {f.validity or 'always'} | "
        f"{'yes' if f.name in JUDGED_FEATURE else 'no'} | {f.source} |"
        for f in FEATURE_RECORDS
    ]
    return _table_page(
        "Features: what is derived from a test",
        "Each is the median over the windows of one test and regime and carries its standard "
        "uncertainty in a column of its own. Where one of several sets of channels will do, the "
        "best stands first. `refrigerant` and `ambient_c` are noted in the registry. A feature "
        "of a window also needs to know whether the compressor runs (its switch, its command, or "
        "both pressures) and two channels of the circuit that can settle.",
        ("feature", "unit", "meaning", "needs", "least samples", "valid", "judged", "source"),
        rows,
    )


def _ways(feature: Feature) -> str:
    ways = [" + ".join(f"`{name}`" for name in sorted(way)) for way in ways_to(feature)]
    return " or ".join(ways)


def tables_page() -> str:
    """The page of the warehouse: every table with its grain and columns."""
    parts = [
        "# Tables of the warehouse\n\n",
        _NOTE,
        _TABLES_LEAD,
    ]
    for table in STORE_TABLES:
        parts.append(f"\n## {table.name}\n\n{table.grain}\n\n| column | type | meaning |\n")
        parts.append("| --- | --- | --- |\n")
        parts += [f"| `{c.name}` | {c.dtype} | {c.comment} |\n" for c in table.columns]
    return "".join(parts)


def trust_page() -> str:
    """The page of trust rules, one row per rule."""
    rows = [
        f"| `{code}` | {sentence} | {LEAST_EVIDENCE[code]} | {BLIND_SPOTS[code]} |"
        for code, sentence in RULES.items()
    ]
    return _table_page(
        "Trust rules: what of a log is believed",
        "A rule speaks of the data, never of the car. It is silent without its least evidence, "
        "and where a matter of the car explains the readings as well. Readings that a rule "
        "distrusts are left out of everything derived; the table `trust` says which, why, and "
        "what to do. How well the rules do stands in [trust_scores.md](trust_scores.md).",
        ("rule", "what it says", "least evidence", "what it cannot see"),
        rows,
    )


def _table_page(title: str, lead: str, heads: tuple[str, ...], rows: list[str]) -> str:
    line = f"| {' | '.join(heads)} |\n|{' --- |' * len(heads)}\n"
    return f"# {title}\n\n{_NOTE}{lead}\n\n{line}" + "\n".join(rows) + "\n"


PAGES = {
    "channels.md": channels_page,
    "features.md": features_page,
    "tables.md": tables_page,
    "trust.md": trust_page,
}


def note_schema() -> None:
    """Append the present version of the tables to those that the store has had."""
    fingerprint = schema_fingerprint(STORE_TABLES)
    if fingerprint not in SCHEMAS:
        file = HERE.parent / "pipeline" / "schema_versions.py"
        before, after = file.read_text(encoding="utf-8").split("\n)\n", 1)
        file.write_text(f'{before}\n    "{fingerprint}",\n)\n{after}', encoding="utf-8")


if __name__ == "__main__":
    note_schema()
    for name, page in PAGES.items():
        (HERE / name).write_text(page(), encoding="utf-8")
