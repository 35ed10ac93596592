"""Draws the calibration report of the simulator: `calibration.md` and its pictures.

Run `PYTHONPATH=. python docs/make_calibration.py` after a change to the simulator. Every number
on the page is worked out here, in this run; published values carry their source. Does not
belong here: tests, which hold the simulator to these values (`tests/synthetic`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import altair as alt
import calibration_runs as runs
import polars as pl
import vl_convert

HERE = Path(__file__).parent
PICTURES = HERE / "calibration"
_WIDTH, _HEIGHT = 430, 220
_SIMULATED, _PUBLISHED = "#1b6ca8", "#c05621"


@dataclass(frozen=True)
class Section:
    """One part of the report: a heading, prose with measured numbers, a picture."""

    name: str
    heading: str
    prose: str
    chart: Any


def _sized(chart: Any) -> Any:
    return chart.properties(width=_WIDTH, height=_HEIGHT)


def _line(frame: pl.DataFrame, x: alt.X, y: alt.Y, colour: str | None = None) -> Any:
    encoded = alt.Chart(frame).mark_line().encode(x=x, y=y)
    return encoded.encode(color=alt.Color(f"{colour}:N", title=None)) if colour else encoded


def charge_section() -> Section:
    """Capacity and subcooling against charge."""
    frame = runs.charge_sweep()
    short, over = (runs.share_at(frame, "capacity_pct", share) for share in (0.6, 1.2))
    over_cop = runs.share_at(frame, "cop_pct", 1.2)
    axis = alt.X("charge_pct:Q", title="charge, % of the middle of the reserve")
    capacity = _line(frame, axis, alt.Y("capacity_pct:Q", title="capacity, % of the best"))
    subcooling = _line(frame, axis, alt.Y("subcooling_k:Q", title="subcooling, K"))
    return Section(
        "charge",
        "Capacity and subcooling against charge",
        "Published (Atik & Aktas 2011, a car bench): the best charge is a broad optimum; 40 % "
        "less or 20 % more costs up to 25 % of capacity. Simulated, R-134a, fixed compressor, "
        "thermostatic valve, a small receiver, standing in 40 degC: "
        f"{short:.0f} % of the best capacity at -40 %, {over:.0f} % at +20 % with {over_cop:.0f} % "
        "of the efficiency: once the receiver is full, liquid backs up into the condensing tubes. "
        "Subcooling is flat over the reserve and then "
        "falls: a hinge, as the trade knows it (common practice, no source).",
        _sized(capacity) | _sized(subcooling),
    )


def drop_in_section() -> Section:
    """R-1234yf in an R-134a circuit against three publications' changes."""
    frame = runs.drop_in()
    chart = (
        alt.Chart(frame)
        .mark_point(filled=True, size=70)
        .encode(
            x=alt.X("change:Q", title="change with R-1234yf, % (discharge: K)"),
            y=alt.Y("quantity:N", title=None),
            color=alt.Color(
                "origin:N",
                title=None,
                scale=alt.Scale(domain=["simulated", "published"], range=[_SIMULATED, _PUBLISHED]),
            ),
        )
    )
    spans = [
        f"{name} {low:+.1f} to {high:+.1f}"
        for name, low, high in frame.filter(origin="simulated")
        .group_by("quantity", maintain_order=True)
        .agg(pl.col("change").min().alias("low"), pl.col("change").max().alias("high"))
        .iter_rows()
    ]
    return Section(
        "drop_in",
        "R-1234yf dropped into an R-134a circuit",
        "Published: capacity 4.0 % and COP 2.7 % lower, discharge 6.5 K lower (Lee & Jung, "
        "abstract); capacity about 9 % and COP about 19 % lower (Navarro-Esbri 2013). "
        f"Simulated at five bench points: {'; '.join(spans)}.",
        _sized(chart),
    )


def coil_section() -> Section:
    """Drop over the wet coil against humidity."""
    frame = runs.coil_drops()
    worst = (frame["simulated_k"] - frame["table_k"]).abs().max()
    axis = alt.X("humidity_pct:Q", title="humidity of the intake air, %")
    base = alt.Chart(frame).encode(x=axis, color=alt.Color("intake_c:N", title="intake, degC"))
    drop = alt.Y("simulated_k:Q", title="drop over the coil, K")
    chart = base.mark_line().encode(y=drop) + base.mark_point(filled=True).encode(y="table_k:Q")
    return Section(
        "coil",
        "Drop over the wet coil against humidity",
        "Lines: the plant's coil at 4 kW, 0.10 kg/s of air and a bypass of 0.2. Points: the same "
        "coil computed independently from psychrometric relations. "
        f"Largest difference {worst:.1f} K.",
        _sized(chart),
    )


def service_section() -> Section:
    """Duct air and pressures at idle against a service manual's table."""
    frame, bands = runs.service_table()
    inside = runs.share_inside(frame, bands)
    charts = []
    for quantity, title in (
        ("duct_c", "duct air, degC"),
        ("high_kpa_gauge", "high side, kPa gauge"),
        ("low_kpa_gauge", "low side, kPa gauge"),
    ):
        axis = alt.X("ambient_c:Q", title="air, degC", scale=alt.Scale(zero=False))
        band = (
            alt.Chart(bands.filter(quantity=quantity))
            .mark_rule(strokeWidth=9, opacity=0.4, color=_PUBLISHED)
            .encode(x=axis, y=alt.Y("low:Q", title=title), y2="high:Q")
        )
        dots = (
            alt.Chart(frame.filter(quantity=quantity))
            .mark_point(filled=True, size=45)
            .encode(x=axis, y="value:Q", color=alt.Color("car:N", title=None))
        )
        charts.append((band + dots).properties(width=200, height=_HEIGHT))
    return Section(
        "service_table",
        "A service manual's table for R-134a cars at idle",
        "Bars: one maker's example for one car (service manual; recirculated air, 50 to 60 % "
        "humidity for duct air, 50 to 70 % for pressures). Points: the simulated R-134a "
        f"architectures at the same air, 55 %, doors open. {inside} Another car's table would "
        "lie elsewhere: order and slope count here, not the digits.",
        alt.hconcat(*charts),
    )


def idle_section() -> Section:
    """The workshop-idle reference test as the logger saw it."""
    frame = runs.workshop_curves()
    shown = alt.Chart(frame).mark_line(strokeWidth=1.2)
    axis = alt.X("minute:Q", title="minutes")
    charts = [
        shown.encode(x=axis, y=alt.Y(f"{name}:Q", title=title, scale=alt.Scale(zero=False)))
        for name, title in (
            ("high_psig", "high side, psig"),
            ("low_psig", "low side, psig"),
            ("duct_degf", "duct air, degF"),
        )
    ]
    late = frame.filter(pl.col("minute") > 2)
    low, high = late["high_psig"].min(), late["high_psig"].max()
    return Section(
        "workshop_idle",
        "The workshop-idle reference test",
        "A healthy externally controlled R-1234yf car idles in a mild workshop. Practice (no "
        "source) sees the high side swing between 107 and 158 psig with fan and displacement, "
        f"the low side between 24 and 33. Simulated from the third minute on: high side "
        f"{low:.0f} to {high:.0f} psig, low side {late['low_psig'].min():.0f} to "
        f"{late['low_psig'].max():.0f} psig, duct air {late['duct_degf'].median():.1f} degF in "
        "the median.",
        alt.hconcat(*[chart.properties(width=210, height=_HEIGHT) for chart in charts]),
    )


def leak_section(fleet: runs.FleetRun) -> Section:
    """Rates of loss over the cars of a fleet."""
    rates = fleet.rates
    marks = pl.DataFrame(
        {
            "g_per_year": [15.1, 52.4, 80.0],
            "published": ["new cars, design", "Europe, in use", "California, consumption"],
        }
    )
    scale = alt.Scale(type="log")
    bars = (
        alt.Chart(rates)
        .mark_bar(color=_SIMULATED)
        .encode(
            x=alt.X("from_g:Q", title="loss, g a year", scale=scale),
            x2="to_g:Q",
            y=alt.Y("cars:Q", title="cars"),
            y2=alt.datum(0),
        )
    )
    rules = (
        alt.Chart(marks)
        .mark_rule(strokeWidth=2)
        .encode(x=alt.X("g_per_year:Q", scale=scale), color=alt.Color("published:N"))
    )
    return Section(
        "leaks",
        "How fast cars lose refrigerant",
        "Published means: 15.1 g a year by design (new cars, MPCA data 2014), 52.4 in use "
        "(Schwarz & Harnisch 2003, 300 cars up to 7 years), about 80 from consumption (SAE "
        "2004-01-2256). Losses are heavy-tailed: normal seepage and few gross leakers. Simulated, "
        f"{fleet.n_cars} cars on the last day: mean {fleet.mean_rate_g:.0f}, median "
        f"{fleet.median_rate_g:.0f} g a year; one car in ten above {fleet.tenth_rate_g:.0f}.",
        _sized(bars + rules),
    )


def share_section(fleet: runs.FleetRun) -> Section:
    """What is wrong with the cars that come, against the priors of the trade."""
    chart = (
        alt.Chart(fleet.shares)
        .mark_bar()
        .encode(
            y=alt.Y("group:N", title=None, sort=None),
            yOffset="origin:N",
            x=alt.X("share_pct:Q", title="% of tests"),
            color=alt.Color(
                "origin:N",
                title=None,
                scale=alt.Scale(domain=["simulated", "prior"], range=[_SIMULATED, _PUBLISHED]),
            ),
            column=alt.Column("tests:N", title=None),
        )
        .properties(width=220, height=_HEIGHT)
    )
    return Section(
        "shares",
        "What is wrong with the cars that come",
        "Starting priors: screening none .85, low charge .08, rest .07; complaints low charge .45 "
        "(a US shop survey of 2016 found 53 % of poor-cooling complaints due to low charge), "
        "air flow and electrical .25, compressor .10. Simulated with ten models over five years: "
        f"{fleet.share_text}.",
        chart,
    )


def comeback_section(fleet: runs.FleetRun) -> Section:
    """Refills that come back, by whether the leak was left in, and the months they come in."""
    axis = alt.X("days:Q", title="days since the refill")
    curve = _line(fleet.comebacks, axis, alt.Y("back_pct:Q", title="came back, %"), "leak")
    months = (
        alt.Chart(fleet.months)
        .mark_bar(color=_SIMULATED)
        .encode(x=alt.X("month:O", title="month"), y=alt.Y("repairs:Q", title="repairs"))
    )
    return Section(
        "comebacks",
        "Comebacks",
        "No rate of comebacks is published for air conditioning; for all repairs 10 to 12 % are "
        "not right first time (owner survey 2025, collision trade 2021). Simulated, share of "
        f"cars filled for lack of charge that were repaired again: {fleet.comeback_text}. The "
        "steps of the curve are summers: a leak left in loses charge all year and is felt in "
        "the next heat.",
        _sized(curve.mark_line(interpolate="step-after")) | _sized(months),
    )


def _lead() -> str:
    return (
        "<!-- written by docs/make_calibration.py; change the simulator, then run it -->\n\n"
        "# Calibration of the simulator\n\n"
        "How the simulated cars and the simulated fleet compare with what is published. What "
        "the model computes stands in [simulator.md](simulator.md). Tests under "
        "`tests/synthetic/` hold it to these values.\n"
    )


def _rounded(svg: str) -> str:
    """The drawing with coordinates to a tenth of a point, which no eye can tell apart."""
    return re.sub(r"\d+\.\d{2,}", lambda found: f"{float(found[0]):.1f}", svg)


def main() -> None:
    """Work everything out, draw it and write the page."""
    PICTURES.mkdir(exist_ok=True)
    fleet = runs.fleet_run()
    sections = [
        charge_section(), drop_in_section(), coil_section(), service_section(), idle_section(),
        leak_section(fleet), share_section(fleet), comeback_section(fleet),
    ]  # fmt: skip
    page = [_lead()]
    for section in sections:
        picture = vl_convert.vegalite_to_svg(section.chart.to_json())
        (PICTURES / f"{section.name}.svg").write_text(_rounded(picture), encoding="utf-8")
        page.append(
            f"## {section.heading}\n\n{section.prose}\n\n"
            f"![{section.heading}](calibration/{section.name}.svg)\n"
        )
    (HERE / "calibration.md").write_text("\n".join(page), encoding="utf-8")


if __name__ == "__main__":
    main()
