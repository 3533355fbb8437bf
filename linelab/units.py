"""Units: SI and radians inside, everything else only at the edges (``files``, ``output``).

The aliases below document a quantity's unit in a signature without changing its type.
"""

from __future__ import annotations

from typing import Annotated

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

Metres = Annotated[float, "m"]
Seconds = Annotated[float, "s"]

#: Standard acceleration of free fall [m/s²]: exact by convention (BIPM, *The International System of Units*, 9th ed.,
#: 2019, app. 4).
STANDARD_GRAVITY = 9.80665

#: Exact by definition (International Yard and Pound Agreement, 1959): foot, mile, inch [m], pound [kg].
FOOT = 0.3048
MILE = 1609.344
INCH = 0.0254
POUND = 0.45359237

KMH = 1.0 / 3.6  #: one kilometre per hour [m/s]
MPH = MILE / 3600.0  #: one mile per hour [m/s]
KNOT = 1852.0 / 3600.0  #: one knot [m/s]
DEGREE = np.pi / 180.0  #: one degree of an angle [rad]
RPM = 2.0 * np.pi / 60.0  #: one revolution per minute [rad/s]
