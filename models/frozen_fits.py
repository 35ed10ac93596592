"""The fits of one basis as rows of numbers, one per fold, and back.

Takes `baseline.Fits`, gives flat arrays in a stated order; of a symmetric matrix half is
kept. Does not belong here: the other pieces of a norm (`frozen_rows`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from models.baseline import Fits

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from models.conditions import Array, Basis
    from models.frozen_rows import Pieces

# The arrays of a fold, those of one number per feature last.
_MATRICES = ("covariance", "plain_inverse")
_LISTS = ("coefficients", "shares", "lowest", "highest")
_SINGLE = ("scale", "vehicles", "tests", "typical_variance", "between_models", "between_freedom")


def fit_rows(fits: Fits) -> Iterator[tuple[str, int | None, dict[str, int], Array]]:
    """Piece, fold, shape and numbers: one row of the basis, then one per fold."""
    widths = {name: getattr(fits, name).shape[-1] for name in (*_MATRICES, *_LISTS)}
    shape = {"features": fits.scale.shape[1], **widths}
    yield "fit", None, shape, np.r_[fits.centre, fits.unit]
    parts = [_half(getattr(fits, name)) for name in _MATRICES]
    parts += [getattr(fits, name) for name in _LISTS]
    parts += [getattr(fits, name)[..., None] for name in _SINGLE]
    flat = np.concatenate([part.reshape(len(part), -1) for part in parts], axis=1)
    for fold, numbers in enumerate(flat):
        yield "fold", fold, {}, numbers


def read_fits(pieces: Pieces) -> Callable[[int, int, Basis], Fits | None]:
    """A function that gives the fits by group number, basis number and basis."""
    folds: dict[tuple[int, int], list[Array]] = {}
    for piece in pieces.get("fold", []):
        folds.setdefault((piece.group_number, piece.basis_number), []).append(piece.numbers)
    heads = {(p.group_number, p.basis_number): p for p in pieces.get("fit", [])}

    def fits_of(group_number: int, basis_number: int, basis: Basis) -> Fits | None:
        head = heads.get((group_number, basis_number))
        if head is None:
            return None
        centre, unit = np.split(head.numbers, 2)
        arrays = _arrays(np.stack(folds[group_number, basis_number]), head.head)
        return Fits(basis=basis, centre=centre, unit=unit, **arrays)

    return fits_of


def _arrays(flat: Array, shape: dict[str, int]) -> dict[str, Array]:
    """The arrays of all folds from rows of numbers."""
    n_features = shape["features"]
    sizes = {name: shape[name] * (shape[name] + 1) // 2 for name in _MATRICES}
    sizes |= {name: shape[name] for name in _LISTS}
    sizes |= dict.fromkeys(_SINGLE, 1)
    ends = np.cumsum([n_features * size for size in sizes.values()])[:-1]
    parts = {
        name: part.reshape(len(flat), n_features, size)
        for (name, size), part in zip(sizes.items(), np.split(flat, ends, axis=1), strict=True)
    }
    matrices = {name: _whole(parts[name], shape[name]) for name in _MATRICES}
    return parts | matrices | {name: parts[name][..., 0] for name in _SINGLE}


def _half(matrices: Array) -> Array:
    row, column = np.triu_indices(matrices.shape[-1])
    return matrices[..., row, column]


def _whole(halves: Array, size: int) -> Array:
    row, column = np.triu_indices(size)
    matrices = np.empty((*halves.shape[:-1], size, size))
    matrices[..., row, column] = halves
    matrices[..., column, row] = halves
    return matrices
