"""The invented scenario: workshops, technicians, instruments, protocols, bad build batches.

Every name is made up. Frozen records only: no random choice (`fleet`, `lives`). Does not
belong here: car models (`car_models`), weather (`climate`), faults (`troubles`).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True)
class Technician:
    """How well one technician works; shares from 0 to 1.

    `finds_cause` of a complaint, `clamps_well` and insulates, `is_sloppy`: share of tests run
    without a protocol or with a mishap of the sensors.
    """

    technician_id: str
    finds_cause: float
    clamps_well: float
    is_sloppy: float


@dataclass(frozen=True)
class Site:
    """A workshop: where it lies, how warm and damp its summers are, and how it works.

    `charge_bias` and `charge_error` of what it fills, relative to the nominal charge;
    `leaves_leaks`: share of found leaks that are only topped up; `retests`: share of repairs
    followed by a test; `evacuates_badly`: share of openings that leave air in the circuit.
    """

    site_id: str
    region: str
    altitude_m: float
    warmer_k: float
    humidity_pct: float
    share: float
    charge_bias: float
    charge_error: float
    leaves_leaks: float
    retests: float
    evacuates_badly: float
    technicians: tuple[Technician, ...]
    instruments: tuple[str, ...]


SITES: tuple[Site, ...] = (
    Site(
        "low_quay", "shore", 6.0, 0.0, 62.0, 0.24,
        charge_bias=0.0, charge_error=0.02, leaves_leaks=0.15, retests=0.85, evacuates_badly=0.01,
        technicians=(
            Technician("tec_01", 0.90, 0.90, 0.02), Technician("tec_02", 0.80, 0.80, 0.04),
            Technician("tec_03", 0.70, 0.60, 0.10),
        ),
        instruments=("inst_a", "inst_d"),
    ),
    Site(
        "mid_plain", "plain", 310.0, 2.5, 50.0, 0.22,
        charge_bias=0.0, charge_error=0.03, leaves_leaks=0.25, retests=0.70, evacuates_badly=0.03,
        technicians=(
            Technician("tec_04", 0.85, 0.75, 0.05), Technician("tec_05", 0.65, 0.70, 0.08),
        ),
        instruments=("inst_b", "inst_e"),
    ),
    Site(
        "dry_basin", "basin", 760.0, 4.5, 33.0, 0.18,
        charge_bias=0.10, charge_error=0.06, leaves_leaks=0.30, retests=0.55, evacuates_badly=0.04,
        technicians=(
            Technician("tec_06", 0.70, 0.65, 0.08), Technician("tec_07", 0.55, 0.55, 0.12),
        ),
        instruments=("inst_c", "inst_f"),
    ),
    Site(
        "high_fold", "heights", 1585.0, -1.5, 42.0, 0.12,
        charge_bias=-0.02, charge_error=0.05, leaves_leaks=0.35, retests=0.40, evacuates_badly=0.12,
        technicians=(Technician("tec_08", 0.65, 0.60, 0.15),),
        instruments=("inst_g",),
    ),
    Site(
        "new_ferry", "shore", 12.0, 1.0, 58.0, 0.14,
        charge_bias=0.02, charge_error=0.05, leaves_leaks=0.80, retests=0.30, evacuates_badly=0.05,
        technicians=(
            Technician("tec_09", 0.50, 0.50, 0.15), Technician("tec_10", 0.60, 0.65, 0.10),
        ),
        instruments=("inst_h",),
    ),
    Site(
        "old_mill", "plain", 240.0, 2.0, 48.0, 0.10,
        charge_bias=0.0, charge_error=0.015, leaves_leaks=0.05, retests=0.95, evacuates_badly=0.0,
        technicians=(Technician("tec_11", 0.95, 0.95, 0.01),),
        instruments=("inst_i",),
    ),
)  # fmt: skip
SITE: dict[str, Site] = {site.site_id: site for site in SITES}


@dataclass(frozen=True)
class Instrument:
    """A data logger with its clamps and transducers: dialect, packing, accuracy (95 %)."""

    instrument_id: str
    dialect: str
    packing: str
    low_side_kpa: float
    high_side_kpa: float
    temperature_k: float
    calibrated_on: str


INSTRUMENTS: tuple[Instrument, ...] = (
    Instrument("inst_a", "header_block_imperial", "", 5.0, 20.0, 0.8, "2025-02-11"),
    Instrument("inst_b", "semicolon_metric", "", 4.0, 15.0, 0.6, "2025-03-04"),
    Instrument("inst_c", "long_parquet", "", 3.0, 12.0, 0.5, "2025-01-20"),
    Instrument("inst_d", "semicolon_metric", "gz", 4.0, 15.0, 0.6, "2024-11-18"),
    Instrument("inst_e", "long_parquet", "", 3.0, 12.0, 0.5, "2025-03-19"),
    Instrument("inst_f", "header_block_imperial", "zst", 6.0, 22.0, 0.9, "2024-09-02"),
    Instrument("inst_g", "header_block_imperial", "", 5.0, 20.0, 0.8, "2025-02-25"),
    Instrument("inst_h", "timestamp_comma", "", 6.0, 20.0, 0.8, "2024-06-17"),
    Instrument("inst_i", "timestamp_comma", "", 3.0, 12.0, 0.5, "2025-04-02"),
)
INSTRUMENT: dict[str, Instrument] = {each.instrument_id: each for each in INSTRUMENTS}
MDF_INSTRUMENTS = ("inst_c", "inst_i")
"""Loggers that can also write ASAM MDF 4; they do so only when asked to."""


@dataclass(frozen=True)
class Protocol:
    """How a test is run; `set_point_c` is None where the controls stand at full cold.

    A sloppy one is broken off early, changes blower and engine speed midway and is not noted.
    """

    label: str
    share: float
    engine_rpm: float
    blower_pct: float
    doors_open: bool
    recirculation: str
    recirculated_share: float
    set_point_c: float | None
    is_sloppy: bool = False


PROTOCOLS: tuple[Protocol, ...] = (
    Protocol(
        "full_cold_1500", 0.45, 1500.0, 100.0, doors_open=True,
        recirculation="recirculated", recirculated_share=0.88, set_point_c=None,
    ),
    Protocol(
        "full_cold_idle", 0.35, 800.0, 100.0, doors_open=True,
        recirculation="recirculated", recirculated_share=0.88, set_point_c=None,
    ),
    Protocol(
        "auto_idle", 0.20, 800.0, 60.0, doors_open=False,
        recirculation="fresh", recirculated_share=0.10, set_point_c=22.0,
    ),
)  # fmt: skip
QUICK_LOOK = Protocol(
    "quick_look", 0.0, 1100.0, 80.0, doors_open=False,
    recirculation="mixed", recirculated_share=0.5, set_point_c=None, is_sloppy=True,
)  # fmt: skip
"""What a technician in a hurry does instead of a protocol."""


@dataclass(frozen=True)
class Batch:
    """Cars of one model built within a span of days that share a defect from the works.

    `kind` is a fault of the plant, `leak` or `short_charged`; `size` its severity, g per year
    or the missing share of the charge; `affected` the share of the batch that has it.
    """

    batch_id: str
    model_id: str
    built_from: date
    built_to: date
    kind: str
    size: float
    affected: float
    supplier: str


BATCHES: tuple[Batch, ...] = (
    Batch("bad_1", "osmelto_saloon", date(2023, 3, 1), date(2023, 6, 30),
          "leak", 150.0, 0.60, "sup_orlun"),
    Batch("bad_2", "brelku_van", date(2022, 9, 1), date(2022, 12, 31),
          "short_charged", 0.27, 0.80, "works_two"),
    Batch("bad_3", "pelvarn_pickup", date(2021, 5, 1), date(2021, 8, 31),
          "compressor_wear", 0.75, 0.50, "sup_keddar"),
    Batch("bad_4", "garvesk_estate", date(2023, 10, 1), date(2024, 1, 31),
          "valve_hunting", 0.8, 0.50, "sup_tessgo"),
)  # fmt: skip
