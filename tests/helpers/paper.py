"""What tests ask of pages on paper, and a circuit with as many corners as a test wants."""

from __future__ import annotations

import matplotlib
import numpy as np

from linelab.files.tracks.track_build import track_from_edges


def texts_of(figure):
    """All that a page says, as one line."""
    return " ".join(text.get_text().replace("\n", " ") for text in figure.findobj(matplotlib.text.Text))


def nothing_cut_or_covered(page):
    """No text leaves the page or covers another one."""
    page.canvas.draw()
    renderer = page.canvas.get_renderer()
    boxes = [
        (text.get_text(), text.get_window_extent(renderer))
        for text in page.findobj(matplotlib.text.Text)
        if text.get_text().strip() and text.get_visible()
    ]
    edge = page.bbox
    assert [name for name, box in boxes if box.x0 < 0 or box.y0 < 0 or box.x1 > edge.x1 or box.y1 > edge.y1] == []
    overlaps = [
        (one, other)
        for k, (one, a) in enumerate(boxes)
        for other, b in boxes[k + 1 :]
        if min(a.x1, b.x1) - max(a.x0, b.x0) > 1.0 and min(a.y1, b.y1) - max(a.y0, b.y0) > 2.5
    ]
    assert overlaps == []


def winding(bends, radius=190.0, swing=13.0, half=4.0):
    """A circuit that swings in and out about a circle, two corners a swing."""
    angle = np.linspace(0.0, 2.0 * np.pi, 2401)[:-1]
    r = radius + swing * np.sin(bends * angle)
    middle = np.column_stack([r * np.cos(angle), r * np.sin(angle)])
    ahead = np.roll(middle, -1, axis=0) - np.roll(middle, 1, axis=0)
    left = np.column_stack([-ahead[:, 1], ahead[:, 0]]) / np.linalg.norm(ahead, axis=1)[:, None]
    return track_from_edges("winding", middle + half * left, middle - half * left, closed=True)
