"""Where the optimiser starts: a smooth line inside the edges at a speed it can nearly hold."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linelab.grip import LEAST_SPARE, Surface, stuck_error
from linelab.lap import Lap, Limit
from linelab.solve import mesh as meshes
from linelab.solve.lines import line_on_track
from linelab.solve.mesh import Mesh, Rhythm
from linelab.solve.speed import LONGEST_STAND, speed_profiles
from linelab.solve.stage import Z_SCALE
from linelab.solve.task import SLOWEST, Task
from linelab.units import Array


class Guess(NamedTuple):
    """Where the optimiser starts: a smooth line inside the edges and its speed, by station (K,)."""

    s: Array
    n: Array
    v: Array
    ay: Array

    @property
    def rhythm(self) -> Rhythm:
        """What spaces the nodes of a mesh."""
        return Rhythm(self.s, self.v, self.ay)


#: Wavelengths below about this are smoothed out of the first line [m / 2 pi].
GUESS_SMOOTHING = 4.0


#: How far beside the reference line another first line runs, as a share of the corridor's width.
ASIDE = 0.35


def first_guess(task: Task, aside: float = 0.0) -> Guess:
    """First line and speed.

    The reference line clipped into the kart's corridor and smoothed; its speed profile is then nearly feasible
    everywhere, which is what keeps the interior-point iterations few.  With ``aside`` 1 the line runs ASIDE to its
    left, with -1 to its right.
    """
    track = task.track
    s = np.linspace(0.0, track.length, max(int(np.ceil(track.length)), 16) + 1)
    low, high = meshes.corridor(track, s, task.half_width)
    margin = np.clip(0.3 * (high - low), 0.0, 0.5)
    wanted = aside * ASIDE * (high - low)
    n = _smooth_offset(np.clip(wanted, low + margin, high - margin), s[1], track.closed)
    line = line_on_track(track, s, n, half_width=task.half_width, grip=task.grip)
    ideal = speed_profiles([line], task.kart, v_start=task.start.v, v_end=task.end.v)[0]
    _require_moving(task, ideal)
    # To the centimetre a second: where the optimiser ends up must not hang on a profile's last digits.
    return Guess(s, n, np.round(ideal.v, 2), np.round(ideal.ay, 2))


def _require_moving(task: Task, lap: Lap) -> None:
    """Refuse a kart that does not get on somewhere: the passes go on at their lowest speed where drive does not."""
    driving = (lap.limited_by == Limit.DRIVE) | (lap.limited_by == Limit.TRACTION)
    stands = (driving & (lap.v < SLOWEST) & (np.abs(lap.ax) < LEAST_SPARE))[:-1]
    step = np.diff(lap.line.distance)
    if step[stands].sum() > LONGEST_STAND:
        at = int(np.argmax(stands))
        surface = Surface(*(float(getattr(lap.line, name)[at]) for name in Surface._fields))
        raise stuck_error(task.kart, SLOWEST, surface, f"station {lap.line.s[at]:.1f} m")


def _smooth_offset(n: Array, step: float, closed: bool) -> Array:
    """Minimise sum((m - n)²) + l⁴·sum(m''²): in Fourier space a division by 1 + (l·w)⁴; open ends are mirrored."""
    wave = n[:-1] if closed else np.concatenate([n, n[-2:0:-1]])
    frequency = 2.0 * np.pi * np.fft.rfftfreq(wave.size, step)
    smooth = np.fft.irfft(np.fft.rfft(wave) / (1.0 + (GUESS_SMOOTHING * frequency) ** 4), wave.size)
    return np.append(smooth, smooth[0]) if closed else smooth[: n.size]


def starting_point(mesh: Mesh, guess: Guess, share: float) -> tuple[Array, Array]:
    """Coefficients of n [m] and of z [Z_SCALE m²/s²] for a share of the guessed speed."""
    offset = np.interp(meshes.wrapped(mesh, meshes.path_stations(mesh)), guess.s, guess.n)
    speed = share * np.interp(meshes.wrapped(mesh, meshes.speed_stations(mesh)), guess.s, guess.v)
    return offset, np.maximum(speed**2 / Z_SCALE, 1.01 * SLOWEST**2 / Z_SCALE)
