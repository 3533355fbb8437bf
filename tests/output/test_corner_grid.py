"""The grid of times: it adds up to the laps, agrees with the clock at the timing lines, and marks what is best."""

from __future__ import annotations

import numpy as np
import pytest
from shared import demo_review

from linelab.output.page.corner_grid import time_grid


@pytest.fixture(scope="module")
def review():
    return demo_review()


def table(review, *, corners: bool) -> np.ndarray:
    """Times of the corners, or of the sectors, lap by lap."""
    grid = time_grid(review, review.laps)
    columns = [k for k, c in enumerate(grid.columns) if (c.corner > 0 if corners else c.name.startswith("sector"))]
    return np.array([[float(row.cells[k].time) for k in columns] for row in grid.rows])


@pytest.mark.parametrize("corners", [True, False])
def test_a_lap_is_the_sum_of_its_parts(review, corners):
    laps = np.array([lap.lap_time.value for lap in review.laps])
    parts = table(review, corners=corners)
    np.testing.assert_allclose(parts.sum(axis=1), laps, atol=0.0051 * parts.shape[1])


def test_sectors_agree_with_the_crossings_of_the_timing_lines(review):
    """Those are interpolated between two recorded positions, which the estimate of a lap never looks at singly."""
    splits = {lap.label: [split.value for split in lap.splits] for lap in review.recorded if lap.status == "complete"}
    sigma = max(split.sigma for lap in review.recorded if lap.status == "complete" for split in lap.splits)
    crossed = np.array([np.diff([0.0, *splits[lap.label], lap.lap_time.value]) for lap in review.laps])
    np.testing.assert_allclose(table(review, corners=False), crossed, atol=4.0 * np.hypot(sigma, 0.02))


def test_the_best_is_the_least_and_differences_count_from_it(review):
    grid = time_grid(review, review.laps)
    for k, column in enumerate(grid.columns):
        cells = [row.cells[k] for row in grid.rows]
        (best,) = [cell for cell in cells if cell.best]
        assert best.time == column.best == min((cell.time for cell in cells), key=float)
        for cell in cells:
            if not cell.best:
                apart = float(cell.apart.replace("+", ""))
                assert apart == pytest.approx(float(cell.time) - float(best.time), abs=0.0101)
                within = float(column.within[1:])
                assert cell.clear or apart <= within + 0.006
                assert not cell.clear or apart >= within - 0.006
    assert [row.label for row in grid.rows if not row.usual] == ["lap 3"]


def test_a_difference_is_as_certain_as_measured(review):
    """Two laps as likely as one recorded lap differ by about the stated ± in each corner."""
    grid, lap = time_grid(review, review.laps), review.laps[0]
    losses = lap.comparison.losses
    for k, part in enumerate(lap.corners):
        chosen = np.array([segment.corner == part.corner.number for segment in losses.segments])
        noise = 1.96 * np.sqrt(2.0) * np.std(losses.draws[:, chosen].sum(axis=1))
        assert float(grid.columns[k].within[1:]) >= noise - 0.006
        assert float(grid.columns[k].within[1:]) < 0.1
