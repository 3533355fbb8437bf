"""What the frozen value types share: arrays copied once, read-only and checked; equality; tables; counts in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from functools import cache
from typing import TYPE_CHECKING, Any, Protocol, TypeVar, cast

import numpy as np

from linelab.errors import InputError
from linelab.units import Array

if TYPE_CHECKING:
    from pandas import DataFrame as DataFrame


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


class ByValue:
    """Base of dataclasses that hold arrays: equal when all their fields are, arrays element by element."""

    __slots__ = ()

    def __eq__(self, other: object) -> bool:
        return self is other or (type(self) is type(other) and _same(_values(self), _values(other)))

    def __hash__(self) -> int:
        # Cheap, since caches ask for it at every call, and alike for what is equal: the first few fields stand for all.
        return hash((type(self), *(_hashed(getattr(self, name)) for name in _first_fields(cast(Any, type(self))))))

    def __reduce__(self) -> tuple[Any, ...]:
        # Read-only mappings cannot be sent to another process.
        kept = [dict(value) if isinstance(value, Mapping) else value for value in _values(self)]
        return _made, (type(self), *kept)


def _made(kind: Any, *values: Any) -> Any:
    """A value of its fields, in their order."""
    return kind(**{item.name: value for item, value in zip(fields(kind), values, strict=True)})


def _values(instance: Any) -> list[Any]:
    return [getattr(instance, item.name) for item in fields(instance)]


def _same(a: Any, b: Any) -> bool:
    """Whether two values are equal, gaps (NaN) in arrays included."""
    if a is b:
        return True
    if isinstance(a, np.ndarray) and isinstance(b, np.ndarray):
        return np.array_equal(a, b, equal_nan=a.dtype.kind == "f")
    if isinstance(a, (tuple, list)) and isinstance(b, (tuple, list)):
        return len(a) == len(b) and all(map(_same, a, b))
    if isinstance(a, Mapping) and isinstance(b, Mapping):
        return a.keys() == b.keys() and all(_same(value, b[key]) for key, value in a.items())
    return bool(a == b)


@cache
def _first_fields(kind: Any) -> tuple[str, ...]:
    return tuple(item.name for item in fields(kind)[:4])


def _hashed(value: Any) -> Any:
    """Of an array its size and last entry; of what is nested nothing."""
    if isinstance(value, np.ndarray):
        last = float(value.flat[-1]) if value.size else 0.0
        return value.shape, last if last == last else None
    return value if isinstance(value, (str, int, float, type(None))) else None


class HasRow(Protocol):
    """A value type that can be a row of a table."""

    def row(self) -> dict[str, Any]:
        """Title, with the unit in it, to value."""


Item = TypeVar("Item", bound=HasRow, covariant=True)


class Table(tuple[Item, ...]):
    """A tuple whose items can be shown as a table, one row each."""

    __slots__ = ()

    def to_dataframe(self) -> DataFrame:
        """The items as a table, units in the column names.

        Raises
        ------
        InputError
            pandas is not installed (``pip install linelab[tables]``).
        """
        return data_frame([item.row() for item in self])


def data_frame(data: Any) -> DataFrame:
    """A pandas table of columns by title, or of rows.

    Raises
    ------
    InputError
        pandas is not installed.
    """
    try:
        import pandas
    except ImportError as error:
        raise InputError(
            "pandas is not installed", where="to_dataframe", remedy="Install it with: pip install 'linelab[tables]'"
        ) from error
    return pandas.DataFrame(data)


def smoothstep(share: Array) -> Array:
    """From 0 to 1 as a share does, level at both ends and beyond them."""
    u = np.clip(share, 0.0, 1.0)
    return np.asarray(u * u * (3.0 - 2.0 * u))
