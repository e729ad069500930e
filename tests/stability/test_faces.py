"""Faces found on surfaces whose faces are known."""

import numpy as np
import pytest

from terrain.stability.faces import find_faces, profile_of
from terrain.surface import Lattice

LATTICE = Lattice(-10.0, -10.0, 0.1, 201, 201)
NOBODY = np.zeros((201, 201), dtype=np.int64)


def inside_box(xy: np.ndarray, half: tuple[float, float]) -> np.ndarray:
    """Distance from the edge of a box inward."""
    return np.minimum(half[0] - np.abs(xy[:, 0]), half[1] - np.abs(xy[:, 1]))


def faces_of(depth, *, raised: bool = False, owner=NOBODY):
    """Faces of a hole (or a heap) whose depth is a function of the place."""
    sign = 1.0 if raised else -1.0
    change = depth(LATTICE.nodes).reshape(201, 201)
    return find_faces(lambda xy: 50.0 + sign * depth(xy), change, owner, LATTICE, raised=raised)


@pytest.mark.parametrize("run", [0.5, 1.0, 1.5])
@pytest.mark.parametrize("raised", [False, True])
def test_a_box_has_four_faces_as_high_and_steep_as_it_was_cut(run, raised):
    found = faces_of(lambda xy: np.clip(inside_box(xy, (6.0, 4.0)) / run, 0.0, 2.0), raised=raised)
    assert len(found) == 4
    assert sorted(face.length_m for face in found) == pytest.approx([8, 8, 12, 12], abs=1.6)
    for face in found:
        assert face.height == pytest.approx(2.0, abs=0.12)
        assert face.slope == pytest.approx(run, abs=0.06)
        assert face.angle_deg == pytest.approx(np.degrees(np.arctan(1 / run)), abs=2)
        assert (face.benches == 0).all()
        across = face.edge[face.worst] + 3.0 * face.inward[face.worst]
        assert inside_box(across[None], (6.0, 4.0))[0] > 0.5


def test_a_round_hole_is_found_all_around():
    found = faces_of(lambda xy: np.clip((5.0 - np.hypot(*xy.T)) / 0.75, 0.0, 1.8))
    assert sum(face.length_m for face in found) == pytest.approx(10 * np.pi, rel=0.03)
    for face in found:
        away = face.edge / np.hypot(*face.edge.T)[:, None]
        assert (face.inward * away).sum(axis=1) == pytest.approx(-1.0, abs=0.02)
        assert face.height_m == pytest.approx(1.8, abs=0.08)


def test_benches_are_counted_and_the_highest_step_is_measured():
    def stepped(xy):
        d = inside_box(xy, (6.0, 5.0))
        return np.interp(d, [0.0, 0.05, 0.85, 0.9, 1.7, 1.75], [0.0, 0.8, 0.8, 2.0, 2.0, 2.5])

    for face in [face for face in faces_of(stepped) if face.length_m > 2]:
        assert face.height == pytest.approx(2.5, abs=0.1)
        assert face.benches[face.worst] == 2
        assert face.highest_piece_m[face.worst] == pytest.approx(1.2, abs=0.1)
        assert face.run_m[face.worst] == pytest.approx(1.75, abs=0.15)
        assert face.steepest_deg > 80


def test_a_shelf_wider_than_the_face_is_high_ends_it():
    def shelved(xy):
        d = inside_box(xy, (8.0, 8.0))
        return np.interp(d, [0.0, 0.2, 3.2, 3.4], [0.0, 0.8, 0.8, 2.0])

    assert all(face.height == pytest.approx(0.8, abs=0.05) for face in faces_of(shelved))


def test_steps_lower_than_a_face_are_none_and_the_worst_stands_first():
    def two(xy):
        west = np.clip(inside_box(xy - [-5.0, 0.0], (2.0, 2.0)) / 0.1, 0.0, 0.2)
        east = np.clip(inside_box(xy - [4.0, 0.0], (3.0, 3.0)) / 0.5, 0.0, 1.5)
        return np.maximum(np.maximum(west, east), 0.0)

    owner = np.where(LATTICE.nodes[:, 0] < 0, 0, 1).reshape(201, 201)
    found = faces_of(two, owner=owner)
    assert {face.row for face in found} == {1}
    rank = [face.height / face.slope**0.5 for face in found]
    assert rank == sorted(rank, reverse=True)


def test_nothing_touched_has_no_face():
    assert faces_of(lambda xy: np.zeros(len(xy))) == ()


def test_a_profile_leaves_out_what_is_not_known():
    line = profile_of(
        lambda xy: np.where(xy[:, 0] > 1.0, np.nan, xy[:, 1]),
        np.array([0.0, 2.0]), np.array([1.0, 0.0]), back_m=1.0, ahead_m=3.0,
    )  # fmt: skip
    assert line[0, 0] == pytest.approx(-1.0)
    assert line[-1, 0] == pytest.approx(1.0, abs=0.051)
    assert (line[:, 1] == 2.0).all()
