"""How faces are marked in pictures: their colour by result, where they lie, what is said."""

from typing import TYPE_CHECKING

import shapely

from terrain.review import look

if TYPE_CHECKING:
    from collections.abc import Sequence

    from terrain.slopes import SlipCase, SlopeFace
    from terrain.units import Unit

VERDICTS = {
    "fails": (look.DIVERGING[1], "fails: below 1, or a rule broken"),
    "doubtful": (look.DIVERGING[3], "doubtful: less than is wanted"),
    "stands": (look.DIVERGING[-2], "stands: as much as wanted, or more"),
    "low": ("#9a9284", "low: not tried for slips"),
}
"""Colour and words of each result, from the brown to the teal end of the project's own scale."""

WIDTHS = {"fails": 5.0, "doubtful": 4.0, "stands": 2.6, "low": 1.4}
"""Of lines on a plan, in points, so that results are told apart without colour too."""

_PSF = 47.880259
_INSIDE_M = 0.22
_HALF_M = 0.27  # of a profile's own share of its face


def colour_of(face: "SlopeFace") -> str:
    """Of the result of a face."""
    return VERDICTS[face.verdict][0]


def edge_of(face: "SlopeFace") -> shapely.LineString:
    """The edge along which a face begins, local m; of a single profile, across it.

    That of what is built is drawn a little inside, beside that of the dig of the same edge.
    """
    inward = face.face.inward
    edge = face.face.edge + _aside(face) * inward
    if len(edge) > 1:
        return shapely.LineString(edge)
    aside = _HALF_M * inward[0][::-1] * [-1.0, 1.0]
    return shapely.LineString([edge[0] - aside, edge[0] + aside])


def anchor_of(face: "SlopeFace") -> tuple[float, float]:
    """Where the worst profile of a face crosses its line on the plan."""
    x, y = face.face.edge[face.face.worst] + _aside(face) * face.face.inward[face.face.worst]
    return float(x), float(y)


def _aside(face: "SlopeFace") -> float:
    return 0.0 if face.temporary else _INSIDE_M


def region_of(face: "SlopeFace") -> shapely.Geometry:
    """Where a face lies on plan, local m: a strip around each of its profiles."""
    found = face.face
    strips = [
        shapely.LineString([place, place + max(run, 0.1) * inward])
        for place, inward, run in zip(found.edge, found.inward, found.run_m, strict=True)
    ]
    return shapely.union_all([strip.buffer(_HALF_M) for strip in strips])


def factor_words(case: "SlipCase") -> str:
    """A likely factor and its range: `1.18 (0.89 to 1.61)`."""
    if case.factor == float("inf"):
        return "no slip"
    high = f"{case.high:.2f}" if case.high < 100 else "over 100"
    return f"{case.factor:.2f} ({case.low:.2f} to {high})"


def pressure_words(pascal: float, unit: "Unit") -> str:
    """A pressure in kPa, or in pounds per square foot where lengths are in feet."""
    if unit.key == "m":
        return f"{round(pascal / 1e3, 1):g} kPa"
    return f"{pascal / _PSF:,.0f} psf"


def numbered(faces: "Sequence[SlopeFace]", most: int) -> "list[tuple[int, SlopeFace]]":
    """The faces that are told of by number, the worst first; not the low ones."""
    shown = [face for face in faces if face.verdict != "low"]
    return list(enumerate(shown[:most], start=1))
