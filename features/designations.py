"""The refrigerants that can be judged, and the reading of their trade designations.

Holds the record `Refrigerant`, the list `REFRIGERANTS` and `resolve_refrigerant`, which
turns a designation from the registry ("R-1234yf", "hfo 1234YF", "134a") into a record or
refuses it with a reason. Does not belong here: any property (`refrigerant`).
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass


@dataclass(frozen=True)
class Refrigerant:
    """A refrigerant by its number (ISO 817) and its name in the property library.

    A blend boils over a range of temperatures: its dew and bubble points differ, and
    its composition is the one the library states.
    """

    designation: str
    library_name: str
    is_blend: bool = False


class RefrigerantError(ValueError):
    """A refrigerant that cannot be judged: `code`, why (`sentence`), what to do (`hint`)."""

    def __init__(self, code: str, sentence: str, hint: str) -> None:
        super().__init__(f"{sentence} {hint}")
        self.code = code
        self.sentence = sentence
        self.hint = hint


REFRIGERANTS: dict[str, Refrigerant] = {
    refrigerant.designation: refrigerant
    for refrigerant in (
        Refrigerant("R1234yf", "R1234yf"),
        Refrigerant("R134a", "R134a"),
        Refrigerant("R1234ze(E)", "R1234ze(E)"),
        Refrigerant("R12", "R12"),
        Refrigerant("R22", "R22"),
        Refrigerant("R32", "R32"),
        Refrigerant("R152a", "R152A"),
        Refrigerant("R290", "n-Propane"),
        Refrigerant("R600a", "IsoButane"),
        Refrigerant("R1270", "Propylene"),
        Refrigerant("R407C", "R407C.mix", is_blend=True),
        Refrigerant("R444A", "R444A.mix", is_blend=True),
        Refrigerant("R450A", "R450A.mix", is_blend=True),
        Refrigerant("R456A", "R456A.mix", is_blend=True),
        Refrigerant("R513A", "R513A.mix", is_blend=True),
    )
}

# chemical names that stand on labels beside the number
_OTHER_NAMES: dict[str, str] = {
    "propane": "290",
    "isobutane": "600a",
    "propylene": "1270",
    "propene": "1270",
    "1234ze": "1234zee",
    "co2": "744",
    "carbondioxide": "744",
}

_TRANSCRITICAL = "744"


def _bare(designation: str) -> str:
    """The number alone, in lower case: "HFO-1234yf" and "R 1234YF" -> "1234yf"."""
    plain = re.sub(r"[\s\-_.()/]+", "", designation.casefold())
    number = re.sub(r"^(?:hcfo|hcfc|cfc|hfo|hfc|hc|r)(?=\d)", "", plain)
    return _OTHER_NAMES.get(number, number)


_BY_NUMBER = {_bare(name): refrigerant for name, refrigerant in REFRIGERANTS.items()}


def resolve_refrigerant(designation: str) -> Refrigerant:
    """The refrigerant that a designation names.

    Capitals, blanks, hyphens and the prefixes R, HFO, HFC, HCFC, CFC and HC make no
    difference.

    Raises
    ------
    RefrigerantError
        `refrigerant_missing`, `refrigerant_transcritical` (R-744: above its critical
        point there is no saturation temperature, so no subcooling) or
        `refrigerant_unknown`, the last with the nearest known designations.

    Examples
    --------
    >>> resolve_refrigerant("HFO-1234yf").designation
    'R1234yf'
    """
    number = _bare(designation)
    if not number:
        raise RefrigerantError(
            "refrigerant_missing",
            "The refrigerant is not given.",
            "Write the designation on the label under the hood, for example R1234yf or R134a.",
        )
    if number == _TRANSCRITICAL:
        raise RefrigerantError(
            "refrigerant_transcritical",
            f"'{designation}' is carbon dioxide (R-744): its high side runs above the critical "
            "point, where no saturation temperature and so no subcooling exists.",
            "Such systems cannot be judged here; leave their tests out.",
        )
    if number not in _BY_NUMBER:
        raise _unknown(designation, number)
    return _BY_NUMBER[number]


def _unknown(designation: str, number: str) -> RefrigerantError:
    close = difflib.get_close_matches(number, _BY_NUMBER, n=3, cutoff=0.5)
    names = [_BY_NUMBER[one].designation for one in close]
    meant = f"Did you mean {' or '.join(names)}? " if names else ""
    return RefrigerantError(
        "refrigerant_unknown",
        f"'{designation}' is not a refrigerant that can be judged.",
        f"{meant}Known are {', '.join(REFRIGERANTS)}.",
    )
