"""Units of measured quantities: what a text means, and exact conversion both ways.

Holds the record `Unit`, the list `UNITS`, the reading of a unit text as a logger prints
it (`parse_unit`), and expression functions to and from the canonical unit of a quantity
(kPa absolute, degC, %, 1/min, W, km/h, V, 0 or 1). Gauge and absolute pressure are
different units. Does not belong here: which column carries which unit (`pipeline`), how
a local atmosphere follows from altitude (`air`).

Factors are exact by definition: the inch 0.0254 m and the avoirdupois pound 0.45359237 kg
(international yard and pound agreement, 1959), standard gravity 9.80665 m/s2 and the
standard atmosphere 101.325 kPa (CGPM 1901 and 1954), the conventional density of mercury
13 595.1 kg/m3 behind inHg and mmHg (NIST SP 811, appendix B.8), the mile 1609.344 m.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import polars as pl

if TYPE_CHECKING:
    from features.channels import Quantity

Reference = Literal["none", "absolute", "gauge_vented", "gauge_sealed"]

# CGPM 1954, resolution 4
STANDARD_ATMOSPHERE_KPA = 101.325
# CGPM 1901; international yard and pound agreement 1959
_GRAVITY_M_PER_S2 = 9.80665
_POUND_KG = 0.45359237
_INCH_M = 0.0254
# NIST SP 811: conventional mercury
_MERCURY_KG_PER_M3 = 13595.1
_ICE_POINT_K = 273.15


@dataclass(frozen=True)
class Unit:
    """A unit of one quantity: canonical value = reading * `factor` + `offset`.

    A gauge pressure is then still relative; `reference` says what stands at its zero.
    A switch has no scale: its texts are listed in `to_canonical`.
    """

    name: str
    quantity: Quantity
    factor: float = 1.0
    offset: float = 0.0
    reference: Reference = "none"


class UnitError(ValueError):
    """A unit that cannot be known: `code`, what is wrong (`sentence`), what to do (`hint`)."""

    def __init__(self, code: str, sentence: str, hint: str) -> None:
        super().__init__(f"{sentence} {hint}")
        self.code = code
        self.sentence = sentence
        self.hint = hint


_PRESSURE_SCALES_KPA: dict[str, float] = {
    "psi": _POUND_KG * _GRAVITY_M_PER_S2 / _INCH_M**2 / 1000.0,
    "Pa": 0.001,
    "hPa": 0.1,
    "kPa": 1.0,
    "MPa": 1000.0,
    "bar": 100.0,
    "inHg": _MERCURY_KG_PER_M3 * _GRAVITY_M_PER_S2 * _INCH_M / 1000.0,
    "mmHg": _MERCURY_KG_PER_M3 * _GRAVITY_M_PER_S2 * 1e-6,
    "kgf/cm2": _GRAVITY_M_PER_S2 * 10.0,
}

_REFERENCE_WORD: dict[Reference, str] = {
    "absolute": "absolute",
    "gauge_vented": "gauge",
    "gauge_sealed": "sealed gauge",
}

UNITS: dict[str, Unit] = {
    unit.name: unit
    for unit in (
        *(
            Unit(f"{scale} {word}", "pressure", factor, 0.0, reference)
            for scale, factor in _PRESSURE_SCALES_KPA.items()
            for reference, word in _REFERENCE_WORD.items()
        ),
        Unit("degC", "temperature"),
        Unit("degF", "temperature", 5.0 / 9.0, -160.0 / 9.0),
        Unit("K", "temperature", 1.0, -_ICE_POINT_K),
        Unit("%", "share"),
        Unit("ratio", "share", 100.0),
        Unit("rpm", "rotational_speed"),
        Unit("W", "power"),
        Unit("kW", "power", 1000.0),
        Unit("km/h", "vehicle_speed"),
        Unit("mph", "vehicle_speed", 1.609344),
        Unit("m/s", "vehicle_speed", 3.6),
        Unit("V", "voltage"),
        Unit("mV", "voltage", 0.001),
        Unit("switch", "switch"),
    )
}

# Spellings are compared in lower case without blanks, dots, brackets and degree signs.
_PRESSURE_SPELLINGS: dict[str, str] = {
    "psi": "psi", "lb/in2": "psi", "lbf/in2": "psi", "lbs/in2": "psi",
    "pa": "Pa", "pascal": "Pa",
    "hpa": "hPa", "mbar": "hPa", "millibar": "hPa",
    "kpa": "kPa", "kilopascal": "kPa", "mpa": "MPa", "megapascal": "MPa",
    "bar": "bar",
    "inhg": "inHg", "inchhg": "inHg", '"hg': "inHg",
    "mmhg": "mmHg",
    "kgf/cm2": "kgf/cm2", "kg/cm2": "kgf/cm2",
}  # fmt: skip

_REFERENCE_SPELLINGS: dict[str, Reference] = {
    "a": "absolute", "abs": "absolute", "absolute": "absolute",
    "g": "gauge_vented", "gauge": "gauge_vented", "gage": "gauge_vented",
    "ventedgauge": "gauge_vented", "gaugevented": "gauge_vented", "vg": "gauge_vented",
    "s": "gauge_sealed", "sg": "gauge_sealed", "sealed": "gauge_sealed",
    "sealedgauge": "gauge_sealed", "gaugesealed": "gauge_sealed",
}  # fmt: skip

_SPELLINGS: dict[Quantity, dict[str, str]] = {
    "temperature": {
        "c": "degC", "degc": "degC", "celsius": "degC", "degreescelsius": "degC",
        "f": "degF", "degf": "degF", "fahrenheit": "degF", "degreesfahrenheit": "degF",
        "k": "K", "kelvin": "K",
    },
    "share": {
        "%": "%", "pct": "%", "percent": "%", "%rh": "%", "rh%": "%", "%rf": "%",
        "ratio": "ratio", "fraction": "ratio", "0-1": "ratio", "0to1": "ratio",
    },
    "rotational_speed": {
        "rpm": "rpm", "1/min": "rpm", "r/min": "rpm", "rev/min": "rpm", "min-1": "rpm",
    },
    "power": {"w": "W", "watt": "W", "kw": "kW", "kilowatt": "kW"},
    "vehicle_speed": {
        "km/h": "km/h", "kmh": "km/h", "kph": "km/h", "mph": "mph", "mi/h": "mph",
        "m/s": "m/s", "mps": "m/s",
    },
    "voltage": {"v": "V", "volt": "V", "volts": "V", "vdc": "V", "mv": "mV"},
    "switch": {
        "switch": "switch", "0/1": "switch", "on/off": "switch", "bool": "switch",
        "boolean": "switch", "true/false": "switch", "yes/no": "switch", "1": "switch",
    },
}  # fmt: skip

_SWITCH_TEXTS: dict[str, float] = {
    "0": 0.0, "0.0": 0.0, "off": 0.0, "false": 0.0, "no": 0.0,
    "1": 1.0, "1.0": 1.0, "on": 1.0, "true": 1.0, "yes": 1.0,
}  # fmt: skip

_DEGREE_SIGNS = "\N{DEGREE SIGN}\N{MASCULINE ORDINAL INDICATOR}\N{RING ABOVE}"
# what is left of a degree sign after a file was read in the wrong encoding
_BROKEN_DEGREE_SIGNS = "\N{REPLACEMENT CHARACTER}\N{LATIN CAPITAL LETTER A WITH CIRCUMFLEX}"
_SIGNS = str.maketrans("", "", _DEGREE_SIGNS + _BROKEN_DEGREE_SIGNS)


def parse_unit(text: str, quantity: Quantity) -> Unit:
    """The unit that a text as printed by a logger means for a quantity.

    Parameters
    ----------
    text
        For example "psig", "bar(g)", "kPa abs", "degF", "1/min".
    quantity
        What the column measures. A barometric pressure needs no reference word; a
        refrigerant pressure does.

    Raises
    ------
    UnitError
        The text is unknown (`unit_unknown`), or has more than one meaning
        (`unit_ambiguous`): a guess between gauge and absolute is an error of one
        atmosphere.

    Examples
    --------
    >>> parse_unit("PSIG", "pressure").name
    'psi gauge'
    """
    plain = _plain(text)
    if quantity == "pressure":
        return _parse_pressure(text, plain)
    if quantity == "barometric_pressure":
        return _parse_barometric(text, plain)
    if quantity == "temperature" and plain in {"deg", "degree", "degrees"}:
        raise UnitError(
            "unit_ambiguous",
            f"The unit '{text}' does not say which temperature scale is meant.",
            "Write degC, degF or K.",
        )
    name = _SPELLINGS[quantity].get(plain)
    if name is None:
        raise _unknown(text, quantity)
    return UNITS[name]


def to_canonical(expr: pl.Expr, unit: Unit, atmospheric_kpa: pl.Expr) -> pl.Expr:
    """The column in the canonical unit of its quantity, Float64; null where it has no value.

    Parameters
    ----------
    expr
        Readings in `unit`; numbers, or for a switch also texts (on/off, true/false,
        yes/no, 0/1) or truth values.
    unit
        The unit of the readings.
    atmospheric_kpa
        Local atmospheric pressure [kPa]; stands at the zero of a vented gauge and is
        used for nothing else. A sealed gauge stands on 101.325 kPa.
    """
    if unit.quantity == "switch":
        texts = expr.cast(pl.String()).str.strip_chars().str.to_lowercase()
        return texts.replace_strict(_SWITCH_TEXTS, default=None, return_dtype=pl.Float64())
    canonical = expr.cast(pl.Float64()) * unit.factor + _zero(unit, atmospheric_kpa)
    return pl.when(canonical.is_finite()).then(canonical)


def from_canonical(expr: pl.Expr, unit: Unit, atmospheric_kpa: pl.Expr) -> pl.Expr:
    """The column of canonical values as readings in `unit`: the inverse of `to_canonical`."""
    if unit.quantity == "switch":
        return expr.cast(pl.Float64())
    return (expr - _zero(unit, atmospheric_kpa)) / unit.factor


def _zero(unit: Unit, atmospheric_kpa: pl.Expr) -> pl.Expr:
    if unit.reference == "gauge_vented":
        return atmospheric_kpa.cast(pl.Float64())
    if unit.reference == "gauge_sealed":
        return pl.lit(STANDARD_ATMOSPHERE_KPA)
    return pl.lit(unit.offset)


def _plain(text: str) -> str:
    unsigned = unicodedata.normalize("NFKC", text.translate(_SIGNS)).translate(_SIGNS)
    return re.sub(r"[\s._()\[\]]+", "", unsigned.casefold())


def _split_pressure(plain: str) -> tuple[str, str] | None:
    # longest spelling first, so that the reference word is all that is left over
    for spelling in sorted(_PRESSURE_SPELLINGS, key=len, reverse=True):
        if plain.startswith(spelling):
            return _PRESSURE_SPELLINGS[spelling], plain.removeprefix(spelling).strip("-,:")
    return None


def _parse_pressure(text: str, plain: str) -> Unit:
    scale, word = _split_pressure(plain) or ("", "")
    if "vac" in plain:
        raise UnitError(
            "unit_ambiguous",
            f"'{text}' counts downward from the atmosphere; it cannot carry a whole test.",
            "Log gauge or absolute pressure on one scale, for example psig or kPa absolute.",
        )
    if not scale or (word and word not in _REFERENCE_SPELLINGS):
        raise _unknown(text, "pressure")
    if not word:
        raise UnitError(
            "unit_ambiguous",
            f"'{text}' does not say whether the pressure is gauge or absolute.",
            f"Write '{scale} gauge', '{scale} sealed gauge' or '{scale} absolute' in the header "
            "or in the profile; the two differ by one atmosphere.",
        )
    return UNITS[f"{scale} {_REFERENCE_WORD[_REFERENCE_SPELLINGS[word]]}"]


def _parse_barometric(text: str, plain: str) -> Unit:
    scale, word = _split_pressure(plain) or ("", "")
    if not scale or (word and word not in _REFERENCE_SPELLINGS):
        raise _unknown(text, "barometric_pressure")
    if word and _REFERENCE_SPELLINGS[word] != "absolute":
        raise UnitError(
            "unit_contradicts_quantity",
            f"A barometric pressure cannot be a gauge pressure, but its unit is '{text}'.",
            f"Write '{scale}' or '{scale} absolute', or name another channel.",
        )
    return UNITS[f"{scale} absolute"]


def _unknown(text: str, quantity: Quantity) -> UnitError:
    of_pressure = quantity in {"pressure", "barometric_pressure"}
    family: Quantity = "pressure" if of_pressure else quantity
    names = [name for name, unit in UNITS.items() if unit.quantity == family]
    close = difflib.get_close_matches(text, names, n=2, cutoff=0.6)
    meant = f"Did you mean {' or '.join(close)}? " if close else ""
    return UnitError(
        "unit_unknown",
        f"'{text}' is not a unit of {quantity.replace('_', ' ')} that can be read.",
        f"{meant}Readable units are: {', '.join(names)}.",
    )
