"""Which column of a level book is which."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from terrain.errors import Place, SurveyError, UnitError
from terrain.survey.columns import contradicts, split_unit, unit_word
from terrain.units import Unit

_NAMES = {
    "point": "point points pt pointno pointname pointid pointnumber name id no number stn "
    "staffstation staffposition peg pegno pegnumber stake stakeno stakenumber stationno "
    "stationname stationnumber node grid gridpoint gridref mark",
    "station": "station sta",
    "back": "bs backsight backsights back backsightreading bsreading plussight plus rodbs bsrod",
    "side": "is intermediate intermediatesight intermediatesights intersight inter sideshot "
    "sideshots ss ifs intermediateforesight groundrod isreading sight spot",
    "fore": "fs foresight foresights fore foresightreading fsreading minussight minus rodfs fsrod",
    "known": "known knownelevation knownelev knownlevel knownrl knownheight benchmark "
    "benchmarkelevation benchmarkelev benchmarklevel benchmarkrl bm bmelevation bmelev bmlevel "
    "bmrl tbm tbmrl given givenelevation givenlevel givenrl fixed",
    "level": "elevation elev rl reducedlevel level height z initialrl",
    "back distance": "bsdistance bsdist distancebs distbs backdistance backsightdistance "
    "distanceback distback bsd dbs bslength",
    "fore distance": "fsdistance fsdist distancefs distfs foredistance foresightdistance "
    "distancefore distfore fsd dfs fslength",
    "distance": "distance dist",
    "chainage": "chainage chain ch stationing",
    "offset": "offset off offsets",
    "easting": "easting eastings east e x",
    "northing": "northing northings north n y",
    "code": "code codes featurecode fieldcode feature",
    "remarks": "remark remarks note notes comment comments description desc",
    "passed over": "hi heightofinstrument hpc hoc heightofcollimation collimation collimationlevel "
    "planeofcollimation heightofplaneofcollimation rise fall",
}
_COLUMN = {word: column for column, words in _NAMES.items() for word in words.split()}
_SIGNS = {"+": "back", "+s": "back", "(+)": "back", "-": "fore", "-s": "fore", "(-)": "fore"}
_MEASURES = ("back", "side", "fore", "known", "level", "back distance", "fore distance",
             "chainage", "offset", "easting", "northing")  # fmt: skip


def _column(name: str) -> str:
    plain = name.strip().lower()
    return _SIGNS.get(plain) or _COLUMN.get(re.sub(r"[^a-z0-9]+", "", plain), "")


def names_book_columns(fields: Sequence[str]) -> bool:
    """Whether a line is the header of a level book: it has a backsight, and another sight."""
    named = {_column(_split(text)[0]) for text in fields}
    return "back" in named and bool({"side", "fore"} & named)


def _split(text: str) -> tuple[str, str]:
    return split_unit(text, lambda name: bool(_column(name)))


@dataclass(frozen=True)
class BookLayout:
    """Position of each column of a level book, and how many cells a row has."""

    position: dict[str, int]
    width: int

    def __contains__(self, column: str) -> bool:
        return column in self.position

    def cell(self, row: Sequence[str], column: str) -> str:
        """What stands in a column, empty if there is no such column."""
        at = self.position.get(column)
        return "" if at is None else row[at].strip()


def book_layout(
    path: Path, line: int, head: Sequence[str], unit: Unit, *, on_baseline: bool
) -> BookLayout:
    """Columns of a level book from its header.

    A column `station` is a chainage beside offsets or on a baseline, and a name elsewhere.

    Raises
    ------
    SurveyError
        A column is named twice, or may be two things.
    UnitError
        A column names another unit.
    """
    named = [(_column(_split(text)[0]), *_split(text), text.strip()) for text in head]
    for column, _, said, text in named:
        word = unit_word(said) if said else None
        if column in _MEASURES and word and contradicts(word, unit):
            raise UnitError(
                f"the column {text!r} names another unit than the survey's {unit.key!r}",
                place=Place(path, line),
                expected=f"readings in {unit.plural}",
                mend="give the survey its own unit in the plan",
            )
    columns = [column for column, *_ in named]
    along = on_baseline or "offset" in columns
    if "chainage" not in columns and along:
        instead = "station" if "station" in columns else "distance" if on_baseline else ""
        columns = ["chainage" if column == instead else column for column in columns]
    if "point" not in columns:
        columns = ["point" if column == "station" else column for column in columns]
    columns = ["" if column == "passed over" else column for column in columns]
    for column in {column for column in columns if column}:
        if columns.count(column) > 1:
            texts = [named[i][3] for i, name in enumerate(columns) if name == column]
            raise SurveyError(
                f"{' and '.join(map(repr, texts))} both name the {column}",
                place=Place(path, line),
                expected=f"one column for the {column}",
                mend="rename or remove one of them",
            )
    if "distance" in columns:
        raise SurveyError(
            f"the column {named[columns.index('distance')][3]!r} may be a sight or a chainage",
            place=Place(path, line),
            expected="columns BS distance and FS distance for the lengths of sights, or chainage "
            "for a place along a baseline",
            mend="rename the column, or remove it",
        )
    position = {column: i for i, column in enumerate(columns) if column}
    return BookLayout(position, len(columns))
