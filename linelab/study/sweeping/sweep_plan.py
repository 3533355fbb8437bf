"""Which laps a sweep computes: every track with every kart at every point of a plan, and what a computed one has.

A point gives values to fields of a kart file, to ``grip``, the condition of the track in words or a factor on mu for
all of it, and to ``tyres``.
"""

from __future__ import annotations

import hashlib
import itertools
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any, Literal, NamedTuple, TypeVar

import numpy as np

from linelab.arrays import ByValue
from linelab.errors import InputError, KartError, check_kinds
from linelab.files.kart_file import check_fields, kart_from, kart_table, with_fields
from linelab.model.conditions import WEATHERS, conditions
from linelab.model.kart import Kart
from linelab.model.track import Track

#: The fields that are not in a kart file.
GRIP, TYRES_FIELD = "grip", "tyres"
#: Values by field.
Point = dict[str, Any]
#: Values of each field, every combination of which is a point; or the points themselves.
Vary = Mapping[str, Sequence[Any]] | Sequence[Mapping[str, Any]]
_Kind = TypeVar("_Kind")
Several = list[_Kind] | tuple[_Kind, ...]
KartOrFile = Kart | str | Path


class CornerResult(NamedTuple):
    """A corner of a computed lap: its number, the time in its stretch [s], its minimum speed [m/s]."""

    number: int
    time: float
    min_speed: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SweptCase(ByValue):
    """One lap of a sweep.

    Parameters
    ----------
    number : int
        From 1.
    track, kart : str
        Their names.
    values : mapping of str to value
        The varied fields, in units of the kart file.
    outcome : str
        "verified", "not checked" where checks were not asked for, or "failed".
    lap_time : float or None
        None where it failed [s].
    time_error : float or None
        Estimated discretisation error [s].
    corners : tuple of CornerResult
        In driving order; their times add up to the lap time.
    reason : str
        Why it failed.
    field : str
        The kart file's field that is to blame, where one is known.
    """

    number: int
    track: str
    kart: str
    values: Mapping[str, Any]
    outcome: Literal["verified", "not checked", "failed"]
    lap_time: float | None = None
    time_error: float | None = None
    corners: tuple[CornerResult, ...] = ()
    reason: str = ""
    field: str = ""

    def row(self) -> dict[str, Any]:
        """The lap as a row of a table."""
        figures: dict[str, Any] = {"lap_time_s": self.lap_time, "time_error_s": self.time_error}
        said = {"outcome": self.outcome, "reason": self.reason, "field": self.field}
        corners = {
            f"corner_{corner.number}_{what}": value
            for corner in self.corners
            for what, value in (("time_s", corner.time), ("minimum_speed_mps", corner.min_speed))
        }
        return {
            "case": self.number,
            "track": self.track,
            "kart": self.kart,
            **self.values,
            **figures,
            **said,
            **corners,
        }


class Day(NamedTuple):
    """The conditions of a lap in words, and the factor on mu that remains [-]; None where the track stays as it is."""

    weather: str | None
    tyres: str
    factor: float


class Case(NamedTuple):
    """A lap to compute: indices of its track, kart and point."""

    track: int
    kart: int
    point: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """A sweep.

    Parameters
    ----------
    tracks : tuple of Track
    karts : tuple of dict
        Each kart's fields, as its file holds them.
    points : tuple of Point
        All of the same fields.
    grip : float or str
        Factor on mu [-], or the condition of the track in words, where a point does not give it.
    tyres : str
        With a condition in words, where a point does not give it.
    use_kerbs, verify : bool
        As for :func:`linelab.solve_min_time`.
    """

    tracks: tuple[Track, ...]
    karts: tuple[dict[str, Any], ...]
    points: tuple[Point, ...]
    grip: float | str
    tyres: str
    use_kerbs: bool
    verify: bool

    @property
    def size(self) -> int:
        """Number of cases."""
        return len(self.tracks) * len(self.karts) * len(self.points)

    def case(self, number: int) -> Case:
        """A case by its number, from 1."""
        pair, point = divmod(number - 1, len(self.points))
        return Case(*divmod(pair, len(self.karts)), point)

    def day(self, point: Point) -> Day:
        """The conditions of a point."""
        grip = point.get(GRIP, self.grip)
        if isinstance(grip, str):
            return Day(grip, point.get(TYRES_FIELD, self.tyres), 1.0)
        return Day(None, "", float(grip))

    def middles(self) -> dict[tuple[str | None, str], Point]:
        """By weather and tyres, the point nearest to the middle of all with them, each field by its range; the first of
        those equally near.  Another condition has another line: a lap begun from its would end near it."""
        groups: dict[tuple[str | None, str], list[Point]] = {}
        for point in self.points:
            groups.setdefault(self.day(point)[:2], []).append(point)
        return {words: _middle(points) for words, points in groups.items()}

    def parts(self) -> dict[str, str]:
        """What makes it this plan and no other, by subject, as text."""
        tracks = [[track.name, _digest(track)] for track in self.tracks]
        options = {"grip": self.grip, "tyres": self.tyres, "use_kerbs": self.use_kerbs, "verify": self.verify}
        kept = {"tracks": tracks, "karts": self.karts, "varied values": self.points, "options": options}
        return {name: json.dumps(value, ensure_ascii=False) for name, value in kept.items()}


def plan_of(
    track: Track | Several[Track],
    kart: KartOrFile | Several[KartOrFile],
    vary: Vary,
    *,
    grip: float | str,
    tyres: str,
    use_kerbs: bool,
    verify: bool,
) -> Plan:
    """Check what :func:`linelab.sweep` is given; parameters and errors as there."""
    tracks = track if isinstance(track, (list, tuple)) else [track]
    karts = kart if isinstance(kart, (list, tuple)) else [kart]
    check_kinds("sweep", vary=(vary, (Mapping, Sequence)))
    for each in tracks:
        check_kinds("sweep", track=(each, Track))
    for given in karts:
        check_kinds("sweep", kart=(given, (Kart, str, Path)))
    tables = [kart_table(given) for given in karts]
    _named_once("tracks", [each.name for each in tracks])
    _named_once("karts", [table["name"] for table in tables])
    points = _points(vary)
    _check_days(points, grip, tyres)
    for table in tables:
        _check(table, points)
    return Plan(
        tracks=tuple(tracks), karts=tuple(tables), points=points, grip=grip, tyres=tyres, use_kerbs=use_kerbs,
        verify=verify,
    )  # fmt: skip


def latin_hypercube(between: Mapping[str, tuple[float, float]], count: int, *, seed: int = 0) -> list[Point]:
    """Points spread evenly at random: each field's range is cut into ``count`` parts, and each part is used once.

    Parameters
    ----------
    between : mapping of str to (low, high)
        Range of each field, named as in a kart file, or ``grip`` as a factor.
    count : int
        Number of points.
    seed : int
        The same seed gives the same points.

    Returns
    -------
    list of dict
        What :func:`linelab.sweep` takes as ``vary``; six significant digits.

    Raises
    ------
    InputError
        No range, one that is empty or not finite, or fewer than one point.

    References
    ----------
    M. D. McKay, R. J. Beckman & W. J. Conover, "A comparison of three methods for selecting values of input variables
    in the analysis of output from a computer code", Technometrics 21(2), 1979; drawn by SciPy.

    Examples
    --------
    >>> import linelab
    >>> points = linelab.latin_hypercube({"mass_kg": (150.0, 170.0), "grip": (0.9, 1.0)}, 4, seed=1)
    >>> sorted(int((point["mass_kg"] - 150.0) // 5.0) for point in points)
    [0, 1, 2, 3]
    """
    check_kinds("latin_hypercube", between=(between, Mapping), count=(count, int))
    if not between or count < 1:
        raise InputError(
            "nothing is to be varied" if not between else f"{count} points are none",
            where="latin_hypercube", remedy="Give a range such as {'mass_kg': (150, 170)}, and a number of points",
        )  # fmt: skip
    try:
        low, high = np.array([(float(a), float(b)) for a, b in between.values()]).T
    except (TypeError, ValueError) as error:
        raise InputError("a range is not two numbers", where="latin_hypercube", remedy="Give (low, high)") from error
    for name, a, b in zip(between, low, high):
        if not (np.isfinite([a, b]).all() and a < b):
            raise InputError(f"{a:g} to {b:g} is no range", where=name, remedy="Give the lower value first")
    from scipy.stats import qmc

    unit = qmc.LatinHypercube(d=len(between), seed=np.random.default_rng(seed)).random(count)
    drawn = low + unit * (high - low)
    rounded = np.clip([[float(f"{value:.6g}") for value in row] for row in drawn], low, high)
    return [dict(zip(between, row)) for row in rounded.tolist()]


def _middle(points: Sequence[Point]) -> Point:
    """The point nearest to the middle of some."""
    numeric = [name for name, value in points[0].items() if _is_number(value)]
    at = np.array([[float(point[name]) for name in numeric] for point in points])
    low, high = at.min(axis=0, initial=np.inf), at.max(axis=0, initial=-np.inf)
    away = (at - 0.5 * (low + high)) / np.where(high > low, high - low, 1.0)
    return points[int(np.argmin(np.sum(away**2, axis=1)))]


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _plain(value: Any) -> Any:
    """A value as plain Python: what a file can hold."""
    return value.tolist() if isinstance(value, (np.ndarray, np.generic)) else value


def _points(vary: Vary) -> tuple[Point, ...]:
    """The points, each once."""
    given: Iterable[tuple[Any, ...]]
    if isinstance(vary, Mapping):
        names = list(vary)
        lists = [_plain(values) for values in vary.values()]
        for name, values in zip(names, lists):
            if not isinstance(values, (list, tuple, range)) or not values:
                raise InputError("no list of values", where=f"vary, {name}", remedy="Give values, such as [150, 160]")
        given = itertools.product(*lists) if names else []
    else:
        names = list(vary[0]) if vary and isinstance(vary[0], Mapping) else []
        for number, point in enumerate(vary, start=1):
            if not isinstance(point, Mapping) or set(point) != set(names):
                raise InputError(
                    "does not give the fields that the first one gives" if number > 1 else "gives no fields",
                    where=f"vary, point {number}", remedy="Give points as {'mass_kg': 150}, all of the same fields",
                )  # fmt: skip
        given = [tuple(point[name] for name in names) for point in vary]
    points = tuple(dict(zip(names, map(_plain, values))) for values in given)
    if not points or not names:
        raise InputError("nothing is varied", where="vary", remedy="Give values, such as {'mass_kg': [150, 160, 170]}")
    seen: set[str] = set()
    for point in points:
        try:
            text = json.dumps(point, allow_nan=False)
        except (TypeError, ValueError) as error:
            raise InputError(f"{point} holds what no kart file can hold", where="vary") from error
        if text in seen:
            shown = ", ".join(f"{name} = {value}" for name, value in point.items())
            raise InputError(f"{shown} is there twice", where="vary", remedy="Give each value once")
        seen.add(text)
    return points


def _named_once(what: str, names: Sequence[str]) -> None:
    """Refuse names that would not tell two things apart, and none at all."""
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None or not names:
        said = f"no {what}" if twice is None else f"two {what} are named {twice!r}"
        raise InputError(said, where="sweep", remedy=f"Give {what} of different names")


def _check(table: dict[str, Any], points: Sequence[Point]) -> None:
    """Refuse a field that the kart does not have and a value that it can never have; and points all of which fail.

    What only goes wrong together with other values is a failed case, and no fault of the plan.
    """
    seen = set()
    for point in points:
        for name, value in point.items():
            if (key := (name, json.dumps(value))) in seen:
                continue
            seen.add(key)
            if name not in (GRIP, TYRES_FIELD):
                check_fields(with_fields(table, {name: value}), table["name"])
    first = None
    for point in points:
        try:
            kart_at(table, point)
            return
        except KartError as error:
            first = first or error
    if first is not None:
        raise first


def _check_days(points: Sequence[Point], grip: Any, tyres: Any) -> None:
    """Refuse a condition that is not known, words and numbers mixed, and tyres beside a number."""
    grips = [point.get(GRIP, grip) for point in points]
    words = [value for value in grips if isinstance(value, str)]
    for value in grips:
        if not isinstance(value, str) and not _is_number(value):
            raise InputError(
                f"{value!r} is neither a number nor a word", where=GRIP,
                remedy=f"1 is the kart file's own grip; the words are {', '.join(WEATHERS)}",
            )  # fmt: skip
    if words and len(words) < len(grips):
        raise InputError(
            "grip is given in words and in numbers", where=GRIP,
            remedy="Make two sweeps: a number is the whole factor, a word has one for each kind of ground",
        )  # fmt: skip
    given = [point[TYRES_FIELD] for point in points if TYRES_FIELD in point]
    if given and not words:
        raise InputError(
            "tyres go with a condition in words", where=TYRES_FIELD,
            remedy=f"Give grip as {', '.join(WEATHERS)}; a number is the whole factor",
        )  # fmt: skip
    for weather in dict.fromkeys(words):
        for each in dict.fromkeys(given or [tyres]):
            conditions(weather, each)


def kart_at(table: Mapping[str, Any], point: Point) -> Kart:
    """The kart with the values of a point.

    Raises
    ------
    KartError
    """
    return kart_from(
        with_fields(table, {name: value for name, value in point.items() if name not in (GRIP, TYRES_FIELD)}),
        table["name"],
    )


def _digest(value: Any) -> str:
    """The same for the same track, and for no other."""
    made = hashlib.sha256()

    def take(part: Any) -> None:
        if isinstance(part, np.ndarray):
            made.update(np.ascontiguousarray(part).tobytes())
        elif is_dataclass(part) and not isinstance(part, type):
            for item in fields(part):
                take(getattr(part, item.name))
        elif isinstance(part, (tuple, list)):
            for item in part:
                take(item)
        else:
            made.update(repr(part).encode())

    take(value)
    return made.hexdigest()
