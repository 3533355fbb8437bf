"""Corners named, merged and split by hand, and kept so in the file."""

from __future__ import annotations

import numpy as np
import pytest

from linelab.errors import InputError
from linelab.files.tracks.track_build import track_from_centre
from linelab.files.tracks.track_file import load_track, save_track
from linelab.geometry.frenet import xy_to_sn
from linelab.model.corner_edits import edit_corners, tight_parts

TRACK = load_track("ostrelle_sprint")


def two_apexes(gap: float):
    """A road that turns left twice by 90 degrees round 12 m, with a straight of some length between."""
    arc = np.linspace(0.0, np.pi / 2.0, 30)
    first = np.column_stack([12.0 * np.sin(arc), 12.0 - 12.0 * np.cos(arc)])
    second = np.column_stack([12.0 * np.cos(arc), 12.0 + gap + 12.0 * np.sin(arc)])
    lead = np.column_stack([np.linspace(-80.0, -1.0, 80), np.zeros(80)])
    out = np.column_stack([np.linspace(-1.0, -80.0, 80), np.full(80, 24.0 + gap)])
    points = np.vstack([lead, first, second, out])
    keep = np.concatenate([[True], np.hypot(*np.diff(points, axis=0).T) > 1e-6])
    return track_from_centre(
        "two apexes", points[keep], np.full(keep.sum(), 4.0), np.full(keep.sum(), 4.0), closed=False
    )


def test_a_corner_that_hides_two_apexes_is_seen_and_split_between_them():
    track = two_apexes(gap=7.0)
    (corner,) = track.corners
    (parts,) = tight_parts(track).values()
    split = edit_corners(track, split={1: None}).corners
    assert [c.number for c in split] == [1, 2]
    # The apexes lie in the middle of each arc, as far before and behind the middle of the straight.
    assert [c.s_apex for c in split] == pytest.approx(list(parts), abs=0.5)
    middles = 12.0 * np.sin(np.pi / 4.0) * np.ones(2), np.array([12.0 - 12.0 * np.cos(np.pi / 4.0)] * 2)
    middles[1][1] = 24.0 + 7.0 - middles[1][1]
    s, _ = xy_to_sn(track.reference, *middles)
    assert [c.s_apex for c in split] == pytest.approx(s.tolist(), abs=1.5)
    assert split[0].s_end == split[1].s_start == pytest.approx(corner.s_apex, abs=1.5)
    assert sum(c.turn for c in split) == pytest.approx(corner.turn)
    assert split[0].turn == pytest.approx(np.pi / 2.0, abs=0.08)


def test_an_even_bend_is_split_where_it_is_said():
    track = two_apexes(gap=0.0)
    assert tight_parts(track) == {}
    (corner,) = track.corners
    at = corner.s_start + 0.4 * (corner.s_end - corner.s_start)
    split = edit_corners(track, split={1: at}).corners
    assert split[0].s_end == pytest.approx(at, abs=1.0)
    with pytest.raises(InputError, match="500 m does not lie in corner 1"):
        edit_corners(track, split={1: 500.0})


def test_what_was_split_is_merged_again():
    corner = TRACK.corners[2]
    twice = edit_corners(TRACK, split={3: None}, names={3: "Barn", 5: "Hill"})
    assert [c.name for c in twice.corners if c.name] == ["Barn", "Hill"]
    assert len(twice.corners) == len(TRACK.corners) + 1
    once = edit_corners(twice, merge=[(3, 4)])
    again = once.corners[2]
    assert (again.s_start, again.s_end, again.name) == (corner.s_start, corner.s_end, "Barn")
    assert again.s_apex == pytest.approx(corner.s_apex, abs=1.0)
    assert again.turn == pytest.approx(corner.turn)
    assert [c.number for c in once.corners] == list(range(1, len(TRACK.corners) + 1))


def test_edits_are_kept_in_the_file(tmp_path):
    edited = edit_corners(TRACK, split={12: None}, names={1: "Barn"})
    save_track(edited, tmp_path / "edited.geojson")
    kept = load_track(tmp_path / "edited.geojson")
    for here, there in zip(kept.corners, edited.corners, strict=True):
        assert (here.number, here.name) == (there.number, there.name)
        assert [here.s_start, here.s_apex, here.s_end] == pytest.approx(
            [there.s_start, there.s_apex, there.s_end], abs=1e-3
        )


def test_edits_refused():
    opposite = next(c.number for c, after in zip(TRACK.corners, TRACK.corners[1:]) if c.left != after.left)
    with pytest.raises(InputError, match="turn to opposite hands"):
        edit_corners(TRACK, merge=[(opposite, opposite + 1)])
    with pytest.raises(InputError, match="corners 1 and 3 do not follow each other"):
        edit_corners(TRACK, merge=[(1, 3)])
    with pytest.raises(InputError, match=r"there is no corner 40.*numbered 1 to 16"):
        edit_corners(TRACK, names={40: "Far"})
    same = next(c.number for c, after in zip(TRACK.corners, TRACK.corners[1:]) if c.left == after.left)
    with pytest.raises(InputError, match="is to be merged and split"):
        edit_corners(TRACK, merge=[(same, same + 1)], split={same: None})
