"""A track from laps along its edges: driven, ridden or walked round with the receiver that records the session.

What such edges are worth is what the receiver is: the noise of its positions, which smoothing lessens, and its slowly
drifting error, which only a second lap along the same edge at another time does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from linelab.errors import InputError, RecordingError
from linelab.files.tracks.track_build import Line2, track_from_edges
from linelab.measured import plus_minus
from linelab.model.lap import Recording
from linelab.model.track import Side, Survey, Track
from linelab.motion.channels import assumed_bias, stated_bias
from linelab.motion.estimate import smoothed_windows
from linelab.motion.sensors import read_sensors
from linelab.motion.track_from_laps import lap_path, median_path
from linelab.recorded.laps import LONGEST_GAP, RecordedLap, split_laps
from linelab.recorded.samples import own_plane, place_samples
from linelab.recorded.start_line import StartLine, propose_start_line
from linelab.units import Array

#: An edge's vertices are this many points of its path apart: 1 m.
_EVERY = 2
#: The start line reaches this far beyond the edges [m].
_BEYOND = 0.5
#: How far beside the receiver's path an edge may be [m].
LARGEST_OFFSET = 3.0


def track_from_edge_laps(
    recording: Recording,
    left: Sequence[int],
    right: Sequence[int],
    *,
    offset: float = 0.0,
    start_line: StartLine | None = None,
    position_error: float | None = None,
    name: str = "",
) -> Track:
    """Make a track from laps of a recording that went along its edges.

    Parameters
    ----------
    recording : Recording
        Its laps are cut at the start line and counted from 1, as everywhere; those along an edge may stop on the way.
    left, right : sequence of int
        Numbers of the laps along each edge, in driving direction; of several the mean is taken.
    offset : float
        How far the edge was beside the receiver's path: 0 when walked on it, half the vehicle's width when its wheels
        ran along it [m].
    start_line : StartLine, optional
        In the recording's own plane; one is proposed across the longest straight when none is given.
    position_error : float, optional
        Known standard deviation of the receiver's slowly drifting position error per axis [m]; a consumer receiver's is
        assumed otherwise.
    name : str
        The file's name when empty.

    Returns
    -------
    Track
        ``survey.kind`` is "surveyed"; ``survey.uncertainty`` is the receiver's noise and drifting error together, and
        ``survey.note`` says what was assumed.

    Raises
    ------
    RecordingError
        There is no such lap, or samples are missing on it.
    InputError
        No lap for an edge, one lap for both, an offset out of range.
    TrackError
        The laps make no usable pair of edges.

    References
    ----------
    The drifting error is a first-order Gauss-Markov process, as in :func:`linelab.recorded.samples.drift`.
    """
    if not left or not right or set(left) & set(right):
        raise InputError(
            "each edge needs laps of its own", where="edge laps", remedy="Give a lap along the left edge and another "
            "along the right one: --left-lap NUMBER --right-lap NUMBER",
        )  # fmt: skip
    if not 0.0 <= offset <= LARGEST_OFFSET:
        raise InputError(f"an offset of {offset:g} m is outside 0 to {LARGEST_OFFSET:g} m", where="edge laps")
    plane = own_plane(recording) if recording.lon is not None else None
    samples = place_samples(recording, plane)
    line = start_line or propose_start_line(samples)
    sensors = read_sensors(samples)
    laps = split_laps(samples, line)
    chosen = {"left": _chosen(laps, left), "right": _chosen(laps, right)}
    edges, noise = [], []
    for sign, along in ((1.0, chosen["left"]), (-1.0, chosen["right"])):
        paths, sigmas = [], []
        for window, motion in smoothed_windows(along, sensors, draws=_DRAWS):
            for lap in window:
                paths.append(lap_path(lap, motion))
                draws = motion.departures(np.linspace(lap.t_start, lap.t_end, 200))[:, :, [0, 3]]
                sigmas.append(float(np.sqrt(np.mean(draws**2))))
        base, _, _ = median_path(paths)
        edges.append(
            np.column_stack([base.x - sign * offset * np.sin(base.psi), base.y + sign * offset * np.cos(base.psi)])[
                :-1:_EVERY
            ]
        )
        noise.append(float(np.sqrt(np.mean(np.square(sigmas)) / len(paths))))
    bias = assumed_bias(sensors) if position_error is None else stated_bias(position_error, sensors)
    times = [np.array([0.5 * (lap.t_start + lap.t_end) for lap in chosen[side]]) for side in ("left", "right")]

    def alike(a: Array, b: Array) -> float:
        """Covariance per axis of the mean bias over laps at these times [m²]."""
        return bias.sigma**2 * float(np.exp(-np.abs(a[:, None] - b) / bias.time).mean())

    own = [alike(at, at) + white**2 for at, white in zip(times, noise)]
    sigma = float(np.sqrt(np.mean(own)))
    width_sigma = float(np.sqrt(max(sum(own) - 2.0 * alike(*times), 0.0)))
    beside = f", {offset:g} m inside them" if offset > 0.0 else ""
    note = (
        f"Edges from laps along them{beside}: {_named(left)} on the left, {_named(right)} on the right. Receiver's "
        f"drifting error {plus_minus(bias.sigma, 1)} m per axis ({bias.note}); the width is known within "
        f"{plus_minus(width_sigma, 1)} m"
    )
    title = name or Path(recording.source).stem or "circuit"
    track = track_from_edges(
        title, edges[0], edges[1], closed=True, start=_start(line, edges[0], edges[1]),
        origin=(plane.origin_lon, plane.origin_lat) if plane is not None else (0.0, 0.0),
        georeferenced=plane is not None,
        survey=Survey(kind="surveyed", note=note, uncertainty=round(sigma, 6)),
    )  # fmt: skip
    notes = ["start line placed across the longest straight; its real place is not known"] * (start_line is None)
    return replace(track, notes=(*samples.notes, *track.notes, *notes))


#: Draws of each lap's path for what noise smoothing leaves.
_DRAWS = 20


def _named(numbers: Sequence[int]) -> str:
    """ "lap 2", "laps 2 and 3"."""
    return f"lap{'s' if len(numbers) > 1 else ''} {' and '.join(map(str, numbers))}"


def _chosen(laps: Sequence[RecordedLap], numbers: Sequence[int]) -> list[RecordedLap]:
    """Laps by number; who goes along an edge may stand, and needs no usual lap's time or length."""
    by_number = {lap.number: lap for lap in laps if lap.status not in ("out", "in")}
    found = []
    for number in dict.fromkeys(sorted(numbers)):
        if number not in by_number:
            known = ", ".join(f"{k} ({lap.duration:.0f} s)" for k, lap in by_number.items()) or "none"
            raise RecordingError(f"there is no lap {number}", remedy=f"Choose among the laps: {known}")
        lap = by_number[number]
        longest = float(np.diff(lap.samples.between(lap.t_start, lap.t_end).t).max(initial=0.0))
        if longest > LONGEST_GAP:
            raise RecordingError(f"{lap.label}: no samples for {longest:.1f} s", remedy="Choose another lap")
        found.append(replace(lap, status="complete", reason=""))
    return found


def _start(line: StartLine, left: Array, right: Array) -> Line2:
    """The start line from a little beyond one edge to a little beyond the other.

    Raises
    ------
    RecordingError
        A lap along an edge does not cross it.
    """
    ends: dict[Side, Array] = {}
    for side, edge in (("left", left), ("right", right)):
        ring = np.vstack([edge, edge[:1]])
        ahead, across = line.axes(ring[:, 0], ring[:, 1])
        cuts = np.flatnonzero((ahead[:-1] < 0.0) & (ahead[1:] >= 0.0))
        if cuts.size == 0:
            raise RecordingError(
                f"the {side} edge does not cross the start line", remedy="Put it elsewhere: --start-line"
            )
        k = int(cuts[np.argmin(np.abs(across[cuts]))])
        share = -ahead[k] / (ahead[k + 1] - ahead[k])
        reach = float(across[k] + share * (across[k + 1] - across[k]))
        reach += _BEYOND if side == "left" else -_BEYOND
        ends["left" if side == "left" else "right"] = line.centre + reach * line.across
    (lx, ly), (rx, ry) = ends["left"].tolist(), ends["right"].tolist()
    return (lx, ly), (rx, ry)
