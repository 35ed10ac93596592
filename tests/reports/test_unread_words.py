"""Reasons without a window as the pages tell them; sentences are built by `features.unread`."""

from __future__ import annotations

import pytest

from features.unread import Obstacle
from reports.settings import ReportSettings
from reports.unread import read_unread

NBSP = "\N{NO-BREAK SPACE}"
METRIC = ReportSettings()
US = ReportSettings(pressure_unit="psi", temperature_unit="degF")

FIGURES = {
    "ratio": 1.5, "asked_s": 780.0, "top": 1.02, "fall": 1.2, "ran_s": 95.0, "settle_s": 180.0,
    "window_s": 60.0, "free_s": 120.0,
    "minutes": 5, "least": 2, "channels": "low side, duct air", "words": "low side", "share": 0.26,
}  # fmt: skip


def read(obstacle, settings=METRIC, channel=None, **figures):
    row = {
        "reason_code": obstacle.code, "channel": channel,
        "sentence": obstacle.value.format(**FIGURES | figures),
    }  # fmt: skip
    return read_unread(row, settings)


@pytest.mark.parametrize(
    ("obstacle", "brief"),
    [
        (Obstacle.RUNNING_NOT_KNOWN, "it cannot be told whether the compressor ran"),
        (Obstacle.NEVER_RAN, "the compressor never ran"),
        (
            Obstacle.ASKED_IN_VAIN,
            "asked to cool for 780 s, the compressor never parted the pressures",
        ),
        (
            Obstacle.STILL_PULLING_DOWN,
            "the air was still being pulled down, let the car run longer",
        ),
        (
            Obstacle.RAN_TOO_SHORT,
            "the compressor ran for 95 s at most, log at least 5 min of running",
        ),
        (Obstacle.CYCLES_UNEVEN, "the compressor cycled too unevenly for means over whole cycles"),
        (
            Obstacle.EVENTS_TOO_CLOSE,
            "no stretch of 120 s without switching, a change of the control or a gap",
        ),
        (
            Obstacle.TOO_FEW_CHANNELS,
            "fewer than 2 of low side, duct air are known while the car was settled",
        ),
        (
            Obstacle.NEVER_TOGETHER,
            "channels never settled all at once, least often the low side",
        ),
    ],
)
def test_the_gist_of_every_reason(obstacle, brief):
    told = read(obstacle)
    assert told.brief == brief
    assert told.sentence == obstacle.value.format(**FIGURES)
    assert (told.code, told.channel) == (obstacle.code, "")


@pytest.mark.parametrize(
    ("settings", "motions", "brief", "inside"),
    [
        (
            METRIC, "the suction line drifts by 1.8 K/min (1 allowed)",
            f"suction line never settled: drifted by 1.8{NBSP}K/min, limit 1",
            f"the suction line drifts by 1.8{NBSP}K/min (1 allowed)",
        ),
        (  # a difference of 1 K is one of 1.8 °F: 1.8 K = 3.24 °F
            US, "the suction line drifts by 1.8 K/min (1 allowed)",
            f"suction line never settled: drifted by 3.24{NBSP}°F/min, limit 1.8",
            f"the suction line drifts by 3.24{NBSP}°F/min (1.8 allowed)",
        ),
        (  # 100 kPa are 1 bar
            METRIC, "the low side swings by 12.5 kPa, 1 sd (8 allowed)",
            f"low side never settled: swung by 0.125{NBSP}bar, 1 sd, limit 0.08",
            f"the low side swings by 0.125{NBSP}bar, 1 sd (0.08 allowed)",
        ),
        (  # NIST SP 811: 1 psi = 6.894757 kPa; 1200 kPa = 174.05 psi, 30 kPa = 4.35 psi
            US, "the high side drifts by 1.2e+03 kPa/min (30 allowed)",
            f"high side never settled: drifted by 174{NBSP}psi/min, limit 4.35",
            f"the high side drifts by 174{NBSP}psi/min (4.35 allowed)",
        ),
        (  # 3 of 1 allowed is further off than 9 of 5 allowed
            METRIC,
            "duct air drifts by 3 K/min (1 allowed); engine speed swings by 9 1/min (5 allowed)",
            f"duct air never settled: drifted by 3{NBSP}K/min, limit 1; nor did the engine speed",
            f"engine speed swings by 9{NBSP}rpm (5 allowed)",
        ),
    ],
)  # fmt: skip
def test_motions_are_told_in_units_of_the_page(settings, motions, brief, inside):
    told = read(Obstacle.NEVER_SETTLED, settings, "low_side_kpa", motions=motions)
    assert told.brief == brief
    assert inside in told.sentence
    assert told.channel == "low_side_kpa"


def test_what_cannot_be_made_shorter_stays_whole():
    motions = "the liquid line has holes in every possible window"
    assert read(Obstacle.NEVER_SETTLED, motions=motions).brief == f"never settled: {motions}"
    row = {"reason_code": "of_a_later_kind", "channel": None, "sentence": "moon at 3 °C"}
    assert read_unread(row, US).brief == f"moon at 37.4{NBSP}°F"
    assert read_unread(row | {"sentence": None}, US).brief == "of a later kind"
