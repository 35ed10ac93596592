"""How much each fault moves every quantity: sizes learned from simulated cars, as data.

Holds `SIZES`: per pattern of `fault_signs` and control state the shift of every quantity of
`LEARNED_OF` in least effects at severity one, the doubt about it, and from how many tests both
were learned. The sign tables give the way; where they leave a sign open or give no size, what is
here says how much. Learned by `tests/studies/fault_sizes.py` from simulated fleets (seeds 61,
62 and 71 to 74), drawn towards the marks as by two tests; a fault not met is not listed, and its
marks count. A simulator is not a fleet of cars: replace them where dispositions suffice. Does
not belong here: signs and their sources (`fault_signs`), arithmetic.
"""

from __future__ import annotations

from dataclasses import dataclass

from models.fault_signs import LIMIT, REGULATING


@dataclass(frozen=True)
class Size:
    """In the order of `LEARNED_OF`, at severity one.

    Sizes in tenths of a least effect, doubts in hundredths.
    """

    n_tests: int
    sizes: str
    doubts: str


LEARNED_OF: tuple[str, ...] = (
    "duct_air_c", "duct_drop_k", "evaporator_approach_k", "low_side_kpa", "high_side_kpa",
    "condensing_over_air_k", "pressure_ratio", "evaporator_outlet_superheat_k",
    "rear_evaporator_outlet_superheat_k", "compressor_suction_superheat_k",
    "compressor_discharge_superheat_k", "compressor_discharge_c",
    "condenser_outlet_subcooling_k", "expansion_inlet_subcooling_k",
    "discharge_over_reference_k", "heat_exchanger_effectiveness", "heat_exchanger_balance",
    "subcooling_share", "coil_effectiveness", "superheat_swing_k", "start_high_side_kpa_per_s",
    "start_low_side_kpa_per_s", "static_over_saturation_kpa",
)  # fmt: skip

SIZES: dict[tuple[str, str], Size] = {
    ("charge somewhat short", LIMIT): Size(
        132,
        "3 -2 0 3 -4 -5 -5 1 0 3 1 -1 -37 -32 0 -1 -3 -27 -1 0 -3 2 -1",
        "12 12 10 12 12 12 12 10 11 12 11 11 28 63 10 10 52 24 10 10 10 11 11",
    ),
    ("charge far short", LIMIT): Size(
        63,
        "22 -17 32 -9 -16 -18 -2 21 15 18 12 6 -35 -35 -1 1 -12 -26 -16 0 -8 -5 -1",
        "63 32 106 98 21 22 98 56 93 39 65 75 105 286 19 11 11 90 25 11 41 13 11",
    ),
    ("charge short", LIMIT): Size(
        24,
        "25 -24 29 2 -17 -17 -2 30 0 35 31 24 -24 -22 6 0 0 -18 -21 2 -25 -15 0",
        "61 33 89 106 27 27 15 45 118 51 44 40 147 82 77 20 20 66 32 13 13 92 14",
    ),
    ("charge somewhat short", REGULATING): Size(
        212,
        "2 -2 2 1 -3 -4 -3 2 1 3 2 0 -39 -33 1 -2 -1 -32 -2 0 -2 2 -1",
        "10 10 10 10 11 11 11 10 12 15 11 10 24 29 10 10 32 54 10 10 10 10 11",
    ),
    ("charge far short", REGULATING): Size(
        55,
        "19 -15 24 0 -17 -21 -13 17 11 10 5 -5 -39 -44 1 1 -11 -26 -14 0 -7 -2 -1",
        "137 136 14 11 89 72 11 20 43 26 25 23 210 223 11 32 43 118 14 11 15 12 12",
    ),
    ("too much refrigerant", LIMIT): Size(
        35,
        "-2 2 -4 1 14 14 8 -1 -1 -3 0 6 37 30 0 0 0 21 2 0 5 0 -1",
        "14 15 20 11 25 25 22 23 15 15 25 16 41 43 11 14 18 40 11 12 11 14 16",
    ),
    ("too much refrigerant", REGULATING): Size(
        31,
        "0 -1 -1 2 9 10 5 0 0 0 -2 4 26 20 -1 1 0 11 0 0 5 1 2",
        "11 12 11 11 26 16 16 11 15 11 14 16 25 25 11 30 17 26 11 11 11 14 14",
    ),
    ("air or another gas in the circuit", LIMIT): Size(
        23,
        "0 -1 -1 0 12 14 8 -1 -2 -2 -2 6 23 20 -2 1 0 13 1 0 6 1 20",
        "14 16 12 14 27 28 22 12 15 12 17 22 47 43 12 13 13 32 12 12 12 13 118",
    ),
    ("air or another gas in the circuit", REGULATING): Size(
        37,
        "1 0 2 -2 19 24 16 0 2 0 -1 12 34 27 -4 0 0 11 0 0 13 -2 20",
        "11 11 11 11 24 24 24 11 13 20 36 26 36 38 11 12 12 63 18 11 40 12 118",
    ),
    ("another refrigerant in the circuit", LIMIT): Size(
        10,
        "-5 6 -10 5 1 0 -1 -5 -2 0 1 0 0 1 4 0 0 -3 8 0 1 -1 -3",
        "27 30 39 36 53 104 58 25 29 44 136 16 107 77 33 20 20 22 40 25 14 15 27",
    ),
    ("another refrigerant in the circuit", REGULATING): Size(
        6,
        "-3 5 0 -5 17 15 18 1 1 0 1 21 11 9 7 4 0 -7 4 -1 4 2 2",
        "24 29 65 45 51 25 74 19 25 115 156 92 43 40 40 18 18 34 26 26 15 17 28",
    ),
    ("condenser air blocked or its fan weak", LIMIT): Size(
        72,
        "7 -4 -4 10 42 39 19 -1 1 2 4 24 -1 1 -1 -1 0 -11 1 0 3 1 -1",
        "13 15 11 13 30 31 19 11 13 12 14 30 12 43 18 11 11 20 11 11 11 12 12",
    ),
    ("condenser air blocked or its fan weak", REGULATING): Size(
        39,
        "5 -5 0 3 41 39 22 0 -2 2 6 23 -1 4 -2 -1 0 -13 -1 1 2 0 1",
        "98 101 11 63 62 41 74 11 14 60 25 46 73 63 23 13 12 34 11 11 11 12 14",
    ),
    ("little air over the evaporator", LIMIT): Size(
        20,
        "-11 15 -19 4 -16 -18 -13 -11 0 -21 -14 -22 1 -1 4 -2 0 6 15 0 -1 -1 2",
        "32 36 45 42 33 32 19 34 118 49 40 12 16 16 13 17 17 20 33 14 12 14 15",
    ),
    ("evaporator icing", LIMIT): Size(
        15,
        "-20 20 9 -21 -7 -7 15 3 -3 0 7 5 -2 -1 -4 4 1 -3 -1 0 0 -1 0",
        "86 88 46 57 29 28 90 45 31 16 45 88 18 17 48 15 15 20 17 21 13 14 14",
    ),
    ("evaporator icing", REGULATING): Size(
        19,
        "-22 24 7 -18 5 7 23 1 2 4 12 19 5 3 0 -1 0 -5 2 -1 0 -1 1",
        "78 60 26 32 23 28 56 16 23 27 62 13 19 18 75 14 13 20 16 12 12 14 15",
    ),
    ("little air over the evaporator", REGULATING): Size(
        17,
        "-21 27 -17 1 -12 -16 -8 -7 8 -1 -2 -10 -11 -9 -1 4 -1 1 15 2 -1 -3 -1",
        "77 61 18 34 106 118 60 18 86 15 16 85 79 50 17 15 14 15 31 19 12 13 16",
    ),
    ("warm air mixed in behind the evaporator", LIMIT): Size(
        98,
        "51 -44 51 0 -1 0 -1 0 0 0 0 0 0 0 0 1 0 0 -39 0 0 1 1",
        "26 26 56 10 10 10 10 10 12 11 11 10 11 11 10 11 11 11 44 10 10 11 11",
    ),
    ("warm air mixed in behind the evaporator", REGULATING): Size(
        61,
        "43 -38 45 -1 3 3 2 0 -1 0 0 2 1 1 0 0 0 -1 -35 0 0 1 0",
        "36 33 48 11 11 11 11 11 25 12 11 11 11 11 11 11 11 11 30 11 11 11 13",
    ),
    ("compressor worn", LIMIT): Size(
        52,
        "9 -7 -9 17 -11 -11 -18 -2 -3 -2 13 9 0 -2 21 0 -1 2 3 0 -6 7 0",
        "18 18 14 25 27 20 26 13 40 13 30 52 12 29 38 12 12 13 11 11 11 12 12",
    ),
    ("compressor worn", REGULATING): Size(
        10,
        "1 2 1 0 1 2 1 0 0 1 13 15 1 0 12 0 0 -2 -1 0 -2 1 0",
        "25 11 12 11 12 12 12 11 17 11 38 43 12 12 36 13 13 12 11 11 11 12 13",
    ),
    ("stroke stuck low", LIMIT): Size(
        5,
        "34 -31 -10 45 -27 -31 -36 -1 -9 -14 -9 -25 -13 -25 9 6 -2 5 -3 0 -8 11 1",
        "94 74 45 159 94 108 125 19 51 47 44 81 50 113 44 16 18 99 15 15 19 15 18",
    ),
    ("stroke stuck high", LIMIT): Size(
        4,
        "-11 10 4 -8 5 5 12 4 3 7 7 9 -3 0 -2 -2 0 1 1 -1 -3 16 -1",
        "45 51 26 42 25 25 45 25 31 39 36 45 25 18 15 14 14 20 14 31 14 91 14",
    ),
    ("stroke stuck high", REGULATING): Size(
        3,
        "-23 32 14 -26 15 18 29 6 21 7 8 17 7 8 -4 0 0 0 -4 1 3 11 0",
        "93 120 53 111 56 56 213 30 236 48 47 81 42 43 17 20 20 65 17 16 16 41 17",
    ),
    ("expansion valve feeds too little", LIMIT): Size(
        28,
        "23 -19 56 -22 -17 -20 26 53 46 36 45 34 0 -5 2 5 -2 5 -22 0 -4 -12 0",
        "54 43 196 122 31 42 217 117 140 53 151 195 102 17 133 15 15 21 101 14 12 13 14",
    ),
    ("liquid line or drier restricted", LIMIT): Size(
        20,
        "14 -15 53 -25 -16 -17 21 47 41 30 24 22 -4 18 -5 0 22 6 -23 2 -1 -11 1",
        "58 47 72 78 23 23 42 97 101 74 81 136 22 55 48 45 65 23 87 16 15 16 19",
    ),
    ("orifice tube restricted", LIMIT): Size(
        7,
        "14 -16 17 -4 -10 -10 3 17 10 15 17 14 10 8 0 0 0 13 -14 0 -2 -9 1",
        "52 67 115 125 45 46 25 73 69 52 51 48 193 147 19 20 20 123 53 18 15 31 16",
    ),
    ("liquid fed too little, air temperature held", REGULATING): Size(
        15,
        "9 -7 42 -25 -4 -7 24 39 27 25 19 20 -1 14 -7 0 16 3 -18 2 -2 -8 0",
        "21 23 92 60 22 22 42 80 92 60 71 73 49 166 40 15 71 22 46 13 13 15 16",
    ),
    ("liquid fed too little, low side held", REGULATING): Size(
        28,
        "24 -20 23 2 -17 -21 -12 23 20 17 6 -6 -7 -6 -2 10 -2 7 -18 0 -5 -8 2",
        "49 45 45 11 29 29 28 42 118 91 26 21 16 147 11 13 13 17 38 11 11 13 13",
    ),
    ("expansion valve feeds too much", LIMIT): Size(
        58,
        "2 -1 -18 15 9 9 -6 -16 -13 -31 -31 -25 -21 -17 -17 -24 8 -16 9 0 15 10 1",
        "97 63 34 58 113 113 53 27 43 61 56 43 258 224 41 35 44 147 32 11 107 11 12",
    ),
    ("expansion valve feeds too much", REGULATING): Size(
        20,
        "-2 7 -4 1 19 21 10 -13 -15 -28 -31 -20 -39 -36 -24 -39 10 -38 4 1 14 13 4",
        "12 12 88 68 17 17 89 33 98 108 77 84 231 130 85 60 69 141 54 12 110 56 14",
    ),
    ("expansion valve hunting", LIMIT): Size(
        12,
        "0 2 -6 5 0 -1 0 -6 -3 -21 -14 -12 -3 -2 1 -17 3 -4 4 10 -8 -9 1",
        "16 81 13 13 53 62 29 13 24 30 31 44 26 14 26 73 16 13 57 39 13 16 15",
    ),
    ("expansion valve hunting", REGULATING): Size(
        6,
        "-3 4 -7 2 3 4 0 -8 0 -18 -12 -9 1 0 -1 -6 0 -5 5 9 -6 -10 1",
        "20 20 19 20 20 20 20 28 27 37 52 20 19 20 21 46 27 19 20 85 37 29 24",
    ),
    ("internal heat exchanger fouled or bypassed", LIMIT): Size(
        13,
        "2 -4 1 4 6 4 2 3 1 -18 -10 -8 -2 -22 2 -19 -2 -4 -1 0 0 -3 -3",
        "18 22 13 13 13 13 13 13 14 45 30 28 13 69 12 45 13 13 13 12 13 15 18",
    ),
    ("internal heat exchanger fouled or bypassed", REGULATING): Size(
        11,
        "-1 2 -2 0 1 2 1 0 0 -17 -9 -9 -1 -25 1 -16 -5 -3 2 0 0 -1 0",
        "13 13 13 13 43 13 13 13 20 44 30 30 66 77 13 44 13 106 13 13 13 16 15",
    ),
    ("too much oil", LIMIT): Size(
        7,
        "2 -2 8 -2 4 3 3 -1 -3 0 2 3 -2 -1 1 0 0 0 -6 0 2 -1 0",
        "22 23 37 14 27 27 14 20 37 18 139 83 181 44 53 20 20 19 30 14 17 15 17",
    ),
    ("too much oil", REGULATING): Size(
        3,
        "3 -3 7 -1 12 -1 1 0 0 0 7 6 -4 -3 3 0 2 -2 -6 1 0 0 -2",
        "17 17 40 22 46 16 22 16 20 16 41 37 16 16 27 16 16 16 44 16 16 20 17",
    ),
}  # fmt: skip
