"""The probe: a child process takes the crash, and the answer names what to install."""

import os
import sys

import pytest

from terrain.review import rendering
from terrain.review.rendering import EGL, OSMESA, X_WINDOW, candidates, draws, probe

LINUX_ONLY = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux libraries")


def without_libraries(folder):
    """This process's environment, where the loader meets broken OpenGL libraries first."""
    for name in ("libEGL.so", "libEGL.so.1", "libOSMesa.so", "libOSMesa.so.6", "libOSMesa.so.8"):
        (folder / name).write_bytes(b"not a library")
    names = {k: v for k, v in os.environ.items() if k not in {"DISPLAY", rendering.WINDOW_VARIABLE}}
    return {**names, "LD_LIBRARY_PATH": str(folder)}


@LINUX_ONLY
def test_without_libraries_the_answer_is_a_polite_no(tmp_path):
    found = probe(without_libraries(tmp_path), "linux")
    assert not found.works
    assert found.window is None
    for package in ("libosmesa6", "libegl1", "libgl1-mesa-dri"):
        assert package in found.advice
    assert rendering.WINDOW_VARIABLE not in found.advice


@LINUX_ONLY
def test_a_window_class_that_was_asked_for_is_the_only_one_tried_and_is_named(tmp_path):
    environment = {**without_libraries(tmp_path), rendering.WINDOW_VARIABLE: OSMESA}
    found = probe(environment, "linux")
    assert not found.works
    assert f"unset {rendering.WINDOW_VARIABLE}" in found.advice
    assert OSMESA in found.advice


def test_what_the_probe_promises_a_second_child_keeps():
    found = rendering.this_machine()
    assert found.works == (found.advice == "")
    assert found.works == (found.window is not None)
    if found.works:
        assert draws(found.window, os.environ) == found.window


def test_a_child_that_does_not_answer_in_time_counts_as_no():
    assert draws(None, os.environ, patience_s=0.001) is None


@pytest.mark.parametrize(
    ("environment", "platform", "expected"),
    [
        ({}, "linux", (EGL, OSMESA)),
        ({"DISPLAY": ":0"}, "linux", (EGL, OSMESA, X_WINDOW)),
        ({"DISPLAY": ""}, "linux", (EGL, OSMESA)),
        ({rendering.WINDOW_VARIABLE: X_WINDOW}, "linux", (X_WINDOW,)),
        ({}, "darwin", (None,)),
        ({}, "win32", (None,)),
    ],
)
def test_candidates(environment, platform, expected):
    assert candidates(environment, platform) == expected


def test_advice_where_packages_are_not_debians():
    assert "libosmesa6" not in rendering.advice({}, "win32")
    assert "OpenGL" in rendering.advice({}, "win32")
