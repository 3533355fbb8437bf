"""Laps with neighbouring axle sprockets, each solved: a tooth is too much for what is true of one per cent."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from linelab.arrays import Table
from linelab.errors import KartError, SolveError, VerificationError
from linelab.model.engine import road_speed
from linelab.model.kart import Gearing, Kart, TorqueEngine
from linelab.model.track import Track
from linelab.optimum.minimum_time import Solution, solve_min_time
from linelab.units import RPM

#: Sprockets solved to either side of the kart's own [teeth].
AROUND = 3


@dataclass(frozen=True, kw_only=True, slots=True)
class SprocketLap:
    """The lap with an axle sprocket.

    Parameters
    ----------
    axle_teeth : int
    lap_time : float
        [s], of an open track that of the whole road; NaN where no lap was found.
    apart : float
        Lap time less that with the kart's own sprocket [s].
    top_speed : float
        Highest speed of the lap [m/s].
    top_rpm : float
        Crankshaft speed there in the highest gear [rpm].
    reason : str
        Why there is no lap, where there is none.
    """

    axle_teeth: int
    lap_time: float
    apart: float
    top_speed: float
    top_rpm: float
    reason: str = ""

    def row(self) -> dict[str, float | str]:
        """The figures as a row of a table."""
        return {
            "axle_sprocket_teeth": self.axle_teeth, "lap_time_s": self.lap_time, "apart_s": self.apart,
            "top_speed_mps": self.top_speed, "top_rpm": self.top_rpm, "reason": self.reason,
        }  # fmt: skip


def sprocket_laps(
    track: Track,
    kart: Kart,
    base: Solution,
    *,
    around: int = AROUND,
    use_kerbs: bool = True,
    progress: Callable[[str], None] = lambda text: None,
) -> Table[SprocketLap]:
    """Laps with axle sprockets of up to ``around`` teeth fewer and more, from the solution of the kart as it is.

    All are solved on its mesh, so that the error of the lap time is nearly the same and mostly cancels in differences.
    Empty where the kart has no sprockets, and around none.

    Raises
    ------
    SolveError, VerificationError
        No lap is found with the kart's own sprocket.
    """
    if around == 0 or not isinstance(kart.engine, TorqueEngine) or not isinstance(kart.engine.ratios, Gearing):
        return Table(())
    gears, found = kart.engine.ratios, []
    own = solve_min_time(track, kart, grip=base.grip, use_kerbs=use_kerbs, warm=base)
    for teeth in range(gears.axle_teeth - around, gears.axle_teeth + around + 1):
        progress(f"{teeth} teeth")
        try:
            engine = replace(kart.engine, ratios=replace(gears, axle_teeth=teeth))
            solution = own
            if teeth != gears.axle_teeth:
                other = replace(kart, engine=engine)
                solution = solve_min_time(track, other, grip=base.grip, use_kerbs=use_kerbs, warm=base)
        except (KartError, SolveError, VerificationError) as error:
            none = math.nan
            found.append(
                SprocketLap(
                    axle_teeth=teeth, lap_time=none, apart=none, top_speed=none, top_rpm=none, reason=str(error)
                )
            )
            continue
        top = float(solution.lap.v.max())
        rpm = top / float(road_speed(engine, RPM, len(engine.ratios)))
        found.append(
            SprocketLap(
                axle_teeth=teeth,
                lap_time=solution.lap.lap_time,
                apart=solution.lap.lap_time - own.lap.lap_time,
                top_speed=top,
                top_rpm=rpm,
            )
        )
    return Table(found)
