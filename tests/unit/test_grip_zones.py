"""Grip zones across the track: how far they reach, and that narrow ones do no more than they say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from linelab.gripfield import grip_at
from linelab.io.track_files import load_track
from linelab.track import GripZone


@pytest.mark.parametrize("width", [0.1, 0.3, 0.5, 2.0])
def test_a_zone_does_no_more_than_it_says(width):
    track = load_track("ostrelle_sprint")
    bare = replace(track, kerbs=())
    zone = GripZone(s_start=600.0, s_end=640.0, n_right=-0.5 * width, n_left=0.5 * width, factor=0.5)
    n = np.linspace(-3.0, 3.0, 601)
    factor = grip_at(replace(bare, grip_zones=(zone,)), np.full(n.size, 620.0), n, 0.7)
    # corners are rounded over a decimetre: a zone no wider than that is weaker than it says, never of the other sign
    assert factor.min() >= 0.5 - 1e-9
    assert factor.max() <= 1.0 + 1e-9
    assert factor[np.abs(n) > 0.5 * width + 1.0].min() > 0.99
    if width >= 2.0:
        assert factor.min() < 0.52
