"""Measurements as they come: readers, field codes, and the screening of blunders."""

from terrain.survey.clouds import CloudChunk, CloudHeader, cloud_chunks, cloud_header
from terrain.survey.codes import CodeString, Linework, Role, sort_codes
from terrain.survey.screening import OddHeight, odd_heights
from terrain.survey.spots import Spots, read_spots

__all__ = [
    "CloudChunk",
    "CloudHeader",
    "CodeString",
    "Linework",
    "OddHeight",
    "Role",
    "Spots",
    "cloud_chunks",
    "cloud_header",
    "odd_heights",
    "read_spots",
    "sort_codes",
]
