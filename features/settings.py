"""How features are derived: sensor accuracies, steady windows, cycles, regimes, events.

Holds the one frozen record `DerivationSettings`. Every value has a default; the
defaults are proposals to be tuned on a fleet's own data unless a source is named.
Does not belong here: reading a settings file, anything about comparing cars.
"""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field


class DerivationSettings(BaseModel):
    """Settings of `features.derive`. Accuracies are half widths that hold for 95 % of sensors."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    # ---- sensors; the pressures are those of a 1 % gauge of 10 and 30 bar full scale
    # (common practice, no source)
    low_side_accuracy_kpa: float = Field(
        default=10.0,
        gt=0,
        description="Accuracy of the low-side pressure, 95 %, kPa, where the instrument "
        "states none",
    )
    high_side_accuracy_kpa: float = Field(
        default=30.0,
        gt=0,
        description="Accuracy of the high-side pressure, 95 %, kPa, where the instrument "
        "states none",
    )
    # type K thermocouple, class 1: 1.5 K (IEC 60584-1, from memory); its clamp comes on top
    pipe_temperature_accuracy_k: float = Field(
        default=1.5,
        gt=0,
        description="Accuracy of the sensor of a pipe clamp, 95 %, K, where the instrument "
        "states none; the contact of the clamp comes on top",
    )
    # common practice, no source: 0.02 to 0.05 insulated, 0.05 to 0.2 not; 2.8 K too high on a
    # bare suction line (a trade article) are 0.07 of 40 K
    insulated_clamp_share: float = Field(
        default=0.03,
        ge=0,
        lt=1,
        description="Share of the way from the pipe to the air under the hood that a clamp reads, "
        "noted as insulated; taken off its readings",
    )
    bare_clamp_share: float = Field(
        default=0.07, ge=0, lt=1, description="The same with clamps noted as not insulated"
    )
    clamp_share: float = Field(
        default=0.04,
        ge=0,
        lt=1,
        description="The same where it is not noted: nothing is taken off, and all of it is "
        "standard uncertainty",
    )
    clamp_share_spread: float = Field(
        default=0.7,
        ge=0,
        description="How far the share of one clamp lies from that of others of its kind, 95 %, "
        "as a part of the share",
    )
    hood_over_ambient_k: float = Field(
        default=18.0,
        description="Air around the clamps over ambient air, K, where air under the hood is not "
        "logged",
    )
    clamp_air_accuracy_k: float = Field(
        default=12.0, ge=0, description="Accuracy of the air around a clamp, 95 %, K"
    )
    air_temperature_accuracy_k: float = Field(
        default=1.0,
        gt=0,
        description="Accuracy of an air temperature, 95 %, K, where the instrument states none",
    )
    # capacitive sensors state 2 to 3 % at 25 degC (common practice, no source); warm, drying
    # air and a slow probe come on top
    humidity_accuracy_pct: float = Field(
        default=5.0,
        gt=0,
        description="Accuracy of a relative humidity, 95 %, % points, where the instrument states "
        "none",
    )
    noted_air_accuracy_k: float = Field(
        default=4.0, gt=0, description="Accuracy of an ambient temperature noted by hand, 95 %, K"
    )
    condenser_air_stand_in_accuracy_k: float = Field(
        default=3.0,
        ge=0,
        description="By how much the rise from ambient air to the air entering the condenser "
        "differs between tests, 95 %, K; added where ambient air stands in for it",
    )
    duct_side_accuracy_k: float = Field(
        default=2.0,
        ge=0,
        description="By how much one side's duct may differ from the mean of both in a car in "
        "order, 95 %, K; added where only one side is known",
    )
    # common practice, no source: 0.2 to 0.5 bar over evaporator and suction line, 0.3 to 1.0 bar
    # over the condenser at full flow; a fourth of it at the flow of a test at idle, since it
    # goes with the square: 0.05 to 0.12 bar are 0.4 to 1.1 K at 2 degC, 0.08 to 0.25 bar are
    # 0.2 to 0.8 K at 50 degC; a hand's breadth of the line a tenth of that
    tap_drop_accuracy_k: float = Field(
        default=0.2,
        ge=0,
        description="Pressure drop between a pipe clamp and a port beside it, as saturation "
        "temperature, 95 %, K",
    )
    far_low_port_drop_accuracy_k: float = Field(
        default=1.6,
        ge=0,
        description="The same of the low-side port where it is at the other end of the suction "
        "line, or its place is not noted; nothing is added to the reading for it",
    )
    far_high_port_drop_accuracy_k: float = Field(
        default=1.0,
        ge=0,
        description="The same of the high-side port where it is on the other side of the "
        "condenser, or its place is not noted",
    )

    # ---- the block grid
    block_s: float = Field(
        default=5.0, ge=1, le=30, description="Samples are averaged over blocks of this length, s"
    )

    # ---- steady windows
    window_s: float = Field(default=60.0, ge=60, description="Length of a steady window, s")
    settle_after_start_s: float = Field(
        default=300.0, ge=0, description="No window starts sooner after the compressor starts, s"
    )
    settle_after_event_s: float = Field(
        default=60.0, ge=0, description="No window starts sooner after a fan or compressor event, s"
    )
    low_side_slope_kpa_per_min: float = Field(
        default=5.0, gt=0, description="Largest drift of the low side in a steady window, kPa/min"
    )
    low_side_spread_kpa: float = Field(
        default=5.0,
        gt=0,
        description="Largest scatter of the low side in a steady window, 1 sd, kPa",
    )
    high_side_slope_kpa_per_min: float = Field(
        default=30.0, gt=0, description="Largest drift of the high side in a steady window, kPa/min"
    )
    high_side_spread_kpa: float = Field(
        default=25.0,
        gt=0,
        description="Largest scatter of the high side in a steady window, 1 sd, kPa",
    )
    liquid_line_slope_k_per_min: float = Field(
        default=0.5, gt=0, description="Largest drift of the condenser outlet, K/min"
    )
    liquid_line_spread_k: float = Field(
        default=0.4, gt=0, description="Largest scatter of the condenser outlet, 1 sd, K"
    )
    suction_line_slope_k_per_min: float = Field(
        default=1.0,
        gt=0,
        description="Largest drift of the evaporator outlet or suction line, K/min",
    )
    suction_line_spread_k: float = Field(
        default=0.8,
        gt=0,
        description="Largest scatter of the evaporator outlet or suction line, 1 sd, K",
    )
    duct_slope_k_per_min: float = Field(
        default=0.3, gt=0, description="Largest drift of the duct air, K/min"
    )
    duct_spread_k: float = Field(
        default=0.5, gt=0, description="Largest scatter of the duct air, 1 sd, K"
    )
    engine_speed_spread_rpm: float = Field(
        default=50.0, gt=0, description="Largest scatter of the engine speed, 1 sd, 1/min"
    )

    # ---- periodic windows
    least_cycles: int = Field(
        default=3, ge=3, description="Fewest whole cycles in a periodic window"
    )
    largest_period_variation: float = Field(
        default=0.25,
        gt=0,
        le=1,
        description="Largest coefficient of variation of the cycle periods",
    )
    longest_cycle_s: float = Field(
        default=240.0, gt=0, description="A pause longer than this ends a chain of cycles, s"
    )

    # ---- swings, as of a hunting expansion valve
    least_swing_k: float = Field(
        default=1.0,
        gt=0,
        description="Least distance of the suction line to either side of its mean in a swing, K",
    )
    least_swing_kpa: float = Field(
        default=10.0,
        gt=0,
        description="The same for the low side, where no suction line is logged, kPa",
    )

    # ---- regimes
    starting_s: float = Field(
        default=60.0, ge=0, description="A started compressor counts as starting, s"
    )
    saturated_least_command_pct: float = Field(
        default=90.0,
        ge=0,
        le=100,
        description="Below this command a compressor is never saturated, %",
    )
    saturated_share: float = Field(
        default=0.95,
        gt=0,
        le=1,
        description="Saturated from this share of the 99th percentile of the command observed "
        "in the test",
    )
    off_command_pct: float = Field(
        default=2.0, ge=0, description="Up to this command a variable compressor counts as off, %"
    )
    running_pressure_ratio: float = Field(
        default=1.3,
        gt=1,
        description="With no command logged, the compressor runs above this high to low "
        "pressure ratio",
    )
    idle_pressure_ratio: float = Field(
        default=1.1,
        gt=1,
        description="A compressor that is commanded on for a minute and stays below this high "
        "to low pressure ratio does not work",
    )
    pull_down_slope_k_per_min: float = Field(
        default=0.5,
        gt=0,
        description="Pull-down is over when the duct air falls slower than this, K/min",
    )
    # some 2 bar gauge for a valve inside the compressor (common practice, no source)
    held_low_side_kpa_gauge: float = Field(
        default=200.0,
        gt=0,
        description="Low side that the valve of an internally controlled compressor holds, "
        "kPa above the air around the car",
    )
    held_low_side_width_kpa: float = Field(
        default=30.0,
        gt=0,
        description="How far from there the low side may be held: set points differ by model, "
        "and fall a little with the high side, kPa to either side",
    )

    # ---- events
    least_fan_step_pct: float = Field(
        default=10.0,
        gt=0,
        description="Smallest change of the fan command that is an event, % points",
    )
    merge_events_s: float = Field(
        default=5.0,
        ge=0,
        description="Steps of a command the same way and closer than this are one event, s",
    )
    least_engine_step_rpm: float = Field(
        default=150.0,
        gt=0,
        description="Smallest change of the engine speed within 10 s that is an event, 1/min",
    )
    least_blower_step_pct: float = Field(
        default=10.0,
        gt=0,
        description="Smallest change of the blower within 5 s that is an event, % points",
    )
    least_recirculation_step_pct: float = Field(
        default=30.0,
        gt=0,
        description="Smallest change of the recirculation flap within 5 s that is an event, "
        "% points",
    )
    least_stroke_step_pct: float = Field(
        default=15.0,
        gt=0,
        description="Smallest change of the compressor's command, or of its speed as share of "
        "the highest seen, within 20 s that is an event, % points",
    )
    edge_noise_multiple: float = Field(
        default=5.0,
        gt=0,
        description="A bend of a pressure must exceed its own standard error by this factor",
    )
    least_fan_bend_pct_per_s: float = Field(
        default=0.2,
        gt=0,
        description="With no fan command logged, smallest bend of the high side that can be a "
        "fan event: change of its slope, % of the pressure per second",
    )
    least_fan_bend_at_start_pct_per_s: float = Field(
        default=1.4,
        gt=0,
        description="The same in the first minute after the compressor starts, when the "
        "circuit bends by itself, %/s",
    )
    least_compressor_bend_pct_per_s: float = Field(
        default=1.5,
        gt=0,
        description="With no command logged, smallest bend of the pressure ratio at which the "
        "compressor is taken to start or stop, %/s",
    )
    least_stroke_bend_pct_per_s: float = Field(
        default=0.2,
        gt=0,
        description="With no command logged, smallest opposite bend of both sides at which a "
        "running compressor is taken to change its stroke or speed, %/s",
    )
    # protections act at 27 to 31 bar gauge (common practice, no source); a gauge may read low
    cut_out_high_side_kpa: float = Field(
        default=2700.0,
        gt=0,
        description="A stop from this high side on can be a high-pressure cut-out, kPa absolute",
    )
    cut_out_low_high_kpa: float = Field(
        default=300.0,
        gt=0,
        description="A stop at a high side no higher than this can be a low-pressure cut-out, "
        "kPa absolute",
    )
    cut_out_low_side_kpa: float = Field(
        default=110.0,
        gt=0,
        description="A stop at a low side no higher than this can be a low-pressure cut-out, "
        "kPa absolute",
    )
    cut_out_rest_s: float = Field(
        default=20.0,
        ge=0,
        description="After a cut-out the compressor rests at least so long, s",
    )
