"""What each column of a log means: channel and unit, or why it is not used.

Takes a profile and the names and unit texts of a layout, gives a `ColumnPlan` that holds
for every file of that layout. A unit comes from the profile's map, else from the header
or the line of units, else from the profile's default; where two of them disagree, or
none can be known, the column is refused and nothing is guessed. Does not belong here:
the files themselves, the arithmetic of units (`features.units`).
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from features.channels import CHANNEL
from features.units import UNITS, Unit, UnitError, parse_unit
from pipeline.headers import match_header, nearest_name, split_header, unit_of

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from features.channels import Quantity
    from pipeline.profiles import ChannelMap, Profile

# What the suffix of a canonical name states; canonical pressures are absolute.
_CANONICAL_UNITS: dict[Quantity, str] = {
    "pressure": "kPa absolute",
    "barometric_pressure": "kPa absolute",
    "temperature": "degC",
    "share": "%",
    "switch": "switch",
    "rotational_speed": "rpm",
    "power": "W",
    "vehicle_speed": "km/h",
    "voltage": "V",
}


# Of the columns that match no channel this many are told one by one.
_MOST_UNUSED = 40


@dataclass(frozen=True)
class ColumnUse:
    """A column that is read: its position and name in the file, its channel and unit."""

    index: int
    name: str
    channel: str
    unit: Unit

    @property
    def is_text(self) -> bool:
        """True means: its cells may be words."""
        return self.unit.quantity == "switch"


@dataclass(frozen=True)
class ColumnRemark:
    """A column that is refused or not used, and why."""

    name: str
    code: str
    sentence: str
    hint: str


@dataclass(frozen=True)
class ColumnPlan:
    """The columns to read, those refused, and those that match no channel."""

    uses: tuple[ColumnUse, ...]
    refused: tuple[ColumnRemark, ...]
    unused: tuple[ColumnRemark, ...]


@dataclass(frozen=True)
class _Stated:
    """Everything that is stated of one column's unit."""

    channel: str
    by_profile: str
    by_file: tuple[str, ...]
    default: str

    @property
    def quantity(self) -> Quantity:
        return CHANNEL[self.channel].quantity


def plan_columns(
    profile: Profile,
    names: Sequence[str],
    unit_texts: Sequence[str],
    skipped: Collection[int] = (),
    glued: Sequence[str] = (),
) -> ColumnPlan:
    """The plan for columns of these names.

    `skipped` are positions read otherwise (time); `glued` are the units that stand behind
    every value, where there are any. Of several columns of one name a profile calls the
    second `Name #2`.
    """
    uses: list[ColumnUse] = []
    refused: list[ColumnRemark] = []
    unmatched: list[str] = []
    for index, (name, in_profile) in enumerate(zip(names, _numbered(names), strict=True)):
        ignored = profile.ignores(name) or profile.ignores(in_profile)
        if index in skipped or not name or ignored:
            continue
        behind = glued[index] if glued else ""
        stated = _find_channel(profile, name, in_profile, (unit_texts[index], behind))
        if stated is None:
            unmatched.append(name)
            continue
        try:
            uses.append(ColumnUse(index, name, stated.channel, _find_unit(stated)))
        except UnitError as error:
            refused.append(ColumnRemark(name, error.code, error.sentence, error.hint))
    single, doubled = _without_doubles(uses)
    return ColumnPlan(single, (*refused, *doubled), _unused(unmatched))


def _numbered(names: Sequence[str]) -> list[str]:
    """The names, with a number behind the second and later columns of one name."""
    seen: Counter[str] = Counter()
    numbered = []
    for name in names:
        seen[name] += 1
        numbered.append(f"{name} #{seen[name]}" if seen[name] > 1 else name)
    return numbered


def _find_channel(
    profile: Profile, name: str, in_profile: str, unit_texts: tuple[str, ...]
) -> _Stated | None:
    """The channel of a column by the profile's map, else by its header."""
    mapped = _map_of(profile, in_profile)
    match = match_header(name)
    if mapped is not None:
        channel, in_header = mapped.channel, unit_of(name)
    elif match is not None:
        channel, in_header = match.channel, match.unit_text
        if match.is_canonical:
            in_header = _CANONICAL_UNITS[CHANNEL[channel].quantity]
    else:
        return None
    return _Stated(
        channel,
        mapped.unit if mapped else "",
        tuple(text for text in (in_header, *unit_texts) if text),
        profile.default_units.get(CHANNEL[channel].quantity, ""),
    )


def _map_of(profile: Profile, name: str) -> ChannelMap | None:
    """The profile's line for a column, by its whole name or by its name without the unit."""
    ways = (name, *(way for way, _ in split_header(name)))
    return next((line for way in ways if (line := profile.map_of(way)) is not None), None)


def _find_unit(stated: _Stated) -> Unit:
    """The one unit that follows from all that is stated.

    Raises
    ------
    UnitError
        Nothing is stated, or it has no or more than one meaning, or two statements differ.
    """
    definite, unclear = _read_units(stated)
    if stated.by_profile:
        definite.insert(0, parse_unit(stated.by_profile, stated.quantity))
    elif not definite and stated.default:
        definite.append(_refined(stated, unclear))
    if not definite and unclear:
        raise unclear[0]
    if not definite:
        return _unstated(stated)
    others = [unit for unit in definite[1:] if unit != definite[0]]
    if others:
        raise UnitError(
            "unit_contradiction",
            f"Two different units are stated for {stated.channel}: {definite[0].name} and "
            f"{others[0].name}.",
            "Find out which is right, and correct the profile, the header or the line of units.",
        )
    return definite[0]


def _read_units(stated: _Stated) -> tuple[list[Unit], list[UnitError]]:
    """The units that the file states, and the errors of those texts that are not clear."""
    definite: list[Unit] = []
    unclear: list[UnitError] = []
    for text in stated.by_file:
        try:
            definite.append(parse_unit(text, stated.quantity))
        except UnitError as error:
            unclear.append(error)
    return definite, unclear


def _refined(stated: _Stated, unclear: Sequence[UnitError]) -> Unit:
    """The profile's default, where the file states no other scale than the default's."""
    default = parse_unit(stated.default, stated.quantity)
    scale = default.name.partition(" ")[0]
    for text, error in zip(stated.by_file, unclear, strict=True):
        same_scale = stated.quantity == "pressure" and any(
            _is_unit(f"{text} {word}", f"{scale} {word}") for word in ("absolute", "gauge")
        )
        if error.code != "unit_ambiguous" or not same_scale:
            raise error
    return default


def _is_unit(text: str, name: str) -> bool:
    try:
        return parse_unit(text, "pressure") == UNITS[name]
    except UnitError:
        return False


def _unstated(stated: _Stated) -> Unit:
    if stated.quantity == "switch":
        # on or off has no unit to be mistaken for another
        return UNITS["switch"]
    raise UnitError(
        "unit_unknown",
        f"Nothing states the unit of this column ({CHANNEL[stated.channel].meaning}).",
        "Write the unit in the header, such as `Low side [psig]` or `Ambient [degC]`, or state "
        "it in a profile.",
    )


def _without_doubles(
    uses: Sequence[ColumnUse],
) -> tuple[tuple[ColumnUse, ...], tuple[ColumnRemark, ...]]:
    """Uses whose channel no other column claims, and remarks on those that share one."""
    claims = Counter(use.channel for use in uses)
    single = tuple(use for use in uses if claims[use.channel] == 1)
    doubled = []
    for use in uses:
        rivals = [one.name for one in uses if one.channel == use.channel and one is not use]
        if rivals:
            sentence = f"More than one column is {use.channel}: this one and {', '.join(rivals)}."
            hint = (
                "Tell them apart in a profile, or pass one over with `ignore`; of two columns of "
                "one name the second is `Name #2` there."
            )
            doubled.append(ColumnRemark(use.name, "two_columns_one_channel", sentence, hint))
    return single, tuple(doubled)


def _unused(names: Sequence[str]) -> tuple[ColumnRemark, ...]:
    """Remarks on columns that match no channel; beyond the first few only their count."""
    remarks = [_unmatched(name) for name in names[:_MOST_UNUSED]]
    rest = names[_MOST_UNUSED:]
    if rest:
        sentence = f"This and {len(rest) - 1} further columns match no channel and are not used."
        remarks.append(ColumnRemark(rest[0], "unused_column", sentence, "Name them in a profile."))
    return tuple(remarks)


def _unmatched(name: str) -> ColumnRemark:
    near = nearest_name(name)
    meant = f"Did you mean {near}? " if near else ""
    hint = f"{meant}To use it, name its channel in a profile; to pass it over, list it in `ignore`."
    return ColumnRemark(
        name, "unused_column", "The column matches no channel and is not used.", hint
    )
