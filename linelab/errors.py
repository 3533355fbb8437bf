"""Exceptions of linelab.

Every message says three things: what is wrong, where it is (file, line, station, field) and what to
try.  The parts are kept as attributes so that a program can act on them without parsing text.

Also here: the signals that ask a program to end.
"""

from __future__ import annotations

import signal
from collections.abc import Iterable
from os import PathLike
from pathlib import Path


def legible(text: str | PathLike[str]) -> str:
    """Text from outside as it can be shown: what a terminal would act on instead of showing it becomes U+FFFD.

    These are the characters of Unicode's categories Cc (escape sequences), Cf (changes of the writing direction, but
    not the joiners that scripts need), Cs (names of files that are no UTF-8), Zl and Zp.  Line ends and tabs stay.
    """
    shown = str(text)
    if shown.isprintable():
        return shown
    from unicodedata import category

    return "".join("\ufffd" if category(c) in _UNSHOWN and c not in _SHOWN else c for c in shown)


_UNSHOWN, _SHOWN = {"Cc", "Cf", "Cs", "Zl", "Zp"}, "\n\t\u200c\u200d\xad"


def on_one_line(text: str | PathLike[str]) -> str:
    """:func:`legible` text with every run of blanks, tabs and line ends as one blank."""
    return " ".join(legible(text).split())


class LinelabError(Exception):
    """Base of every error linelab raises on purpose.

    Parameters
    ----------
    what : str
        The cause, one sentence, no full stop.
    where : str
        File, line, station or field; empty when there is none.
    remedy : str
        What to try next, one sentence, no full stop.

    Examples
    --------
    >>> import linelab
    >>> try:
    ...     linelab.load_track("tinmarsh")
    ... except linelab.LinelabError as error:
    ...     print(error.what, "|", error.remedy)
    no such track file or bundled track | Did you mean tinmarsh_rental?
    """

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        super().__init__(self.one_line())

    def one_line(self) -> str:
        """The whole message on one line."""
        text = f"{self.where}: {self.what}" if self.where else self.what
        return on_one_line(
            " ".join(part if part.endswith(("?", "!", ".")) else f"{part}." for part in (text, self.remedy) if part)
        )

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.args, dict(self.__dict__)))


def _rebuild(cls: type[LinelabError], args: tuple[object, ...], state: dict[str, object]) -> LinelabError:
    """Restore an error in another process (keyword-only arguments defeat the default)."""
    error = cls.__new__(cls)
    error.args = args
    error.__dict__.update(state)
    return error


class InputError(LinelabError):
    """A value handed to the library or the command line cannot be used.

    Examples
    --------
    >>> import linelab
    >>> try:
    ...     linelab.solve_min_time("tinmarsh_rental", linelab.load_kart("gearbox"))
    ... except linelab.InputError as error:
    ...     print(error.where, "|", error.what)
    solve_min_time | track is the text 'tinmarsh_rental', not a Track
    """


#: What makes a value of a public type.
_MAKERS = {
    "Track": "linelab.load_track or linelab.import_track",
    "Kart": "linelab.load_kart",
    "Recording": "linelab.load_recording",
    "RecordedLap": "linelab.split_laps",
    "DrivenLap": "linelab.read_laps or linelab.estimate_lap",
    "Lap": "linelab.load_lap, or the .lap of a solution or of an estimated lap",
    "Line": "the .line of a lap",
    "Solution": "linelab.solve_min_time or linelab.load_solution",
    "Review": "linelab.review",
}


def check_kinds(function: str, **given: tuple[object, type | tuple[type, ...]]) -> None:
    """Refuse an argument of another type, saying what makes the right one.

    Parameters
    ----------
    function : str
        Whose arguments they are.
    **given
        Argument's name to its value and the type or types it may have.

    Raises
    ------
    InputError
    """
    for name, (value, kinds) in given.items():
        if isinstance(value, kinds):
            continue
        wanted = [kind.__name__ for kind in (kinds if isinstance(kinds, tuple) else (kinds,))]
        path = isinstance(value, (str, PathLike))
        found = f"the text {str(value)!r}" if path else _named(type(value).__name__)
        makers = [_MAKERS[kind] for kind in wanted if kind in _MAKERS]
        remedy = "Give the name of a file" if "str" in wanted else _REMEDIES.get(wanted[0], "See its documentation")
        if makers:
            remedy = f"Load it first: {makers[0]}" if path else f"A {wanted[0]} comes from {makers[0]}"
        if "str" in wanted:
            wanted = [kind for kind in wanted if kind not in ("str", "Path", "PathLike")] + ["path"]
        wanted = ["number" if kind == "float" else kind for kind in wanted if kind not in ("int", "NoneType")]
        raise InputError(f"{name} is {found}, not {_named(' or '.join(wanted))}", where=function, remedy=remedy)


def _named(noun: str) -> str:
    return f"{'an' if noun[0] in 'aeiou' else 'a'} {noun}"


#: What to give where a plain value is wanted.
_REMEDIES = {"float": "Give a number", "Mapping": "Give pairs, such as {'speed': 'km/h'}"}


#: What stood in a file is quoted up to this length [characters].
LONGEST_FOUND = 300


class FileFormatError(InputError):
    """A file cannot be read as what it was given for.

    Attributes
    ----------
    path : Path
        The file.
    line : int or None
        Line number counted from 1, where one is known.
    found, expected : str
        What stood there and what was expected.

    Examples
    --------
    >>> import linelab, pathlib
    >>> _ = pathlib.Path("session.csv").write_text("no table")
    >>> try:
    ...     linelab.load_recording("session.csv")
    ... except linelab.FileFormatError as error:
    ...     print(error.line, error.expected)
    1 a line of column names, then lines of numbers with one delimiter
    """

    def __init__(
        self,
        what: str,
        *,
        path: str | Path,
        line: int | None = None,
        found: str = "",
        expected: str = "",
        remedy: str = "",
    ) -> None:
        self.path = Path(path)
        self.line = line
        self.found = found = found if len(found) <= LONGEST_FOUND else f"{found[: LONGEST_FOUND - 3]}..."
        self.expected = expected
        where = str(path) if line is None else f"{path}, line {line}"
        detail = what
        if found:
            detail += f" (found {found}" + (f", expected {expected})" if expected else ")")
        elif expected:
            detail += f" (expected {expected})"
        super().__init__(detail, where=where, remedy=remedy)


class TrackError(InputError):
    """A track's geometry is impossible or unusable.

    Attributes
    ----------
    station : float or None
        Distance along the track where the trouble is [m].
    place : (float, float) or None
        Where that is in the track's plane, east and north [m].

    Examples
    --------
    >>> import dataclasses, linelab
    >>> track, kart = linelab.load_track("tinmarsh_rental"), linelab.load_kart("rental-four-stroke")
    >>> path = dataclasses.replace(track, w_left=0.1 * track.w_left, w_right=0.1 * track.w_right)
    >>> try:
    ...     linelab.solve_min_time(path, kart)
    ... except linelab.TrackError as error:
    ...     print(error.station is not None)
    True
    """

    def __init__(
        self,
        what: str,
        *,
        station: float | None = None,
        place: Iterable[float] | None = None,
        where: str = "",
        remedy: str = "",
    ) -> None:
        self.station = station
        self.place: tuple[float, float] | None = None
        if place is not None:
            x, y, *_ = place
            self.place = float(x), float(y)
        at = "" if station is None else f"station {station:.1f} m"
        super().__init__(what, where=", ".join(part for part in (where, at) if part), remedy=remedy)


class KartError(InputError):
    """A kart's field has an impossible value.

    Attributes
    ----------
    field : str
        Dotted name of the field, as in the kart file.

    Examples
    --------
    >>> import dataclasses, linelab
    >>> try:
    ...     dataclasses.replace(linelab.load_kart("rental-four-stroke"), mass=1500.0)
    ... except linelab.KartError as error:
    ...     print(error.field)
    kart.mass
    """

    def __init__(self, what: str, *, field: str, where: str = "", remedy: str = "") -> None:
        self.field = field
        super().__init__(what, where=", ".join(part for part in (where, field) if part), remedy=remedy)


class RecordingError(InputError):
    """A recording is readable but cannot answer the question asked of it.

    Examples
    --------
    >>> import linelab
    >>> recording = linelab.load_recording("ostrelle_practice")
    >>> try:
    ...     linelab.split_laps(recording, linelab.load_track("tinmarsh_rental"))
    ... except linelab.RecordingError as error:
    ...     print(error.what)
    recording of another place: its centre is 123 km from the track 'Tinmarsh Rental Track'
    """


class SolveError(LinelabError):
    """A solver did not reach a solution; no lap is returned.

    Attributes
    ----------
    status : str
        The solver's own word for how it ended.
    iterations : int
        Iterations done.
    violation : float
        Largest remaining constraint violation (scaled, dimensionless).

    Examples
    --------
    >>> import linelab
    >>> str(linelab.SolveError("no lap was found", status="iteration limit", iterations=300))
    'no lap was found.'
    """

    def __init__(
        self, what: str, *, status: str = "", iterations: int = 0, violation: float = float("nan"), remedy: str = ""
    ) -> None:
        self.status = status
        self.iterations = iterations
        self.violation = violation
        super().__init__(what, remedy=remedy)


class VerificationError(SolveError):
    """A solved lap failed the independent check of ``linelab.optimum.verify``.

    Examples
    --------
    >>> import linelab
    >>> issubclass(linelab.VerificationError, linelab.SolveError)
    True
    """


def ending_signals() -> list[int]:
    """The signals of this system that ask for an end, without those that whoever started the program has ignored."""
    known = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    return [number for number in known if signal.getsignal(number) is not signal.SIG_IGN]
