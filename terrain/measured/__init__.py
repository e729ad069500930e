"""What was measured, laid on the site, and the one existing ground it makes."""

from terrain.measured.doubts import doubt_of, doubt_of_all
from terrain.measured.ground import (
    CheckSurvey,
    Ground,
    Measured,
    ground_of_all,
    held_against,
    make_ground,
    points_of_all,
)
from terrain.measured.placing import read_survey
from terrain.measured.reading import Frame, Reading, may_hold_shots
from terrain.measured.spot_survey import SpotSurvey, sort_shots
from terrain.measured.suspicions import suspicions

__all__ = [
    "CheckSurvey",
    "Frame",
    "Ground",
    "Measured",
    "Reading",
    "SpotSurvey",
    "doubt_of",
    "doubt_of_all",
    "ground_of_all",
    "held_against",
    "make_ground",
    "may_hold_shots",
    "points_of_all",
    "read_survey",
    "sort_shots",
    "suspicions",
]
