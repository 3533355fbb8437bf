"""Values of channels that no kart could have shown, beside its positions and the values around them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from linelab.comparison.robust import BUSY, LEAST, Chosen, Path, judge_series, repeats, robust_scatter
from linelab.units import Array

#: Slower than the one neither the direction of travel is judged nor a value that stays the same, nor does a motion turn
#: more readily than at the other [m/s].
_JUDGED, _SLOW = 3.0, 5.0
#: What another source says of a channel is wrong for about this long at a time [s].
_LASTING = 0.5


class _Kind(NamedTuple):
    """A channel: its name in a sentence, its least noise, and how far arbitrary values lie off, in its own unit."""

    words: str
    finest: float
    wide: float


_KINDS = {
    "speed": _Kind("speeds", 0.06, 20.0),  # m/s
    "course": _Kind("courses", 0.003, 1.5),  # rad
    "ax": _Kind("forward accelerations", 0.05, 20.0),  # m/s²
    "ay": _Kind("sideways accelerations", 0.05, 20.0),  # m/s²
    "yaw_rate": _Kind("yaw rates", 0.005, 2.0),  # rad/s
}


def arbitrary_values(t: Array, path: Path, channels: Mapping[str, Array]) -> dict[str, Chosen]:
    """Which values of each channel are set aside.

    The speed is held against the path's, the course against the path's direction, and what an inertial sensor shows,
    whose mounting is not known yet, against its own middle; each also against the values around it.  A value that
    is held while the kart moves is no measurement either.

    Parameters
    ----------
    t : (N,) array
        Increasing [s].
    path : Path
        Through the positions.
    channels : mapping of str to (N,) array
        By name, "speed" among them, with gaps as NaN; other names than those above are not judged.

    Returns
    -------
    dict of str to (N,) array of bool
        Of channels that have any to be set aside.
    """
    if t.size < LEAST:
        return {}
    v = np.hypot(path.velocity[:, 0], path.velocity[:, 1])
    turning = BUSY / np.maximum(v, _SLOW) ** 2
    found: dict[str, Chosen] = {}
    for name, kind in _KINDS.items():
        values = channels.get(name)
        if values is None or np.isfinite(values).sum() < LEAST:
            continue
        held = repeats(values) & (v > _JUDGED)
        order, density, around = 1, BUSY if name != "yaw_rate" else turning, None
        if name == "speed":
            order, around = 2, v
        elif name == "course":
            order, density = 2, turning
            heading = 0.5 * np.pi - np.arctan2(path.velocity[:, 1], path.velocity[:, 0])
            values = np.where(v > _JUDGED, np.angle(np.exp(1j * (values - heading))), np.nan)
        arbitrary = _arbitrary(t, values, held, around, order, density, kind)
        if arbitrary.any():
            found[name] = arbitrary
    return found


def _arbitrary(
    t: Array, values: Array, held: Chosen, around: Array | None, order: int, density: Array | float, kind: _Kind
) -> Chosen:
    """Which values (N,) of a channel are arbitrary; ``around`` is what another source says, its own middle if None.

    Those ``held`` since an earlier one say nothing of their own: they go where the rest is farther from their run than
    channel and source usually are from each other.
    """
    sigma = robust_scatter(t, values)
    off = values - (0.0 if around is None else around)
    if not np.isfinite(sigma) or np.isfinite(off).sum() < LEAST:
        return np.zeros(t.size, dtype=np.bool_)
    middle = float(np.nanmedian(off))
    apart = 1.4826 * float(np.nanmedian(np.abs(off - middle)))
    sigma = max(sigma, kind.finest)
    prior = np.full(t.size, middle) if around is None else around
    judged = judge_series(
        t, np.where(held, np.nan, values)[:, None], sigma, order=order, density=density, wide=kind.wide,
        prior=(prior[:, None], max(apart, sigma)), lasting=max(_LASTING / float(np.median(np.diff(t))), 1.0),
    )  # fmt: skip
    run = np.cumsum(~held)
    gaps = np.where(held, np.clip(values - judged.fit[:, 0], -1e100, 1e100), 0.0) / np.hypot(sigma, apart)
    mean = np.bincount(run, gaps**2) / np.maximum(np.bincount(run, held), 1.0)
    return judged.arbitrary | (held & (mean[run] > 1.0))


def told(channels: Mapping[str, Array], arbitrary: Mapping[str, Chosen]) -> list[str]:
    """A sentence for each channel of which values are set aside."""
    return [
        f"{int(which.sum())} of {int(np.isfinite(channels[name]).sum())} {_KINDS[name].words} set aside: "
        "no kart could have shown them there"
        for name, which in arbitrary.items()
    ]
