"""What the recording shows, in the units shown, with a standard deviation that is never nothing."""

from __future__ import annotations

import re

import pytest

from linelab.coaching.results import Evidence
from linelab.measured import Measured
from linelab.output.display import IMPERIAL, METRIC, evidence_text, with_unit


@pytest.mark.parametrize("quantity", ["place", "length", "speed", "time", "deceleration", "number"])
@pytest.mark.parametrize("units", [METRIC, IMPERIAL])
@pytest.mark.parametrize("sigma", [1e-5, 0.004, 0.03, 0.3, 2.0])
def test_a_standard_deviation_is_never_printed_as_nothing(quantity, units, sigma):
    text = with_unit(Measured(13.86, sigma), quantity, units)
    assert float(re.search(r"\u00b1([0-9.]+)", text)[1]) > 0.0


def test_a_small_one_is_not_blown_up_to_the_last_decimal():
    assert with_unit(Measured(13.86, 0.3), "place", METRIC) == "13.9 ±0.6 m"
    assert with_unit(Measured(13.86, 1.2), "place", METRIC) == "14 ±2 m"
    assert with_unit(Measured(13.86, 0.0), "place", METRIC) == "14 m"


def test_places_and_speeds_come_in_the_units_shown():
    """One foot is 0.3048 m and one mile 1609.344 m (International Yard and Pound Agreement, 1959)."""
    told = Evidence(
        "{} later and {} slower; corner 3.", ((Measured(10.0, 0.6), "place"), (Measured(5.0, 0.1), "speed"))
    )
    assert evidence_text(told) == "10 ±1 m later and 18.0 ±0.7 km/h slower; corner 3."
    assert evidence_text(told, IMPERIAL) == "33 ±4 ft later and 11.2 ±0.4 mph slower; corner 3."
