"""The words of the pages: states, quantities, regimes, codes.

Holds what each code reads as to a person in a workshop office. Does not belong here:
sentences with numbers of one car (`models` writes those) and the cautions (`cautions`).
"""

from __future__ import annotations

from dataclasses import dataclass

from features.screening import RULES
from models.reasons import REASON


@dataclass(frozen=True)
class StateWords:
    """A vehicle state: its name, the key of its shape, what to do in short, meaning, next step."""

    state: str
    key: str
    action: str
    meaning: str
    next_step: str


# in the order in which they ask for action
STATES: tuple[StateWords, ...] = (
    StateWords(
        "service",
        "service",
        "to book in",
        "A deviation is confirmed: seen in two of the last three tests, or once far outside.",
        "Book the car in and take its page along: the findings say where to measure first.",
    ),
    StateWords(
        "retest",
        "retest",
        "to test again",
        "The last test cannot tell.",
        "Test the car again; the reason says what to do differently. Until then its A/C is "
        "neither cleared nor suspect.",
    ),
    StateWords(
        "watch",
        "watch",
        "to watch",
        "One finding so far, or a quantity that drifts towards the edge of its band. It may be "
        "chance or the start of something.",
        "Test the car again at the next visit, under like conditions: a second test with the "
        "same finding confirms it; a drift is told with the date by which it likely leaves.",
    ),
    StateWords(
        "silent",
        "silent",
        "not tested for long",
        "The last usable test is too old to speak of today's condition.",
        "Test the car when it is next in the yard.",
    ),
    StateWords(
        "no verdict",
        "no-verdict",
        "cannot be judged",
        "Too few cars to compare with, or what it takes is not logged. The reason says which. "
        "It does not mean that the car is healthy.",
        "Judge this car by other means. Tests of more cars of its kind, or the missing sensors, "
        "will make it comparable.",
    ),
    StateWords(
        "in band",
        "in-band",
        "in band",
        "What could be compared lies within what is normal for this model under the same "
        "conditions.",
        "Nothing follows from the tests. A driver's complaint still counts: a charge within the "
        "receiver's reserve looks normal, and a control at work hides small faults.",
    ),
)
STATE: dict[str, StateWords] = {words.state: words for words in STATES}

QUANTITY_WORDS: dict[str, str] = {
    "low_side_kpa": "low-side pressure",
    "high_side_kpa": "high-side pressure",
    "pressure_ratio": "pressure ratio, high to low",
    "evaporating_dew_c": "evaporating temperature (dew point)",
    "condensing_bubble_c": "condensing temperature (bubble point)",
    "discharge_dew_c": "dew point at high-side pressure",
    "evaporator_outlet_superheat_k": "superheat at evaporator outlet",
    "rear_evaporator_outlet_superheat_k": "superheat at rear evaporator outlet",
    "compressor_suction_superheat_k": "superheat at compressor suction",
    "compressor_discharge_superheat_k": "superheat at compressor discharge",
    "compressor_discharge_c": "discharge line temperature",
    "condenser_outlet_subcooling_k": "subcooling at condenser outlet",
    "expansion_inlet_subcooling_k": "subcooling at expansion device",
    "duct_air_c": "duct air temperature",
    "duct_drop_k": "duct air below intake air",
    "evaporator_approach_k": "duct air above evaporating temperature",
    "condensing_over_air_k": "condensing temperature above condenser air",
    "heat_exchanger_effectiveness": "effectiveness of the internal heat exchanger",
    "heat_exchanger_balance": "heat balance of the internal heat exchanger",
    "isentropic_efficiency": "apparent isentropic efficiency",
    "discharge_over_reference_k": "discharge line above a reference compressor's",
    "refrigerating_effect_kj_per_kg": "heat taken up per kg of refrigerant",
    "subcooling_share": "subcooling over condensing temperature above air",
    "coil_effectiveness": "effectiveness of the evaporator coil",
    "air_enthalpy_drop_kj_per_kg": "enthalpy drop of the air",
    "duct_drop_at_reference_humidity_k": "duct drop corrected for humidity",
    "capacity_index_kj_per_kg": "cooling capacity index",
    "intake_stray_share": "share of under-hood air in the intake reading",
    "static_over_saturation_kpa": "standing pressure over saturation",
    "fan_events_per_min": "fan switching rate",
    "compressor_events_per_min": "compressor switching rate",
    "pull_down_level_c": "level of the duct air's pull-down",
    "pull_down_fast_k": "fast part of the pull-down",
    "pull_down_fast_s": "time constant of the pull-down's fast part",
    "pull_down_slow_k": "slow part of the pull-down",
    "pull_down_slow_s": "time constant of the pull-down's slow part",
    "pull_down_t63_s": "time to 63 % of the pull-down",
    "pull_down_t90_s": "time to 90 % of the pull-down",
    "pull_down_after_5_min_c": "duct air 5 min after the start",
    "pull_down_after_10_min_c": "duct air 10 min after the start",
    "start_low_side_kpa_per_s": "slope of the low side at the start",
    "start_high_side_kpa_per_s": "slope of the high side at the start",
    "start_undershoot_kpa": "dip of the low side after the start",
    "start_undershoot_s": "time to the low side's dip",
    "stop_equalisation_s": "time constant of the pressures after a stop",
    "fan_swing_kpa": "fall of the high side as the fan steps up",
    "clutch_cycles_per_min": "clutch cycles while cycling",
    "clutch_on_share": "on-share of the clutch",
    "clutch_cut_out_low_side_kpa": "low side at cut-out",
    "clutch_cut_in_low_side_kpa": "low side at cut-in",
    "superheat_swing_k": "swing of the superheat",
    "superheat_hunting_s": "period of the superheat's swing",
    "duct_air_movement_k": "movement of the duct air",
    "duct_air_explained_share": "explained share of the duct air's movement",
    "duct_air_unexplained_k": "unexplained movement of the duct air",
    "low_side_movement_kpa": "movement of the low side",
    "low_side_explained_share": "explained share of the low side's movement",
    "low_side_unexplained_kpa": "unexplained movement of the low side",
    "high_side_movement_kpa": "movement of the high side",
    "high_side_explained_share": "explained share of the high side's movement",
    "high_side_unexplained_kpa": "unexplained movement of the high side",
    "displacement_events_per_min": "rate of changes of stroke or speed",
    "engine_events_per_min": "rate of changes of the engine speed",
    "blower_events_per_min": "rate of changes of the blower",
    "recirculation_events_per_min": "rate of changes of the recirculation flap",
    "icing_events_per_min": "rate of recoveries from icing",
    "compressor_suction_c": "suction line at compressor",
    "condenser_mid_c": "condenser tube, half way",
    "condenser_outlet_c": "liquid line at condenser outlet",
    "expansion_inlet_c": "liquid line at expansion device",
    "evaporator_outlet_c": "suction line at evaporator outlet",
    "rear_evaporator_outlet_c": "suction line at rear evaporator outlet",
    "duct_left_c": "left duct air",
    "duct_right_c": "right duct air",
    "duct_rear_c": "rear duct air",
    "intake_air_c": "intake air",
    "intake_humidity_pct": "intake humidity",
    "evaporator_fin_c": "evaporator fin",
    "ambient_air_c": "ambient air",
    "ambient_humidity_pct": "ambient humidity",
    "condenser_inlet_air_c": "air entering condenser",
    "underhood_air_c": "air under the hood",
    "cabin_air_c": "cabin air",
    "coolant_c": "engine coolant",
    "engine_rpm": "engine speed",
    "compressor_rpm": "compressor speed",
    "compressor_command_pct": "compressor command",
    "compressor_on": "compressor engaged",
    "compressor_power_w": "compressor power",
    "condenser_fan_pct": "condenser fan command",
    "blower_pct": "blower",
    "vehicle_speed_kmh": "vehicle speed",
    "recirculation_pct": "recirculation flap",
    "supply_v": "supply voltage",
    "barometric_kpa": "barometric pressure",
    "time_s": "time axis",
}

REGIME_WORDS: dict[str, str] = {
    "off": "off",
    "starting": "starting",
    "pull_down": "pull-down",
    "regulating": "regulating",
    "saturated": "at full output",
    "cycling": "cycling",
    "running": "running",
    "whole_test": "whole test",
}

EVENT_WORDS: dict[str, tuple[str, str]] = {
    "fan_up": ("\N{BLACK UP-POINTING TRIANGLE}", "condenser fan up"),
    "fan_down": ("\N{BLACK DOWN-POINTING TRIANGLE}", "condenser fan down"),
    "compressor_on": ("\N{BLACK CIRCLE}", "compressor on"),
    "compressor_off": ("\N{WHITE CIRCLE}", "compressor off"),
    "displacement_up": ("\N{WHITE UP-POINTING TRIANGLE}", "compressor stroke or speed up"),
    "displacement_down": ("\N{WHITE DOWN-POINTING TRIANGLE}", "compressor stroke or speed down"),
    "engine_faster": ("\N{BLACK RIGHT-POINTING TRIANGLE}", "engine faster"),
    "engine_slower": ("\N{BLACK LEFT-POINTING TRIANGLE}", "engine slower"),
    "blower_up": ("\N{WHITE RIGHT-POINTING TRIANGLE}", "blower up"),
    "blower_down": ("\N{WHITE LEFT-POINTING TRIANGLE}", "blower down"),
    "recirculation_on": ("\N{BLACK SQUARE}", "air recirculated"),
    "recirculation_off": ("\N{WHITE SQUARE}", "fresh air"),
    "high_pressure_cut_out": ("\N{FISHEYE}", "compressor cut out at high pressure"),
    "low_pressure_cut_out": ("\N{BULLSEYE}", "compressor cut out at low pressure"),
    "icing_recovery": ("\N{EIGHT POINTED BLACK STAR}", "recovered from an iced evaporator"),
    "clamp_move": ("\N{MULTIPLICATION X}", "a clamp moved to another place"),
}

# terms of the registry that read better in full
TERM_WORDS: dict[str, str] = {
    "fixed_clutch": "fixed displacement, clutch",
    "variable_internal": "variable, internally controlled",
    "variable_external": "variable, externally controlled",
    "txv": "thermostatic expansion valve",
    "orifice_tube": "orifice tube",
    "electronic": "electronic expansion valve",
    "before_repair": "before a repair",
    "after_repair": "after a repair",
}

WINDOW_WORDS: dict[str, str] = {"steady": "steady", "periodic": "in regular cycles"}

CYCLE_WORDS: dict[str, str] = {
    "compressor": "in regular cycles of the compressor",
    "fan": "in regular cycles of the condenser fan",
    "swing": "in regular swings without switching",
}

SWING_NOTE = (
    "Read over whole swings: pressure and superheat swing evenly although neither fan nor "
    "compressor switches, as they do when an expansion valve hunts. That it swings is not "
    "judged: only a mean over whole swings that lies out of band is a finding."
)

# sources of duct air that say something about how certain it is
DUCT_SOURCE_NOTES: dict[str, str] = {
    code: f"Duct air is from the {side} sensor alone: the other side may be some degrees warmer "
    "or cooler, so its values count as less certain than the mean of two."
    for code, side in (("duct_left_c", "left"), ("duct_right_c", "right"))
}

SOURCE_WORDS: dict[str, str] = {
    "command": "from the logged command",
    "pressure": "inferred from both pressures",
    "air": "inferred from low side and duct air",
    "trust": "found by the trust rules",
}


def plain_words(code: str) -> str:
    """A code without its underscores, for codes that have no words of their own."""
    return code.replace("_", " ").strip()


def term_words(term: str) -> str:
    """A term of the registry in full; names that people gave stay as they are."""
    return TERM_WORDS.get(term, term)


def quantity_words(name: str) -> str:
    """What a channel or derived quantity is called on a page."""
    return QUANTITY_WORDS.get(name) or plain_words(name)


def regime_words(code: str | None) -> str:
    """What a regime is called on a page."""
    return "" if code is None else REGIME_WORDS.get(code, plain_words(code))


def reason_words(code: str) -> str:
    """Why a quantity was not judged, as a sentence."""
    return REASON[code].value if code in REASON else plain_words(code)


def rule_words(code: str) -> str:
    """Why readings are set aside, as a sentence."""
    return RULES.get(code, plain_words(code))


def state_words(state: str) -> StateWords:
    """The words of a state.

    Raises
    ------
    ValueError
        The state is not one of the six; the pages have no shape for it.
    """
    if state not in STATE:
        raise ValueError(f"no state is called {state!r}; expected one of {', '.join(STATE)}")
    return STATE[state]


def baseline_words(pooling_level: str | None, vehicles: int | None) -> str:
    """Whom the car was compared with, such as "41 cars of this model"."""
    if not vehicles or pooling_level in (None, "none"):
        return "no baseline"
    cars = "car" if vehicles == 1 else "cars"
    kind = "of this model" if pooling_level == "model" else "with a like circuit, other models too"
    return f"{vehicles} {cars} {kind}"
