"""How true a track is that was worked out from laps, and what more sessions and laps along the edges bring.

Run ``python benchmarks/lasting_track.py [sessions|edges] [first seed] [rounds]``.  Two judges that share nothing with
linelab: the second driver (``second_driver/``) drives the bundled circuits, each round with another receiver, ten
sessions each; and a walker with a receiver of white noise and slow waves goes along both edges.
"""

from __future__ import annotations

import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from pathlib import Path

import numpy as np
import second_driver as judge
from judged_sessions import LINES
from shapely import line_interpolate_point, points
from shapely.geometry import LinearRing, LineString
from surroundings import surroundings

from linelab.errors import LinelabError
from linelab.files.bundled import bundled_tracks
from linelab.files.projection import LocalPlane, to_lonlat, to_plane
from linelab.files.recordings.load_recording import load_recording
from linelab.files.tracks.track_file import load_track, save_track
from linelab.measured import TO_95
from linelab.model.lap import Recording
from linelab.model.track import Track
from linelab.motion.edge_laps import track_from_edge_laps
from linelab.motion.track_from_laps import corridors_from_recordings, recording_start_line
from linelab.recorded.laps import complete_laps, split_laps

SESSIONS, WORKERS = 10, 2
#: Kart by circuit: lines are searched once for each kart and driver, and kept.
KARTS = ("fast", "junior", "rental")
#: Standard deviation of the walker's drifting error per axis [m].
QUALITIES = (0.25, 0.5, 1.0, 1.5)
#: Laps along each edge; a lap of the last number strays once.
EDGE_LAPS = (1, 2, 4)
REACH = 15.0  #: half the length of a line square to the middle [m]


def plane_of(track: Track) -> LocalPlane:
    """The plane of a track."""
    return LocalPlane(origin_lon=track.origin[0], origin_lat=track.origin[1])


def middle_of(track: Track, every: float = 4.0) -> tuple[np.ndarray, np.ndarray]:
    """Points half-way between the edges about every few metres, and the directions square to them, left positive."""
    line, pick = track.reference, slice(0, -1, max(round(every / track.reference.step), 1))
    normal = np.column_stack([-np.sin(line.psi), np.cos(line.psi)])
    half = 0.5 * (track.w_left - track.w_right)
    return (np.column_stack([line.x, line.y]) + half[:, None] * normal)[pick], normal[pick]


def offsets(places: np.ndarray, normal: np.ndarray, path: np.ndarray) -> np.ndarray:
    """How far a path passes to the left of places, along the lines square to them; NaN where it does not [m]."""
    line, found = LineString(path), np.full(len(places), np.nan)
    for k, (place, across) in enumerate(zip(places, normal)):
        met = LineString([place - REACH * across, place + REACH * across]).intersection(line)
        parts = [np.asarray(part.coords)[0] for part in getattr(met, "geoms", [met]) if not part.is_empty]
        if parts:
            away = [float((point - place) @ across) for point in parts]
            found[k] = min(away, key=abs)
    return found


def in_plane(circuit: judge.Circuit, plane: LocalPlane, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Points of the second driver's plane in another (N, 2) [m]."""
    return np.column_stack(to_plane(plane, *circuit.to_lonlat(x, y)))


def one_circuit(name: str, kart: str, seed: int, rounds: int) -> list[str]:
    """Sessions on one bundled circuit, recorded and worked out: what came of it, a line each."""
    known = load_track(name)
    circuit = judge.circuit_from_edges(known.left_edge, known.right_edge, name, origin=known.origin)
    driven = [judge.plan_session(seed + k, circuit=circuit, kart=kart, cache=LINES) for k in range(SESSIONS)]
    rows: dict[int, list[list[float]]] = {1: [], 3: [], SESSIONS: []}
    corners: list[str] = []
    laps_found = laps_driven = 0
    for turn in range(rounds):
        receiver = judge.any_receiver(np.random.default_rng([seed, turn, 77]))
        recordings = []
        with tempfile.TemporaryDirectory() as folder:
            for k, session in enumerate(driven):
                path = Path(folder) / f"day_{k}.csv"
                judge.log(session, receiver, 1000 * seed + 100 * turn + k).to_csv(path)
                recordings.append(load_recording(path))
            tracks = {}
            for count in rows:
                for first in range(0, SESSIONS - count + 1, count):
                    part = list(range(first, first + count))
                    found = corridors_from_recordings([recordings[k] for k in part])
                    if len(found) != 1:
                        corners.append(f"  round {turn}: {count} sessions made {len(found)} tracks")
                    track = found[0][1].track
                    tracks[count, first] = track
                    members = [driven[part[k]] for k in found[0][0]]
                    rows[count].append(judged(track, members, known, circuit))
            whole = tracks[SESSIONS, 0]
            for (count, first), track in tracks.items():
                corners.append(corner_words(turn, count, first, track, whole, known))
            saved = Path(folder) / "kept.geojson"
            save_track(tracks[1, 0], saved)
            kept = load_track(saved)
            for session, recording in zip(driven, recordings):
                laps_driven += crossings(session, circuit, kept) - 1
                try:
                    laps_found += len(complete_laps(split_laps(recording, kept)))
                except LinelabError as error:
                    corners.append(f"  round {turn}: not cut on the kept track: {error}")
    lines = [f"{name} ({kart}), {rounds} receivers:"]
    for count, table in rows.items():
        stated, _, inside, road, edge_inside, edge_stated = np.nanmean(table, axis=0)
        rms = float(np.sqrt(np.nanmean(np.array(table)[:, 1] ** 2)))
        lines.append(
            f"  {count:2d} sessions, {len(table):2d} tracks: middle of the laps stated ±{TO_95 * stated:.2f} m, error "
            f"{rms:.2f} m rms, {100 * inside:.0f} % inside; road's middle {road:.2f} m rms off; edges stated "
            f"±{TO_95 * edge_stated:.2f} m, {100 * edge_inside:.0f} % of the real ones inside"
        )
    lines.append(f"  {laps_found} of {laps_driven} laps cut at the start line kept from the first session")
    return [*lines, *corners]


def crossings(session: judge.Session, circuit: judge.Circuit, track: Track) -> int:
    """How often the true path crosses a track's start line."""
    line = track.reference
    across = np.array([-np.sin(line.psi[0]), np.cos(line.psi[0])])
    place = np.array([line.x[0], line.y[0]])
    start = LineString([place + track.w_left[0] * across, place - track.w_right[0] * across])
    path = in_plane(circuit, plane_of(track), session.x, session.y)
    steps = path[::10]
    return sum(LineString(pair).intersects(start) for pair in pairwise(steps))


def judged(track: Track, sessions: list[judge.Session], known: Track, circuit: judge.Circuit) -> list[float]:
    """Stated sigma and rms error of the middle [m], share inside its 95 %; rms distance from the road's middle [m];
    share of the real edges inside the stated 95 %, and its sigma [m]."""
    plane = plane_of(track)
    places, normal = middle_of(track)
    laps = []
    for session in sessions:
        for lap in session.laps:
            part = (session.t >= lap["start"] - 1.0) & (session.t <= lap["end"] + 1.0)
            laps.append(offsets(places, normal, in_plane(circuit, plane, session.x[part], session.y[part])))
    error = np.nanmedian(laps, axis=0)
    error = error[np.isfinite(error)]
    sigma = track.survey.middle_sigma or np.nan
    edges = []
    for edge in (known.left_edge, known.right_edge):
        ring = in_plane(circuit, plane, *np.vstack([edge, edge[:1]]).T)
        edges.append(offsets(places, normal, ring))
    w = 0.5 * np.interp(np.linspace(0, 1, len(places)), np.linspace(0, 1, track.s.size), track.width)
    off = np.concatenate([edges[0] - w, edges[1] + w])
    road = 0.5 * (edges[0] + edges[1])
    edge_sigma = track.survey.uncertainty or np.nan
    return [
        sigma, float(np.sqrt(np.mean(error**2))), float(np.mean(np.abs(error) <= TO_95 * sigma)),
        float(np.sqrt(np.nanmean(road**2))), float(np.mean(np.abs(off[np.isfinite(off)]) <= TO_95 * edge_sigma)),
        edge_sigma,
    ]  # fmt: skip


def apexes(track: Track) -> np.ndarray:
    """Longitude and latitude of the corners' apexes on the middle (C, 2)."""
    s = np.array([corner.s_apex for corner in track.corners])
    x, y = (np.interp(s, track.s, values) for values in (track.reference.x, track.reference.y))
    return np.column_stack(to_lonlat(plane_of(track), x, y))


def corner_words(turn: int, count: int, first: int, track: Track, whole: Track, known: Track) -> str:
    """Corners and start line beside those of the track from all sessions, and beside the surveyed circuit's."""
    plane = plane_of(whole)
    words = []
    for title, other in (("all sessions", whole), ("survey", known)):
        here, there = (np.column_stack(to_plane(plane, *apexes(one).T)) for one in (track, other))
        gaps = np.hypot(*(here[:, None] - there).transpose(2, 0, 1)).min(axis=1)
        words.append(
            f"{len(track.corners)} of {len(other.corners)} corners, apexes {np.median(gaps):.1f} m (largest "
            f"{gaps.max():.0f} m) from those of {title}"
        )
    return f"  round {turn}, sessions {first} to {first + count - 1}: {'; '.join(words)}"


def sessions(seed: int, rounds: int) -> None:
    """Ten sessions of each bundled circuit."""
    with ProcessPoolExecutor(WORKERS) as pool:
        jobs = [
            pool.submit(one_circuit, name, kart, seed + 100 * k, rounds)
            for k, (name, kart) in enumerate(zip(bundled_tracks(), KARTS))
        ]
        for job in jobs:
            print(*job.result(), sep="\n", flush=True)


def waves(t: np.ndarray, size: float, rng: np.random.Generator) -> np.ndarray:
    """A slowly drifting error of a standard deviation: waves of 3 to 30 minutes of random phase [m]."""
    periods = np.exp(rng.uniform(np.log(180.0), np.log(1800.0), 8))
    parts = [np.cos(2.0 * np.pi * t / period + rng.uniform(0.0, 2.0 * np.pi)) for period in periods]
    return size * np.sqrt(2.0 / len(periods)) * np.sum(parts, axis=0)


def walk(
    track: Track, quality: float, seed: int, count: int = 1, stray: float = 0.0
) -> tuple[Recording, tuple[tuple[float, float], tuple[float, float]]]:
    """Once round along the left edge, back over the start line beside the road, once round along the right edge, and so
    on; in one place of the last lap along each edge the walker is this far inside the road [m]."""
    rng = np.random.default_rng([seed, 4421])
    rings = [LinearRing(track.left_edge), LinearRing(track.right_edge)]
    x0, y0, psi = track.reference.x[0], track.reference.y[0], track.reference.psi[0]
    across = np.array([-np.sin(psi), np.cos(psi)])
    ends = [np.array([x0, y0]) + track.w_left[0] * across, np.array([x0, y0]) - track.w_right[0] * across]
    way = []
    for turn in range(count):
        for ring, end, inwards in zip(rings, ends, (-1.0, 1.0)):
            begin = ring.project(points(*end))
            along = np.arange(begin - 30.0, begin + ring.length + 30.0, 0.2)
            path = np.array([point.coords[0] for point in line_interpolate_point(ring, along % ring.length)])
            if stray and turn == count - 1:
                bump = np.exp(-(((along - begin - rng.uniform(0.1, 0.9) * ring.length) / 8.0) ** 2))
                ahead = np.gradient(path, axis=0)
                ahead /= np.hypot(*ahead.T)[:, None]
                path = path + inwards * stray * bump[:, None] * np.column_stack([-ahead[:, 1], ahead[:, 0]])
            way.append(path)
    path = np.vstack(way)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    pace = rng.uniform(1.2, 1.7)
    t = np.arange(0.0, along[-1] / pace, 0.2)
    x, y = (np.interp(t * pace, along, values) for values in path.T)
    white = rng.uniform(0.02, 0.08)
    seen = [values + waves(t, quality, rng) + rng.normal(size=t.size) * white for values in (x, y)]
    lon, lat = to_lonlat(plane_of(track), *seen)
    (left, right) = (to_lonlat(plane_of(track), *end) for end in ends)
    line = (float(left[0]), float(left[1])), (float(right[0]), float(right[1]))
    return Recording(t=t, lon=lon, lat=lat, source="walk.csv"), line


def edges(seed: int, rounds: int) -> None:
    """Walks along both edges by receivers of stated quality."""
    cases = [(quality, count, 0.0) for quality in QUALITIES for count in EDGE_LAPS]
    cases += [(quality, EDGE_LAPS[-1], 2.0) for quality in QUALITIES]
    with ProcessPoolExecutor(WORKERS) as pool:
        for line in pool.map(edges_of, *zip(*[(*case, seed, rounds) for case in cases])):
            print(line, flush=True)


def edges_of(quality: float, count: int, stray: float, seed: int, rounds: int) -> str:
    """Every bundled circuit walked round some times for each edge, one line on what came of it."""
    errors, stated, covered, failed = [], [], [], []
    for k in range(rounds):
        for name in bundled_tracks():
            known = load_track(name)
            recording, ends = walk(known, quality, seed + k, count, stray)
            try:
                made = track_from_edge_laps(
                    recording, range(1, 4 * count, 4), range(3, 4 * count, 4), position_error=quality,
                    start_line=recording_start_line(recording, *ends),
                )  # fmt: skip
            except LinelabError as error:
                failed.append(f"; {name}, seed {seed + k}: {error}")
                continue
            for edge, true in ((made.left_edge, known.left_edge), (made.right_edge, known.right_edge)):
                here = np.column_stack(to_plane(plane_of(known), *to_lonlat(plane_of(made), *edge.T)))
                off = np.array([LinearRing(true).distance(point) for point in points(here)])
                errors.append(off)
                covered.append(float(np.mean(off <= TO_95 * (made.survey.uncertainty or 0.0))))
            stated.append(made.survey.uncertainty or np.nan)
    every = np.concatenate(errors)
    return (
        f"drifting error {quality:g} m, {count} laps an edge{f', one strays by {stray:g} m' if stray else ''}: stated "
        f"±{TO_95 * np.mean(stated):.2f} m, error {np.sqrt(np.mean(every**2)):.2f} m rms, "
        f"{np.quantile(every, 0.95):.2f} m at 95 %; {100 * np.mean(every <= 0.5):.0f} % within 0.5 m, "
        f"{100 * np.mean(covered):.0f} % within what is stated ({len(errors)} edges){''.join(failed)}"
    )


if __name__ == "__main__":
    if "--help" in sys.argv:
        print(__doc__)
        raise SystemExit
    print(surroundings("shapely"))
    parts = [part for part in ("sessions", "edges") if part in sys.argv] or ["sessions", "edges"]
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    begin, turns = [*numbers, *(5000, 3)[len(numbers) :]]
    if "sessions" in parts:
        sessions(begin, turns)
    if "edges" in parts:
        edges(begin, turns)
