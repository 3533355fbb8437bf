"""Checks shared by the frozen value types: arrays are copied once, made read-only and validated; counts in words."""

from __future__ import annotations

from typing import Any

import numpy as np

from linelab.errors import InputError
from linelab.units import Array


def frozen_array(owner: str, name: str, value: Any, *, shape: tuple[int | None, ...]) -> Array:
    """Copy ``value`` into a read-only float64 array and check its shape and finiteness.

    Parameters
    ----------
    owner, name : str
        Used in messages: ``owner.name``.
    value : array_like
    shape : tuple of int or None
        Expected shape; None leaves that axis free.

    Raises
    ------
    InputError
        On a wrong shape or a value that is not finite (with the index of the first one).
    """
    array = value if _is_frozen(value) else np.array(value, dtype=np.float64, order="C")
    where = f"{owner}.{name}"
    if array.ndim != len(shape) or any(want is not None and want != got for want, got in zip(shape, array.shape)):
        raise InputError(f"array has shape {array.shape}, not {shape}", where=where, remedy="Check the array handed in")
    bad = ~np.isfinite(array)
    if bad.any():
        first = tuple(int(i) for i in np.argwhere(bad)[0])
        raise InputError(f"value at index {first} is not finite", where=where, remedy="Remove or repair that entry")
    array.flags.writeable = False
    return array


def freeze(array: Array) -> Array:
    """Make an array read-only, so that value types share it instead of copying it: recordings are large."""
    array.flags.writeable = False
    return array


def _is_frozen(value: Any) -> bool:
    """True for an array that nothing can write to: read-only and not a view of another."""
    return (
        isinstance(value, np.ndarray)
        and value.dtype == np.float64
        and value.base is None
        and not value.flags.writeable
        and bool(value.flags.c_contiguous)
    )


def frozen_with_gaps(where: str, value: Any, size: int) -> Array:
    """Read-only copy of a channel (size,); NaN marks a gap and is allowed.

    Raises
    ------
    InputError
        On a wrong shape.
    """
    array = value if _is_frozen(value) else np.array(value, dtype=np.float64)
    if array.shape != (size,):
        raise InputError(f"channel has shape {array.shape}, not ({size},)", where=where)
    array.flags.writeable = False
    return array


def require_increasing(owner: str, name: str, array: Array) -> None:
    """Raise InputError unless ``array`` is strictly increasing."""
    steps = np.diff(array)
    if steps.size and steps.min() <= 0.0:
        index = int(np.argmin(steps)) + 1
        raise InputError(
            f"values must increase, but entry {index} ({array[index]:.6g}) follows {array[index - 1]:.6g}",
            where=f"{owner}.{name}",
            remedy="Sort the data or remove repeated entries",
        )


def distance_along(x: Array, y: Array) -> Array:
    """Distance along a polyline at each of its points (N,), from 0."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])


def counted(number: int, noun: str) -> str:
    """A number with its noun, in the plural where there is not one: "1 sample", "3 samples"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def set_field(instance: object, name: str, value: object) -> None:
    """Assign inside ``__post_init__`` of a frozen dataclass."""
    object.__setattr__(instance, name, value)


def freeze_fields(instance: object, names: tuple[str, ...], size: int) -> None:
    """Replace each named field by its frozen one-dimensional copy of length ``size``."""
    owner = type(instance).__name__
    for name in names:
        set_field(instance, name, frozen_array(owner, name, getattr(instance, name), shape=(size,)))
