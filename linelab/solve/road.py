"""Laps side by side as the passes read and fill them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linelab.solve.reach import Node
from linelab.units import Array

#: A lap driven again has caught up with the round before when v² agrees to this [-].
SAME = 1e-9


class Road(NamedTuple):
    """Laps side by side: step lengths (M, L) [m], limits of v² (M+1, L) [m²/s²], nodes' coefficients (M+1, L)."""

    h: Array
    limit: Array
    node: Node


class Passes(NamedTuple):
    """Both passes, each (M+1, L) [m²/s²; spare m/s²].

    ``z`` is v² of the profile, ``forward`` what driving alone would give, ``reach`` from how fast braking still
    succeeds, ``spare`` the acceleration that the grip would allow beyond the engine's.
    """

    z: Array
    forward: Array
    reach: Array
    spare: Array


def rows_of(node: Node, rows: int | slice) -> Node:
    """Rows of nodes side by side; on level ground all but b1 and r2 are numbers."""
    return Node(*(field[rows] if isinstance(field, np.ndarray) else field for field in node))
