"""LandXML 1.2: triangulated surfaces, points and breaklines, in metres whatever the file's unit.

Points are written northing, easting, elevation (LandXML 1.2 schema, `PointType`), each with an id
of its own; faces name three ids. A face with `i="1"` is invisible: it spans a gap or lies outside
the border. Versions 1.0 to 2.0 agree in all that is read here.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
import shapely
from lxml import etree

from terrain.arrays import BoolArray, FloatArray, Int32Array
from terrain.errors import Place, SurveyError, nearest
from terrain.survey.lines import Line, Lines
from terrain.survey.meshes import Triangles
from terrain.survey.opening import cannot_open
from terrain.survey.spots import Spots
from terrain.survey.stated import stated_by, unit_of
from terrain.units import FOOT_M, US_SURVEY_FOOT_M, Unit

BoundaryKind = Literal["outer", "void", "island"]

# LandXML 1.2 schema, `metLinear` and `impLinear`
_LENGTHS = {
    "millimeter": 0.001, "centimeter": 0.01, "meter": 1.0, "kilometer": 1000.0,
    "inch": FOOT_M / 12, "foot": FOOT_M, "ussurveyfoot": US_SURVEY_FOOT_M, "mile": 5280 * FOOT_M,
}  # fmt: skip
_BOUNDARIES: dict[str, BoundaryKind] = {
    "outer": "outer", "show": "island", "island": "island", "void": "void", "hide": "void",
}  # fmt: skip
_LINES = ("PntList3D", "PntList2D")
_SPENT = ("Contour", "DataPoint", "Watershed")  # read over, and freed too
_MEND_COPY = "copy or export the file again; nothing of it was used"


@dataclass(frozen=True)
class LandXmlSurface:
    """One surface as the file has it.

    Attributes
    ----------
    name
        Its name.
    xyz
        Corners, shape (n, 3), m.
    faces
        Rows of `xyz`, shape (m, 3): those that are seen and have an area in plan.
    hidden, flat
        Faces left out because the file hides them, or because they have no area in plan.
    breaklines
        Lines that the surface was made with.
    """

    name: str
    xyz: FloatArray
    faces: Int32Array
    hidden: int
    flat: int
    breaklines: tuple[Line, ...]


@dataclass(frozen=True)
class LandXml:
    """What a LandXML file holds.

    Attributes
    ----------
    source
        The file.
    unit
        Unit that it states; None if it states none, or one that plans do not know.
    crs
        Code of the coordinate system that it states; None if there is none.
    surfaces
        In the order of the file.
    points
        Its points that have a height; None if there are none.
    without_height
        Names of points that have none.
    """

    source: Path
    unit: Unit | None
    crs: str | None
    surfaces: tuple[LandXmlSurface, ...]
    points: Spots | None
    without_height: tuple[str, ...]


def read_landxml(path: Path, *, unit: Unit) -> LandXml:
    """Read all of a LandXML file.

    Parameters
    ----------
    path
        The file.
    unit
        Unit of its coordinates, where it states none.

    Raises
    ------
    SurveyError
        It is torn, no LandXML, or contradicts itself; with the line.
    """
    path = Path(path)
    found = _Found(path)
    for element in _elements(path):
        read = _READ.get(_tag(element))
        if read is not None:
            read(found, element)
    return found.told(unit)


def read_landxml_surface(path: Path, *, unit: Unit, name: str | None = None) -> Triangles:
    """Read one surface of a LandXML file.

    Parameters
    ----------
    path, unit
        As `read_landxml`.
    name
        Which surface; may be left out where there is only one.

    Raises
    ------
    SurveyError
        As `read_landxml`; no such surface, or several and no name.
    """
    file = read_landxml(path, unit=unit)
    surface = _chosen(file, name)
    if not len(surface.faces):
        raise SurveyError(
            f"the surface {surface.name!r} has no faces",
            place=Place(file.source),
            expected="a triangulated surface (Definition with Pnts and Faces)",
            mend="export the surface with its triangles",
        )
    used, rows = np.unique(surface.faces, return_inverse=True)
    return Triangles(
        xyz=surface.xyz[used],
        faces=rows.reshape(-1, 3).astype(np.int32),
        source=file.source,
        unit=file.unit,
        crs=file.crs,
        dropped=surface.flat,
        unused=len(surface.xyz) - len(used),
    )


def read_landxml_points(path: Path, *, unit: Unit) -> Spots:
    """Read the points (CgPoints) of a LandXML file that have a height.

    Raises
    ------
    SurveyError
        As `read_landxml`; no point has a height.
    """
    file = read_landxml(path, unit=unit)
    if file.points is None:
        count = len(file.without_height)
        raise SurveyError(
            f"none of its {count} points has a height" if count else "the file has no points",
            place=Place(file.source),
            expected="CgPoints with northing, easting and elevation",
            mend="export the points with their heights",
        )
    return file.points


def read_landxml_lines(path: Path, *, unit: Unit, name: str | None = None) -> Lines:
    """Read the breaklines of one surface, or of all if no name is given.

    Raises
    ------
    SurveyError
        As `read_landxml`; no such surface, or it was made without breaklines.
    """
    file = read_landxml(path, unit=unit)
    surfaces = file.surfaces if name is None else (_chosen(file, name),)
    lines = tuple(line for surface in surfaces for line in surface.breaklines)
    if not lines:
        raise SurveyError(
            "the file has no breaklines",
            place=Place(file.source),
            expected="SourceData with Breaklines",
            mend="export the surface with its source data",
        )
    return Lines(lines, file.source, file.unit, file.crs, degrees=False)


def _chosen(file: LandXml, name: str | None) -> LandXmlSurface:
    names = [surface.name for surface in file.surfaces]
    if name is None and len(names) == 1:
        return file.surfaces[0]
    if name is not None and names.count(name) == 1:
        return file.surfaces[names.index(name)]
    if not names:
        found, mend = "the file has no surface", "export the surface, not only its points"
    elif name is None:
        found, mend = f"the file has {len(names)} surfaces", "name one of them in the plan"
    elif name in names:
        found = f"{names.count(name)} surfaces are called {name!r}"
        mend = "give each its own name in the file"
    else:
        found, mend = f"there is no surface {name!r}", nearest(name, names)
    raise SurveyError(
        found,
        place=Place(file.source),
        expected=f"one of {', '.join(map(repr, names))}" if names else "a triangulated surface",
        mend=mend,
    )


@dataclass
class _Surface:
    """A surface while its elements come by."""

    name: str
    ids: dict[str, int] = field(default_factory=dict)
    points: list[tuple[float, float, float]] = field(default_factory=list)
    faces: list[tuple[str, str, str, int | None]] = field(default_factory=list)
    hidden: int = 0
    breaklines: list[Line] = field(default_factory=list)
    boundaries: list[tuple[BoundaryKind, FloatArray]] = field(default_factory=list)


@dataclass
class _Found:
    """What of a file has come by so far; lengths in its own unit."""

    path: Path
    metres: float | None = None
    crs: str | None = None
    surfaces: list[_Surface] = field(default_factory=list)
    current: Any = None  # the element of the last of them
    parent: Any = None  # the last element found to hold parts of it
    names: list[str] = field(default_factory=list)
    codes: list[str] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    places: list[tuple[float, float, float]] = field(default_factory=list)
    flat: list[str] = field(default_factory=list)

    def told(self, unit: Unit) -> LandXml:
        metres = unit.metres if self.metres is None else self.metres
        points = None
        if self.places:
            points = Spots(
                np.array(self.places) * metres,
                np.array(self.names, dtype=np.str_),
                np.array(self.codes, dtype=np.str_),
                np.array(self.lines, dtype=np.int64),
                self.path,
            )
        return LandXml(
            source=self.path,
            unit=None if self.metres is None else unit_of(self.metres),
            crs=self.crs,
            surfaces=tuple(_made(self.path, surface, metres) for surface in self.surfaces),
            points=points,
            without_height=tuple(self.flat),
        )


def _made(path: Path, surface: _Surface, metres: float) -> LandXmlSurface:
    written = np.array(surface.points, dtype=np.float64).reshape(-1, 3)
    faces = np.array(
        [_rows(path, surface, face) for face in surface.faces], dtype=np.int32
    ).reshape(-1, 3)
    shown = _inside(written, faces, surface.boundaries)
    xyz = written * metres
    sound = _has_plan_area(xyz, faces)
    return LandXmlSurface(
        name=surface.name,
        xyz=xyz,
        faces=faces[sound & shown],
        hidden=surface.hidden + int((~shown).sum()),
        flat=int((shown & ~sound).sum()),
        breaklines=tuple(
            Line(line.xyz * metres, line.closed, line.code, line.name, line.feature, hole=False)
            for line in surface.breaklines
        ),
    )


def _rows(
    path: Path, surface: _Surface, face: tuple[str, str, str, int | None]
) -> tuple[int, int, int]:
    try:
        a, b, c = (surface.ids[word] for word in face[:3])
    except KeyError as missing:
        raise SurveyError(
            f"a face of the surface {surface.name!r} names the point {missing.args[0]!r}, which "
            "is not there",
            place=Place(path, face[3]),
            expected="faces that name points of the same surface",
            mend=_MEND_COPY,
        ) from None
    return a, b, c


def _has_plan_area(xyz: FloatArray, faces: Int32Array) -> BoolArray:
    """Whether a face's height over its longest side in plan is more than rounding."""
    if not len(faces):
        return np.zeros(0, dtype=np.bool_)
    sides = xyz[np.roll(faces, -1, axis=1), :2] - xyz[faces, :2]
    doubled = np.abs(sides[:, 0, 0] * sides[:, 1, 1] - sides[:, 0, 1] * sides[:, 1, 0])
    longest = (sides**2).sum(axis=2).max(axis=1)
    sound: BoolArray = doubled > 1e-9 * longest
    return sound


def _inside(
    xyz: FloatArray, faces: Int32Array, boundaries: list[tuple[BoundaryKind, FloatArray]]
) -> BoolArray:
    """Whether the boundaries that the surface was made with show a face."""
    shown = np.ones(len(faces), dtype=np.bool_)
    if not boundaries or not len(faces):
        return shown
    centres = xyz[faces, :2].mean(axis=1)
    within: dict[BoundaryKind, BoolArray] = {}
    for kind, ring in boundaries:
        polygon = shapely.make_valid(shapely.Polygon(ring[:, :2]))
        inside = shapely.contains_xy(polygon, centres)
        within[kind] = within.get(kind, np.zeros_like(shown)) | inside
    if "outer" in within:
        shown &= within["outer"]
    if "void" in within:
        shown &= ~within["void"] | within.get("island", np.zeros_like(shown))
    return shown


def _elements(path: Path) -> Iterator[Any]:
    """Elements of the file that are read, each when it ends; then forgotten with all before it.

    No document type, no entity, nothing from outside the file.
    """
    if path.is_dir():
        raise SurveyError(
            "this is a folder", place=Place(path), expected="a LandXML file", mend="name a file"
        )
    try:
        source = path.open("rb")
    except OSError as error:
        raise cannot_open(path, error, "LandXML file") from None
    with source:
        ends = etree.iterparse(
            source,
            tag=[f"{{*}}{tag}" for tag in (*_READ, *_SPENT)],
            resolve_entities=False,
            no_network=True,
            load_dtd=False,
            huge_tree=False,
            remove_comments=True,
            remove_pis=True,
        )
        try:
            checked = False
            for _, element in ends:
                if not checked:
                    _check_root(path, element.getroottree().getroot())
                    checked = True
                yield element
                _forget(element)
        except etree.XMLSyntaxError as error:
            raise _torn(path, error) from None
        if not checked:
            _check_root(path, ends.root)


def _forget(element: Any) -> None:
    """Free an element that is done with."""
    element.clear(keep_tail=True)
    parent = element.getparent()
    while element.getprevious() is not None:
        del parent[0]


def _check_root(path: Path, root: Any) -> None:
    if root.getroottree().docinfo.doctype:
        raise SurveyError(
            "the file declares a document type, which can reach for other files",
            place=Place(path),
            expected="LandXML, which has none",
            mend="delete the line that begins with <!DOCTYPE, or export the file again",
        )
    if _tag(root) != "LandXML":
        raise SurveyError(
            f"the file is {_tag(root)!r}, not LandXML",
            place=Place(path, _line(root)),
            expected="a file that begins with <LandXML>",
            mend="export the surface as LandXML 1.2",
        )


def _torn(path: Path, error: Exception) -> SurveyError:
    line = getattr(error, "lineno", None)
    empty = path.stat().st_size == 0
    said = str(getattr(error, "msg", None) or error).split("\n")[0]
    return SurveyError(
        "the file is empty" if empty else f"is torn or no XML: {said}",
        place=Place(path, None if empty or not line else int(line)),
        expected="a whole LandXML file",
        mend=_MEND_COPY,
    )


def _tag(element: Any) -> str:
    """Name of an element without its namespace, which differs between versions."""
    tag = None if element is None else element.tag
    return tag.rpartition("}")[2] if isinstance(tag, str) else ""


def _line(element: Any) -> int | None:
    line = element.sourceline
    return int(line) if line else None


def _wrong(found: "_Found", element: Any, what: str, expected: str) -> SurveyError:
    return SurveyError(
        what, place=Place(found.path, _line(element)), expected=expected, mend=_MEND_COPY
    )


def _numbers(found: "_Found", element: Any) -> list[float]:
    text = element.text or ""
    try:
        values = [float(word) for word in text.split()]
    except ValueError:
        values = [math.nan]
    if not all(map(math.isfinite, values)) or not text.isascii() or "_" in text or len(element):
        shown = " ".join(text.split())[:60]
        raise _wrong(found, element, f"{shown!r} are not numbers", "finite numbers")
    return values


def _place(found: "_Found", element: Any) -> tuple[float, float, float]:
    values = _numbers(found, element)
    if len(values) != 3:
        raise _wrong(
            found, element, f"a point has {len(values)} numbers", "northing, easting, elevation"
        )
    return values[1], values[0], values[2]


def _surface_of(found: _Found, element: Any, *tags: str) -> _Surface | None:
    """The surface whose parts these are, if the elements around are `tags`, outward."""
    parent = element.getparent()
    if parent is found.parent:  # as for most points and faces
        return found.surfaces[-1]
    for tag in tags:
        element = element.getparent()
        if element is None or _tag(element) != tag:
            return None
    if element is not found.current:
        number = len(found.surfaces) + 1
        found.current = element
        found.surfaces.append(_Surface(element.get("name") or f"surface {number}"))
    found.parent = parent
    return found.surfaces[-1]


def _add_unit(found: _Found, element: Any) -> None:
    if _tag(element.getparent()) != "Units":
        return
    word = (element.get("linearUnit") or "").strip()
    if word.lower() not in _LENGTHS:
        raise _wrong(
            found,
            element,
            f"the linear unit is {word!r}",
            "one of meter, foot, USSurveyFoot, inch, millimeter, centimeter, kilometer, mile",
        )
    found.metres = _LENGTHS[word.lower()]


def _add_crs(found: _Found, element: Any) -> None:
    code = (element.get("epsgCode") or "").strip()
    code = code.rpartition(":")[2]
    if not code.isdigit() or found.crs is not None:
        return
    stated = stated_by(f"EPSG:{code}")
    if stated is not None and stated.degrees:
        raise _wrong(
            found,
            element,
            f"the coordinates are degrees ({stated.name}), which are not lengths",
            "a projected coordinate system",
        )
    found.crs = f"EPSG:{code}" if stated is not None else None


def _add_cg_point(found: _Found, element: Any) -> None:
    if element.get("pntRef") and not (element.text or "").strip():
        return  # another point, told where it stands
    values = _numbers(found, element)
    name = element.get("name") or element.get("oID") or str(len(found.places) + 1)
    if len(values) == 2:
        found.flat.append(name)
        return
    found.places.append(_place(found, element))
    found.names.append(name)
    found.codes.append((element.get("code") or element.get("desc") or "").strip())
    found.lines.append(_line(element) or 0)


def _add_point(found: _Found, element: Any) -> None:
    surface = _surface_of(found, element, "Pnts", "Definition", "Surface")
    if surface is None:
        return
    name = element.get("id")
    if name is None or name in surface.ids:
        what = f"two points have the id {name!r}" if name else "a point has no id"
        raise _wrong(found, element, what, "an id of its own for each point of a surface")
    surface.ids[name] = len(surface.points)
    surface.points.append(_place(found, element))


def _add_face(found: _Found, element: Any) -> None:
    surface = _surface_of(found, element, "Faces", "Definition", "Surface")
    if surface is None:
        return
    words = (element.text or "").split()
    if len(words) != 3:
        raise _wrong(found, element, f"a face has {len(words)} points", "3 ids of points")
    if element.get("i", "0").strip() == "1":
        surface.hidden += 1
    else:
        surface.faces.append((words[0], words[1], words[2], _line(element)))


def _end_definition(found: _Found, element: Any) -> None:
    kind = element.get("surfType", "TIN")
    surface = _surface_of(found, element, "Surface")
    if surface is not None and kind.lower() != "tin":
        raise _wrong(
            found,
            element,
            f"the surface {surface.name!r} is of the kind {kind!r}",
            "a triangulated surface (TIN)",
        )


def _end_surface(found: _Found, element: Any) -> None:
    if _tag(element.getparent()) == "Surfaces" and element is not found.current:
        found.surfaces.append(_Surface(element.get("name") or f"surface {len(found.surfaces) + 1}"))


def _list(found: _Found, element: Any) -> FloatArray | None:
    """Points of the list inside an element, (k, 3), NaN heights for a list in plan."""
    for child in element:
        if _tag(child) not in _LINES:
            continue
        width = 3 if _tag(child) == "PntList3D" else 2
        values = _numbers(found, child)
        if not values or len(values) % width:
            raise _wrong(
                found,
                child,
                f"a list of points has {len(values)} numbers",
                f"{width} numbers for each point",
            )
        points = np.full((len(values) // width, 3), np.nan)
        written = np.array(values).reshape(-1, width)
        points[:, 0], points[:, 1] = written[:, 1], written[:, 0]
        if width == 3:
            points[:, 2] = written[:, 2]
        return points
    return None


def _add_breakline(found: _Found, element: Any) -> None:
    points = _list(found, element)
    surface = _surface_of(found, element, "Breaklines", "SourceData", "Surface")
    if points is None or surface is None:
        return
    lines = surface.breaklines
    closed = len(points) > 3 and bool((points[0] == points[-1]).all())
    code = element.get("code") or element.get("desc") or element.get("name") or ""
    name = element.get("name") or str(len(lines) + 1)
    lines.append(
        Line(points[:-1] if closed else points, closed, code.strip(), name, len(lines) + 1)
    )


def _add_boundary(found: _Found, element: Any) -> None:
    points = _list(found, element)
    kind = _BOUNDARIES.get((element.get("bndType") or "").lower())
    surface = _surface_of(found, element, "Boundaries", "SourceData", "Surface")
    if points is not None and kind is not None and surface is not None and len(points) > 2:
        surface.boundaries.append((kind, points))


_READ: dict[str, Callable[[_Found, Any], None]] = {
    "Surface": _end_surface,
    "Metric": _add_unit,
    "Imperial": _add_unit,
    "CoordinateSystem": _add_crs,
    "CgPoint": _add_cg_point,
    "P": _add_point,
    "F": _add_face,
    "Definition": _end_definition,
    "Breakline": _add_breakline,
    "Boundary": _add_boundary,
}
