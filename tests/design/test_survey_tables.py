"""Keys of a survey that contradict each other are told."""

import pytest
from pydantic import ValidationError

from terrain.design.survey_tables import LevelBookTable, SurveyTable
from terrain.errors import PlanError


def test_what_is_left_out_is_said_where_it_is_screened():
    with pytest.raises((PlanError, ValidationError), match="joins another"):
        SurveyTable(name="edges", file="edges.geojson", joins="rover", leave_out=("spikes",))


def test_one_control_point_turns_nothing():
    point = {"name": "A", "measured": (0.0, 0.0, 0.0), "site": (1.0, 2.0, 3.0)}
    with pytest.raises((PlanError, ValidationError), match="one control point"):
        SurveyTable(name="scan", file="scan.ply", control=[point])


def test_a_level_book_has_one_way_to_places():
    stakes = {"origin": (0.0, 0.0), "spacing": 5, "last": "C3"}
    baseline = {"start": (0.0, 0.0), "end": (10.0, 0.0)}
    with pytest.raises((PlanError, ValidationError), match="both stakes and a baseline"):
        LevelBookTable(stakes=stakes, baseline=baseline)
