"""The array type of the plant, and records of plain numbers laid side by side.

A `Batch` holds one array per field of a record, over the tests of a batch. No physics here.
"""

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IndexArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]


class Batch:
    """Records side by side: every field of the record as an array over the tests."""

    def __init__(self, columns: dict[str, FloatArray]) -> None:
        self.__dict__.update(columns)

    def __getattr__(self, name: str) -> FloatArray:
        raise AttributeError(f"the batch has no field {name!r}")

    def __len__(self) -> int:
        return len(next(iter(self.__dict__.values())))

    def with_columns(self, **columns: FloatArray) -> "Batch":
        """Same batch with some columns replaced; a name it does not hold is an error."""
        unknown = set(columns) - set(self.__dict__)
        if unknown:
            raise AttributeError(f"the batch has no fields {sorted(unknown)}")
        return Batch({**self.__dict__, **columns})

    def rows(self, chosen: IndexArray | slice) -> "Batch":
        """Same fields for the chosen tests."""
        return Batch({name: column[chosen] for name, column in self.__dict__.items()})


def side_by_side(records: Sequence[Any]) -> Batch:
    """Batch of the records' fields: floats, integers and booleans all become float64."""
    if not records:
        raise ValueError("a batch needs at least one record; found none")
    names = [field.name for field in fields(records[0])]
    return Batch({n: np.array([getattr(r, n) for r in records], dtype=np.float64) for n in names})
