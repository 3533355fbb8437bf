"""The minimum-time line and speed of a kart on a track."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from linelab.errors import InputError, SolveError
from linelab.grip import KartNumbers, kart_numbers, unpack
from linelab.kart import Kart
from linelab.lap import Lap
from linelab.solve import mesh as meshes
from linelab.solve.guess import Guess, first_guess
from linelab.solve.outcome import lap_from_spline
from linelab.solve.run import Iterate, solve_again, solve_cold, solve_finer, unpacked
from linelab.solve.task import TYPICAL_TIME, End, Task
from linelab.solve.transcription import build_problem
from linelab.solve.verify import Verification, verify_lap
from linelab.track import Track

#: Accepted estimate of the lap time's discretisation error [s].
TIME_TOLERANCE = 2.0e-3
#: Time step that the first mesh aims at, and the most intervals a mesh may have.
FIRST_STEP = 0.18
#: The second mesh has four times the intervals, later ones twice those before.  The share of the change that is taken
#: as the error left corresponds to an order of convergence of 1.4, the lowest measured on the demo tracks; in the
#: limit it is 2.
#: The tolerance holds for laps up to this long [s] and grows in proportion beyond: 20 km are not asked for 2 ms.
TOLERANCE_LAP = 60.0
FIRST_FACTOR, FIRST_SHARE, NEXT_SHARE = 4, 1.0 / 6.0, 0.6
MOST_INTERVALS = 100_000
#: Meshes are not refined below this mean step [m]; the error estimate then says what was reached.
FINEST_STEP = 0.04
#: Counts are rounded up to a multiple of this, so that similar tracks share one built problem.
ROUND_TO = 32

FREE = End()


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Solution:
    """A minimum-time lap, verified unless that was switched off.

    Attributes
    ----------
    lap : Lap
    time_error : float
        Estimated discretisation error of the lap time [s].
    iterations : int
        Interior-point iterations, all meshes together.
    verification : Verification or None
    iterate : Iterate
        For warm starts and sensitivities.
    grip : float
        Factor on mu that was solved for.
    """

    lap: Lap
    time_error: float
    iterations: int
    verification: Verification | None
    iterate: Iterate
    grip: float

    @property
    def lap_time(self) -> float:
        """[s]."""
        return self.lap.lap_time


def solve_min_time(
    track: Track,
    kart: Kart,
    *,
    grip: float = 1.0,
    start: End = FREE,
    end: End = FREE,
    use_kerbs: bool = True,
    tolerance: float = TIME_TOLERANCE,
    warm: Solution | None = None,
    verify: bool = True,
    progress: Callable[[str], None] | None = None,
) -> Solution:
    """Fastest line and speed of a kart on a track, within its edges and its grip.

    Parameters
    ----------
    track : Track
    kart : Kart
    grip : float
        Factor on mu for the whole track: 1 dry, about 0.6 damp, 0.45 wet [-].
    start, end : End
        States at the ends of an open track.
    use_kerbs : bool
        Whether the kart may use the kerbs' usable width.
    tolerance : float
        Accepted estimate of the lap time's discretisation error [s]; the mesh is refined until it is met, down to
        steps of FINEST_STEP.  For laps beyond a minute it grows in proportion.
    warm : Solution or None
        An earlier solution on this track to start from: same mesh, no refinement study, several times faster.
    verify : bool
        Run the independent check of :mod:`linelab.solve.verify`.
    progress : callable or None
        Called with a short text at each step.

    Returns
    -------
    Solution

    Raises
    ------
    SolveError
        The solver did not converge; nothing is returned in place of a solution.
    VerificationError
        It converged but the independent check failed.
    TrackError
        The track is narrower than the kart somewhere.
    InputError
        Impossible arguments.

    References
    ----------
    Problem statement: R. Lot & F. Biral (2014), as in :mod:`linelab.solve.kinematics`; transcription:
    :mod:`linelab.solve.stage`.
    """
    _check_arguments(track, grip, start, end, tolerance)
    say = progress or (lambda text: None)
    task = Task(track, kart, kart_numbers(kart), grip, start, end, use_kerbs)
    if warm is not None:
        return _finish(task, [solve_again(task, None, warm.iterate)], warm.time_error, verify, say)
    say("a first line and its speed")
    guess = first_guess(task)
    density = meshes.node_density(track, np.interp(track.s, guess.s, guess.v))
    intervals = _first_intervals(track, guess)
    say(f"first line: {intervals} intervals")
    iterates = [solve_cold(task, guess, meshes.make_mesh(track, density, intervals))]
    factor, share = FIRST_FACTOR, FIRST_SHARE
    error = np.inf
    while error > tolerance * max(1.0, iterates[-1].time / TOLERANCE_LAP):
        if track.length / (intervals * factor) < FINEST_STEP:
            break
        intervals *= factor
        if intervals > MOST_INTERVALS:
            raise SolveError(
                f"the lap time still changes by {error:.4f} s at {intervals // factor} mesh intervals",
                remedy="Check the track's edges for spikes, or raise the tolerance",
            )
        say(f"refining: {intervals} intervals")
        iterates.append(solve_finer(task, guess, iterates[-1], meshes.make_mesh(track, density, intervals)))
        error = share * abs(iterates[-1].time - iterates[-2].time)
        factor, share = 2, NEXT_SHARE
    return _finish(task, iterates, error, verify, say)


def time_gradient(solution: Solution) -> KartNumbers:
    """Derivative of the lap time by each of the kart's numbers, line and speed re-optimised.

    By the envelope theorem the optimal time changes with a parameter as the Lagrangian does at the solution
    (A. V. Fiacco, *Introduction to Sensitivity and Stability Analysis in Nonlinear Programming*, 1983, theorem 3.4.1).

    Returns
    -------
    KartNumbers
        dT/d(field) in seconds per the field's own unit: ``mu_y`` [s], ``mass`` [s/kg], ...  ``drag`` holds the mass
        in it, so a change of mass also changes ``drag``; combine the two.
    """
    iterate = solution.iterate
    problem = build_problem(iterate.structure)
    slope = np.asarray(problem.sensitivity(iterate.x, iterate.parameters, iterate.lam_g)).ravel()
    return unpack(slope * TYPICAL_TIME / iterate.structure.intervals)


def _check_arguments(track: Track, grip: float, start: End, end: End, tolerance: float) -> None:
    if not 0.05 <= grip <= 3.0:
        raise InputError(f"grip factor {grip} is outside 0.05 to 3", where="grip", remedy="1 is dry, about 0.6 damp")
    if not tolerance > 0.0:
        raise InputError(f"tolerance {tolerance} s is not positive", where="tolerance")
    if track.closed and (start != FREE or end != FREE):
        raise InputError("a closed track has no ends", where="start, end", remedy="Leave them out for a flying lap")


def _first_intervals(track: Track, guess: Guess) -> int:
    """Intervals of the first mesh: a time step, and enough to see the track's bends."""
    time = float(np.sum(2.0 * np.diff(guess.s) / (guess.v[1:] + guess.v[:-1])))
    turning = float(np.sum(np.diff(track.s) * np.abs(track.reference.kappa[1:])))
    count = max(time / FIRST_STEP, turning / 0.12, 24.0)
    return -(-int(np.ceil(count)) // ROUND_TO) * ROUND_TO


def _finish(task: Task, iterates: list[Iterate], error: float, verify: bool, say: Callable[[str], None]) -> Solution:
    """Turn the last iterate into a lap and check it."""
    last = iterates[-1]
    path, speed = unpacked(last)
    lap = lap_from_spline(task.track, task.kart, last.mesh, path, speed, grip=task.grip, label="reference")
    checked = None
    if verify:
        say("verifying")
        checked = verify_lap(
            task.track, task.kart, last.mesh, path, speed, grip=task.grip, lap=lap, use_kerbs=task.use_kerbs
        )
    return Solution(
        lap=lap,
        time_error=error,
        iterations=sum(iterate.iterations for iterate in iterates),
        verification=checked,
        iterate=last,
        grip=task.grip,
    )
