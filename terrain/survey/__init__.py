"""Measurements as they come: readers, field codes, and the screening of blunders."""

from terrain.survey.codes import CodeString, Linework, Role, sort_codes
from terrain.survey.findings import Finding, Kind, screen
from terrain.survey.leaving_out import LeftOut, left_out, without
from terrain.survey.screening import OddHeight, odd_heights
from terrain.survey.spots import Spots, read_spots

__all__ = [
    "CodeString",
    "Finding",
    "Kind",
    "LeftOut",
    "Linework",
    "OddHeight",
    "Role",
    "Spots",
    "left_out",
    "odd_heights",
    "read_spots",
    "screen",
    "sort_codes",
    "without",
]
