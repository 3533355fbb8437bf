"""Notes and reasons in the units shown: worded in SI where they arise, restated where they are read."""

from __future__ import annotations

import pytest

from linelab.model.track import Survey
from linelab.output.display import IMPERIAL, METRIC, in_units
from linelab.output.track_facts import survey_sentence


# One foot is 0.3048 m, one mile 1609.344 m, both by definition: 1.5 m = 4.92 ft, 0.06 m/s = 0.134 mph.
@pytest.mark.parametrize(
    ("text", "imperial"),
    [
        ("position error ±1.50 m per axis", "position error ±4.92 ft per axis"),
        ("moved by 0.6 m (median), known within ±0.25 m", "moved by 2.0 ft (median), known within ±0.82 ft"),
        ("speed noise 0.06 m/s, and", "speed noise 0.13 mph, and"),
        ("off by 0.10 and 0.25 m/s²; corrected", "off by 0.33 and 0.82 ft/s²; corrected"),
        ("at 100 km/h.", "at 62 mph."),
        ("from 5.5 to 7.0 m wide", "from 18.0 to 23.0 ft wide"),
        ("known within ±0.01 m/s", "known within ±0.02 mph"),
        ("a drift of 0.1 m/s", "a drift of 0.2 mph"),
        ("within 0.0 m", "within 0.0 ft"),
        ("at most 0.04 m/s", "at most 0.09 mph"),
        ("the driver's laps lie 2 m apart, others' 3 m", "the driver's laps lie 7 ft apart, others' 10 ft"),
        ("it takes 3 min", "it takes 3 min"),
        ("1.5 m² and 9 m/s and 4 mm", "1.5 m² and 20 mph and 4 mm"),
        ("altitude from 'height 10 m'", "altitude from 'height 10 m'"),
        ("columns: speed from 'speed [km/h]'; v2.5 m", "columns: speed from 'speed [km/h]'; v2.5 m"),
    ],
)  # fmt: skip
def test_figures_are_restated_and_nothing_else(text, imperial):
    assert in_units(text, IMPERIAL) == imperial
    assert in_units(text, METRIC) == text


def test_what_is_uncertain_never_becomes_certain():
    assert in_units("known within ±1 m/s²", IMPERIAL) == "known within ±3 ft/s²"
    assert in_units("±0.2 km/h", IMPERIAL) == "±0.1 mph"
    assert in_units("±0.04 km/h", IMPERIAL) == "±0.02 mph"
    assert in_units("±0.01 km/h", IMPERIAL) == "±0.01 mph"
    assert in_units("±0.1 km/h, ±1 km/h", IMPERIAL) == "±0.1 mph, ±1 mph"


def test_the_words_of_a_surveyor_stay_as_they_are():
    assumed = Survey(kind="estimated", assumed_width=7.0, uncertainty=0.31, note="Width 7 m assumed.")
    assert survey_sentence(assumed, IMPERIAL) == (
        "Edges estimated, not surveyed, assumed width 23 ft, ±2.00 ft (95 % interval). Width 23 ft assumed."
    )
    taped = Survey(kind="surveyed", note="With a tape of 50 m.")
    assert survey_sentence(taped, IMPERIAL) == "Edges as given in the track file. With a tape of 50 m."
