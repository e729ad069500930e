"""`terrain` offers one list of names, and costs nothing until one is used."""

import ast
import importlib
import subprocess
import sys
from pathlib import Path

import pytest

import terrain


def test_every_name_resolves_to_what_its_home_offers():
    for name in terrain.__all__:
        found = getattr(terrain, name)
        home = importlib.import_module(terrain._MODULE[name])
        assert found is getattr(home, name)
        offered = getattr(home, "__all__", None)
        assert offered is None or name in offered


def test_the_list_holds_what_the_design_names():
    wanted = "Site Plan read_plan Tin Grid Lattice Plane build_tin grid_volume prism_volume"
    assert {*wanted.split(), "trapezoid_volume", "TerrainError", "METRE"} <= {*terrain.__all__}
    assert {*terrain.__all__} <= {*dir(terrain)}


def test_type_checkers_and_python_see_the_same_names():
    tree = ast.parse(Path(terrain.__file__).read_text(encoding="utf-8"))
    seen = {
        alias.asname: node.module
        for branch in tree.body
        if isinstance(branch, ast.If)
        for node in branch.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert seen == terrain._MODULE


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'Pond'"):
        terrain.Pond  # noqa: B018


def test_import_alone_is_light():
    child = "import sys, terrain; print(len(terrain.__all__), sorted(sys.modules))"
    said = subprocess.run(
        [sys.executable, "-c", child], capture_output=True, text=True, check=True
    ).stdout
    heavy = ["numpy", "numba", "scipy", "shapely", "pydantic", "pyvista", "laspy", "matplotlib"]
    assert [name for name in heavy if f"'{name}'" in said] == []
    assert "'terrain'" in said
