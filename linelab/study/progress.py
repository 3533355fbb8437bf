"""A driver's sessions in order of date: best and usual lap, how well they repeat, and what is still to be worked on."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from linelab.arrays import counted
from linelab.coaching.consistency import LEAST_LAPS
from linelab.coaching.from_recording import (
    Ground,
    choose_laps,
    find_ground,
    find_grounds,
    grounds_kart,
    review_recording,
)
from linelab.coaching.mark_figures import spread_over_laps
from linelab.coaching.results import Priority
from linelab.coaching.side_by_side import typical_laps
from linelab.errors import LinelabError
from linelab.files.recordings.load_recording import load_recording
from linelab.files.session_list import SessionNote
from linelab.measured import Measured, withheld
from linelab.model.kart import Kart
from linelab.model.lap import Recording
from linelab.model.track import Track, lap_ends
from linelab.motion.estimate import track_heading
from linelab.motion.own_passes import own_passes
from linelab.motion.pass_difference import interval
from linelab.optimum.minimum_time import Solution


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SessionRow:
    """One session.

    Parameters
    ----------
    source : str
        Name of the recording's file.
    when : float
        Seconds since 1970-01-01 UTC.
    dated : str
        Where that is from: "recording", "file" (when it was last written) or "given".
    track : Track
        Sessions of one venue share it.
    laps : int
        Sound laps.
    best, usual, spread : Measured
        Best lap, usual lap, standard deviation of the usual laps [s].
    best_lap : str
        Label.
    tasks : tuple of Priority
        What to work on; empty where nothing stands out, or ``tasks_reason`` says why that is not known.
    tasks_reason : str
    kart : str
        What its kart is called; "fitted" where one was fitted to the recording.
    weather, tyres, note : str
        As given.
    """

    source: str
    when: float
    dated: str
    track: Track
    laps: int
    best: Measured
    usual: Measured
    spread: Measured
    best_lap: str
    tasks: tuple[Priority, ...] = ()
    tasks_reason: str = ""
    kart: str = ""
    weather: str = ""
    tyres: str = ""
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Progress:
    """Sessions by venue.

    Parameters
    ----------
    venues : tuple of tuple of SessionRow
        Each in order of date; venues in order of their first session.
    kart : str
        Its name; empty where none was given for all.
    skipped : tuple of (file name, reason)
    """

    venues: tuple[tuple[SessionRow, ...], ...]
    kart: str
    skipped: tuple[tuple[str, str], ...]

    def __repr__(self) -> str:
        count = sum(map(len, self.venues))
        return f"Progress over {counted(count, 'session')} at {counted(len(self.venues), 'venue')}"


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SessionGiven:
    """A session to be put in order.

    Parameters
    ----------
    source : str
        What it is called: the name of the recording's file, say.
    recording : Recording
    when : float
        When it was, where the recording does not say [s since 1970-01-01 UTC].
    dated : str
        Where that is from: "file" or "given".
    note : SessionNote
        What is known of it; a kart named there is taken for it.
    position_error : float or None
        Of its receiver, as for :func:`linelab.review` [m].
    """

    source: str
    recording: Recording
    when: float
    dated: str
    note: SessionNote
    position_error: float | None = None


def progress_of(
    paths: Sequence[str | Path],
    *,
    track: Track | None = None,
    kart: Kart | None = None,
    told: Mapping[str, SessionNote] | None = None,
    position_error: float | None = None,
    step: Callable[[str], None] = lambda text: None,
) -> Progress:
    """Read a driver's recordings and put his sessions side by side; a file that cannot be used is skipped.

    Parameters
    ----------
    paths : sequence of path
    track : Track, optional
        One is estimated for each venue when not given; recordings of another place are skipped when it is.
    kart : Kart, optional
        One is fitted to each recording when not given.
    told : mapping of str to SessionNote, optional
        What is known of a session, by its file's name; a kart named there is taken for that session.
    position_error : float, optional
        As for :func:`linelab.review`.
    step : callable
        Called with a short text at each step.
    """
    skipped: list[tuple[str, str]] = []
    read: list[SessionGiven] = []
    for path in map(Path, paths):
        step(f"reading {path.name}")
        try:
            read.append(
                SessionGiven(
                    source=path.name, recording=load_recording(path), when=path.stat().st_mtime, dated="file",
                    note=(told or {}).get(path.name, SessionNote()), position_error=position_error,
                )
            )  # fmt: skip
        except LinelabError as error:
            skipped.append((path.name, str(error)))
    return progress_over(read, track=track, kart=kart, skipped=skipped, step=step)


def progress_over(
    read: Sequence[SessionGiven],
    *,
    track: Track | None = None,
    kart: Kart | None = None,
    skipped: Sequence[tuple[str, str]] = (),
    step: Callable[[str], None] = lambda text: None,
) -> Progress:
    """Put a driver's sessions that have been read side by side; parameters as for :func:`progress_of`.

    ``skipped`` are those that could not be read, with the reason.
    """
    left_out = [*skipped]
    rows: list[SessionRow] = []
    solved: dict[tuple[int, Kart], Solution] = {}
    for given, ground in _grounds(read, track, left_out):
        step(f"working through {given.source}")
        try:
            rows.append(_row(given, ground, kart, solved))
        except LinelabError as error:
            left_out.append((given.source, str(error)))
    rows.sort(key=lambda row: row.when)
    places = list(dict.fromkeys(id(row.track) for row in rows))
    return Progress(
        venues=tuple(tuple(row for row in rows if id(row.track) == place) for place in places),
        kart="" if kart is None else kart.name, skipped=tuple(left_out),
    )  # fmt: skip


def _grounds(
    read: Sequence[SessionGiven], track: Track | None, skipped: list[tuple[str, str]]
) -> list[tuple[SessionGiven, Ground]]:
    """Sessions with the ground each was driven on; those that have none are skipped."""
    out: set[int] = set()

    def refused(number: int, error: LinelabError) -> None:
        out.add(number)
        skipped.append((read[number].source, str(error)))

    if track is None:
        # One track is estimated from all recordings of a place: what is known of the receiver must hold for all.
        known = {given.position_error for given in read}
        common = known.pop() if len(known) == 1 else None
        recordings = [given.recording for given in read]
        grounds = find_grounds(recordings, position_error=common, refused=refused) if read else []
    else:
        grounds = []
        for number, given in enumerate(read):
            try:
                grounds.append(find_ground(given.recording, track, position_error=given.position_error))
            except LinelabError as error:
                refused(number, error)
    kept = [item for number, item in enumerate(read) if number not in out]
    return list(zip(kept, grounds, strict=True))


def _row(
    given: SessionGiven, ground: Ground, kart: Kart | None, solved: dict[tuple[int, Kart], Solution]
) -> SessionRow:
    """One session's figures and its priorities."""
    recording, told = given.recording, given.note
    kart = told.kart or kart
    known = None if kart is None else solved.get((id(ground.track), kart))
    shown = grounds_kart([ground]).kart if kart is None else kart
    review = review_recording(recording, ground, shown, choose_laps(ground.laps), reference=known)
    if review.solution is not None:
        solved[id(ground.track), shown] = review.solution
    driven = tuple(lap.comparison.driven for lap in review.laps)
    tasks, reason = review.priorities, dict(review.withheld).get("feet", "")
    times = np.array([drive.lap.lap_time for drive in driven])
    sigma = np.array([drive.lap_time_sigma for drive in driven])
    best, usual = int(times.argmin()), typical_laps(times)
    ends = np.array(lap_ends(ground.track))
    whole = own_passes(driven, ends, track_heading(ground.track, ends), np.zeros(1, dtype=np.intp))
    few = withheld(f"fewer than {LEAST_LAPS} usual laps")
    spread = spread_over_laps(times[usual], sigma[usual])
    return SessionRow(
        source=given.source,
        when=given.when if recording.start_utc is None else recording.start_utc,
        dated=given.dated if recording.start_utc is None else "recording",
        track=ground.track,
        laps=len(driven),
        best=Measured(float(times[best]), float(sigma[best])),
        usual=interval(whole.usual[:, 0]) if usual.sum() >= LEAST_LAPS else few,
        spread=Measured(*spread) if usual.sum() >= LEAST_LAPS else few,
        best_lap=driven[best].lap.label,
        tasks=tasks,
        tasks_reason=reason,
        kart="fitted" if kart is None else kart.name,
        weather=told.weather,
        tyres=told.tyres,
        note=told.note,
    )
