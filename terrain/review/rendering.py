"""Whether this machine can render, found without risking this process.

With no OpenGL library VTK does not raise: it ends the process with a segmentation fault. A child
process therefore draws a picture of 16 × 16 pixels first, and takes the crash where there is one.
"""

import os
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

WINDOW_VARIABLE = "VTK_DEFAULT_OPENGL_WINDOW"
EGL = "vtkEGLRenderWindow"
OSMESA = "vtkOSOpenGLRenderWindow"
X_WINDOW = "vtkXOpenGLRenderWindow"
DRAWN = "drawn"

_CHILD = f"""
from vtkmodules.vtkRenderingCore import vtkRenderer, vtkRenderWindow, vtkWindowToImageFilter
import vtkmodules.vtkRenderingOpenGL2
window = vtkRenderWindow()
window.SetOffScreenRendering(1)
window.SetSize(16, 16)
renderer = vtkRenderer()
renderer.SetBackground(1, 0, 0)
window.AddRenderer(renderer)
window.Render()
picture = vtkWindowToImageFilter()
picture.SetInput(window)
picture.Update()
red = [picture.GetOutput().GetScalarComponentAsDouble(8, 8, 0, c) for c in range(3)]
window.Finalize()
print("{DRAWN}", window.GetClassName()) if red == [255, 0, 0] else print("a wrong colour")
"""


@dataclass(frozen=True)
class Rendering:
    """What was found out about rendering off screen on this machine.

    Attributes
    ----------
    works
        A picture was drawn.
    window
        VTK's window class that drew it; None where nothing did.
    advice
        What to install where nothing works; empty where it does.
    """

    works: bool
    window: str | None
    advice: str


def draws(
    window: str | None, environment: Mapping[str, str], *, patience_s: float = 30.0
) -> str | None:
    """Ask a child process to draw a tiny picture.

    Returns
    -------
    str or None
        The window class that drew it in the right colour: the one asked for, or the one that VTK
        fell back on. None where nothing was drawn.
    """
    variables = dict(environment)
    variables.pop(WINDOW_VARIABLE, None)
    if window is not None:
        variables[WINDOW_VARIABLE] = window
    try:
        child = subprocess.run(
            [sys.executable, "-c", _CHILD],
            env=variables,
            capture_output=True,
            text=True,
            timeout=patience_s,
            check=False,
            stdin=subprocess.DEVNULL,
        )
    except (subprocess.TimeoutExpired, OSError):
        return None
    said = child.stdout.split()
    return said[1] if child.returncode == 0 and said[:1] == [DRAWN] else None


def candidates(environment: Mapping[str, str], platform: str) -> tuple[str | None, ...]:
    """Window classes worth trying, best first; a class that the user has set is the only one."""
    wish = environment.get(WINDOW_VARIABLE)
    if wish:
        return (wish,)
    if not platform.startswith("linux"):
        return (None,)
    screen = (X_WINDOW,) if environment.get("DISPLAY") else ()
    return (EGL, OSMESA, *screen)


def advice(environment: Mapping[str, str], platform: str) -> str:
    """What a person can do where nothing renders."""
    wish = environment.get(WINDOW_VARIABLE)
    other = f", or unset {WINDOW_VARIABLE} (now {wish})" if wish else ""
    if not platform.startswith("linux"):
        return f"3D pictures need a graphics driver with OpenGL 3.2{other}"
    return (
        "3D pictures need an off-screen OpenGL library; install the package libosmesa6, "
        f"or libegl1 with libgl1-mesa-dri (names on Debian){other}"
    )


def probe(environment: Mapping[str, str], platform: str) -> Rendering:
    """Try each candidate in a child process until one draws."""
    for window in candidates(environment, platform):
        drew = draws(window, environment)
        if drew is not None:
            return Rendering(works=True, window=drew, advice="")
    return Rendering(works=False, window=None, advice=advice(environment, platform))


@cache
def this_machine() -> Rendering:
    """What this process can render with, probed once."""
    return probe(os.environ, sys.platform)
