"""The plan: what is built, and the surfaces that follow from it."""

from terrain.design.compose import Composed, Composition, DesignSurface, compose, compose_at
from terrain.design.daylight import check_daylight
from terrain.design.elements import build_elements
from terrain.design.liners import LinerSheet, liner_sheets
from terrain.design.plan import read_plan
from terrain.design.setting import Setting
from terrain.design.shapes import Element
from terrain.design.stones import Stone, StoneGroup, seat_groups, single_stones
from terrain.design.tables import Plan

__all__ = [
    "Composed",
    "Composition",
    "DesignSurface",
    "Element",
    "LinerSheet",
    "Plan",
    "Setting",
    "Stone",
    "StoneGroup",
    "build_elements",
    "check_daylight",
    "compose",
    "compose_at",
    "liner_sheets",
    "read_plan",
    "seat_groups",
    "single_stones",
]
