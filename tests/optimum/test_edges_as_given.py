"""Solved laps against the edges as the file gives them, by polygons; and one road written in several ways."""

import dataclasses

import numpy as np
import pytest
import shapely
from shared import solved
from staged import plain_track

from linelab.files.bundled import bundled_karts, bundled_tracks
from linelab.files.kart_file import load_kart
from linelab.files.tracks.track_build import track_from_edges
from linelab.files.tracks.track_file import load_track
from linelab.optimum.clearance import FAR, room_beside
from linelab.optimum.minimum_time import solve_min_time
from linelab.speed.lines import line_on_track


def ends_of(line, width):
    """Both ends of a width square to the path, every 0.1 m or closer (2, N, 2)."""
    at = np.linspace(0.0, line.s.size - 1.0, int(line.length / 0.1) + 1)
    x, y, psi = (np.interp(at, np.arange(line.s.size), each) for each in (line.x, line.y, line.psi))
    return np.stack([np.column_stack([x - n * np.sin(psi), y + n * np.cos(psi)]) for n in (0.5 * width, -0.5 * width)])


def test_room_on_a_ring_is_the_difference_of_radii():
    track = plain_track(lambda s: 0.05 + 0.0 * s, 40.0 * np.pi, left=3.0, right=4.0, closed=True)
    s = np.linspace(0.0, track.length, 1200)
    line = line_on_track(track, s, np.full_like(s, 2.4))  # 0.6 m off the inner edge
    room = room_beside(track, line, 0.5)
    assert room.beside[:, 0] == pytest.approx(0.1, abs=1e-3)  # chords of 0.25 m in place of circles
    assert (room.beside[:, 1] == FAR).all()
    assert room_beside(track, line, 0.7).over == pytest.approx(0.1, abs=1e-3)


def test_a_corner_of_an_edge_is_seen_between_nodes():
    """A path straight past a tip that sticks out by 30 mm between two nodes 0.1 m apart."""
    left = np.array([[0.0, 2.0], [20.03, 2.0], [20.05, 1.97], [20.07, 2.0], [60.0, 2.0]])
    road = plain_track(lambda s: 0.0 * s, 60.0, left=2.0, right=2.0)
    track = dataclasses.replace(road, left_edge=left)
    s = np.linspace(0.0, track.length, 601)
    line = line_on_track(track, s, np.zeros_like(s))
    # 20 mm over the tip, the nearest road is beyond one of its flanks
    assert room_beside(track, line, 1.99).over == pytest.approx(0.02 * np.cos(np.arctan(1.5)), abs=2e-3)
    assert room_beside(track, line, 1.969).over == 0.0


@pytest.mark.parametrize("kart", sorted(bundled_karts()))
@pytest.mark.parametrize("name", sorted(bundled_tracks()))
def test_a_solved_lap_stays_within_a_centimetre_of_the_edges_as_given(name, kart):
    solution = solved(name, kart)
    track, kart = load_track(name), load_kart(kart)
    road = shapely.Polygon(track.left_edge).symmetric_difference(shapely.Polygon(track.right_edge))
    points = shapely.points(ends_of(solution.lap.line, kart.width))
    # strips are laid on whole here, the solver's rise and end within the kerb
    strips = [
        shapely.LineString(edge).buffer(max(kerb.width for kerb in track.kerbs if kerb.side == side))
        for side, edge in (("left", track.left_edge), ("right", track.right_edge))
        if any(kerb.side == side for kerb in track.kerbs)
    ]
    assert shapely.distance(shapely.union_all([road, *strips]), points).max() < 0.01
    off_kerbs = np.ones(points.shape, dtype=bool)
    station = np.interp(
        np.linspace(0, 1, points.shape[1]), np.linspace(0, 1, solution.lap.line.s.size), solution.lap.line.s
    )
    for kerb in track.kerbs:
        into = np.mod(station - kerb.s_start + 3.0, track.length)
        off_kerbs[0 if kerb.side == "left" else 1] &= into > np.mod(kerb.s_end - kerb.s_start, track.length) + 6.0
    assert off_kerbs.mean() > 0.5
    assert shapely.distance(road, points)[off_kerbs].max() < 0.01
    assert solution.verification.edge_excess < 0.01


@pytest.mark.parametrize("every", [1, 3])
def test_the_lap_time_does_not_hang_on_how_the_edges_are_written(every):
    """The same road in the mirror, and with its closed edges begun at other vertices; and with sharper vertices."""
    given, kart = load_track("tinmarsh_rental"), load_kart("senior-single-speed")
    left, right = given.left_edge[::every], given.right_edge[::every]
    flip = np.array([1.0, -1.0])
    written = [
        (left, right),
        (right * flip, left * flip),
        (np.roll(left, 11, axis=0), np.roll(right, -7, axis=0)),
        (np.roll(left, -29, axis=0), np.roll(right, 40, axis=0)),
    ]
    laps = [solve_min_time(track_from_edges("t", *edges, closed=True), kart) for edges in written]
    for other in laps[1:]:
        apart = abs(other.lap_time - laps[0].lap_time)
        assert apart < np.hypot(other.time_error, laps[0].time_error)
        assert apart < 1.0e-3
