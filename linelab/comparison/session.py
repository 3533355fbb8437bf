"""The motion of a session, smoothed in windows of whole laps."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from linelab.comparison.channels import Sensors, smooth_session
from linelab.comparison.laps import RecordedLap
from linelab.comparison.smoother import Motion
from linelab.errors import RecordingError

#: Time on either side of the laps that is smoothed with them [s].
PAD = 4.0
#: Laps within such a span are smoothed together [s].
_SPAN = 900.0


def smoothed_windows(
    laps: Sequence[RecordedLap], sensors: Sensors, *, draws: int = 0, seed: int = 1, iterations: int = 3
) -> Iterator[tuple[list[RecordedLap], Motion]]:
    """Runs of laps with the motion that covers them; time and memory grow with the number of laps.

    Raises
    ------
    RecordingError
        An out, in or incomplete lap.
    """
    for window in _windows(laps):
        span = window[0].t_start - PAD, window[-1].t_end + PAD
        yield window, smooth_session(window[0].samples, sensors, *span, draws=draws, seed=seed, iterations=iterations)


def _windows(laps: Sequence[RecordedLap]) -> Iterator[list[RecordedLap]]:
    """Runs of laps that are smoothed together."""
    window: list[RecordedLap] = []
    for lap in laps:
        if lap.status not in ("complete", "aborted"):
            raise RecordingError(
                f"{lap.label} is {lap.status}: {lap.reason}", where=lap.samples.source, remedy="Choose a complete lap"
            )
        apart = window and (
            lap.samples is not window[0].samples
            or lap.t_start < window[-1].t_start
            or lap.t_end - window[0].t_start > _SPAN
            or lap.t_start - window[-1].t_end > 10.0 * PAD
        )
        if apart:
            yield window
            window = []
        window.append(lap)
    if window:
        yield window
