"""The numbers behind the cursor: each lap's speed, time behind and place at even stations, as whole-number steps."""

from __future__ import annotations

from typing import Any

import numpy as np

from linelab.coaching.results import LapReview, Review
from linelab.geometry.curve import curve_at
from linelab.measured import TO_95
from linelab.model.lap import Lap
from linelab.model.track import lap_ends
from linelab.output.display import Units
from linelab.output.page.corner_rows import PHASE_NAMES
from linelab.output.page.foot_work import FootWork
from linelab.output.page.svg_map import PER_METRE
from linelab.units import Array

#: Wanted spacing of the stations [m], and the most stations of a long road.
SPACING, MOST = 2.0, 1500
#: Whole numbers to the second, to the metre a second, to the metre, to the radian, to the whole, to the metre a second
#: squared.
TIME, SPEED, PLACE, ANGLE, PERCENT, ACCELERATION = 1000.0, 100.0, 100.0, 10000.0, 100.0, 20.0


def readings(review: Review, units: Units, work: FootWork) -> dict[str, Any]:
    """Everything the page's script reads out: plain numbers and names; lists are first value, then differences."""
    track, target = review.track, review.target.lap
    count = int(np.clip(round(track.length / SPACING), 8, MOST))
    s = np.linspace(0.0, track.length, count + 1)
    at = curve_at(track.reference, s if not track.closed else np.minimum(s, track.length - 1e-9))
    return {
        "step": track.length / count,
        "count": count,
        "closed": track.closed,
        "ends": [round(station * count / track.length, 3) for station in lap_ends(track)],
        "units": {
            "speed": [units.speed, units.speed_unit],
            "length": [units.length, units.length_unit],
        },
        "road": {"x": steps(at.x, PER_METRE), "y": steps(-at.y, PER_METRE), "psi": steps(at.psi, ANGLE)},
        "target": {
            "title": review.target.title,
            "v": _along(s, target, target.v, SPEED),
            "n": _along(s, target, target.line.n, PLACE),
            "t": _along(s, target, target.t - target.t[0], TIME),
            **_work(s, work, work.target_power, work.target_brake, work.target_grip),
            **_moved(s, work, {"ax": work.target_ax, "ay": work.target_ay}),
        },
        "cards": [
            {"title": f"{card.rank}. {card.title}", "corners": list(card.corners)}
            for card in review.priorities
            if card.corners
        ],
        "laps": [_lap(lap, s) | _work_of(k, s, work) for k, lap in enumerate(review.laps)],
        "corners": [
            {
                "label": part.corner.label,
                "apex": round(part.frame.apex, 1),
                "from": round(part.frame.slows_from, 1),
                "to": round(part.frame.track_out, 1),
                "number": part.corner.number,
            }
            for part in review.laps[0].corners
        ],
        "segments": [
            [round(segment.s_start, 1), segment.corner, PHASE_NAMES[segment.phase]]
            for segment in review.laps[0].comparison.losses.segments
        ],
    }


def _lap(lap: LapReview, s: Array) -> dict[str, Any]:
    """One lap's numbers at stations ``s`` (N,) [m]; ``..._within`` is half of the 95 % interval."""
    driven = lap.comparison.driven
    own = driven.lap
    place = np.hypot(driven.sigma_n, driven.bias.sigma)
    return {
        "label": lap.label,
        "v": _along(s, own, own.v, SPEED),
        "v_within": _along(s, own, TO_95 * driven.sigma_v, SPEED),
        "gap": steps(np.interp(s, lap.comparison.s, lap.comparison.gap), TIME),
        "gap_within": steps(np.interp(s, lap.comparison.s, TO_95 * lap.comparison.gap_sigma), TIME),
        "n": _along(s, own, own.line.n, PLACE),
        "n_within": _along(s, own, TO_95 * place, PLACE),
    }


def _work_of(lap: int, s: Array, work: FootWork) -> dict[str, list[int]]:
    """The same of pedals and grip, as far as they are not withheld."""
    found = _work(s, work, work.power[lap], work.brake[lap], work.grip[lap])
    found |= _moved(s, work, {"ax": work.ax[lap], "ay": work.ay[lap]})
    found |= _moved(s, work, {"ax_within": TO_95 * work.ax_sigma[lap], "ay_within": TO_95 * work.ay_sigma[lap]})
    if work.no_grip:
        return found
    return found | {"grip_within": steps(np.interp(s, work.s, TO_95 * work.grip_sigma[lap]), PERCENT)}


def _work(s: Array, work: FootWork, power: Array, brake: Array, grip: Array) -> dict[str, list[int]]:
    """Which pedal is down, most likely: 1 power, -1 brake, 0 neither; and the grip used in per cent."""
    foot = np.argmax([1.0 - power - brake, power, brake], axis=0)
    nearest = np.clip(np.searchsorted(work.s, s), 0, work.s.size - 1)
    found = {} if work.no_feet else {"foot": steps(np.array([0.0, 1.0, -1.0])[foot[nearest]], 1.0)}
    return found | ({} if work.no_grip else {"grip": steps(np.interp(s, work.s, grip), PERCENT)})


def _moved(s: Array, work: FootWork, values: dict[str, Array]) -> dict[str, list[int]]:
    """Accelerations at stations ``s``, where they are not withheld."""
    return {} if work.no_gg else {name: steps(np.interp(s, work.s, one), ACCELERATION) for name, one in values.items()}


def _along(s: Array, lap: Lap, values: Array, scale: float) -> list[int]:
    return steps(np.interp(s, lap.line.s, values), scale)


def steps(values: Array, scale: float) -> list[int]:
    """Values (N,) as whole numbers of 1/scale: the first, then differences, so that the error does not add up."""
    whole = np.rint(np.asarray(values) * scale).astype(np.int64)
    return np.diff(whole, prepend=0).tolist()  # type: ignore[no-any-return]
