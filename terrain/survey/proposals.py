"""What the field codes of a survey probably mean, by their names and how they were walked."""

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree

from terrain.arrays import FloatArray, IntArray
from terrain.survey.codes import Role
from terrain.survey.spots import Spots


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


# Abbreviations that crews use in the field (common practice; every crew has its own beside them).
WATER_EDGES = _words("EW EOW EDGEWATER LAKE POND POOL SHORE WATER WATEREDGE WATERLINE WE WEDGE WL")
LINES = _words(
    "BANK BB BK BKL BL BOS BOT BREAK BRK BRKL CL CREST CURB DB DI DITCH DT EC EOP EP FL KB KERB "
    "PATH PE RD RIDGE ROAD SWALE TB TC TOE TOP TOS VALLEY"
)
SPOTS = _words("EG G GL GND GR GRD GROUND GS NG OG SH SP SPOT TOPO")
SOFT_LINES = _words("FORM FORMLINE GENTLE SBL SBRK SFT SOFT")
# Trunks are shot at their foot, which is ground; these words stand for what is shot on top.
ROCKS = _words("BLD BLDR BOULDER OUTCROP RCK RK ROCK STONE")
PLANTS = _words("BUSH CANOPY HDG HEDGE PLANT REED REEDS SHR SHRUB VEG VEGETATION")
MACHINES = _words("CAR DIGGER DUMPER EXCAVATOR MACHINE SKIP TRACTOR TRAILER TRUCK VAN VEH")
OFF_GROUND = _words("BENCHMARK BM CONTROL CP EAVE EAVES ROOF STATION STN TBM WIRE")
NAMED = (
    (ROCKS, Role.ROCK, "on rock, by its name"),
    (PLANTS, Role.PLANT, "on plants, by its name"),
    (MACHINES, Role.MACHINE, "on a machine, by its name"),
    (OFF_GROUND, Role.IGNORE, "not on the ground, by its name"),
    (SPOTS, Role.GROUND, "spots, by its name"),
)
FEWEST_WALKED = 6  # shots that must follow each other before a code without number is a string
ROUND = 0.2  # 4π area / perimeter²: a string to and fro along a bank is far below it
RETURNED = 1.5  # times the longest step: how near its start a closed string ends
OPENING = 1 / 3  # of the walked length: how much of a water's edge may be left open


@dataclass(frozen=True)
class Proposal:
    """What one code of the plan's table should mean.

    Attributes
    ----------
    code
        A code, alone or the base of numbered strings.
    role
        What its shots are.
    shots, strings
        How many shots and how many different full codes it stands for.
    reason
        How this was told, in words.
    known
        Whether it was told at all; otherwise the shots are taken as ground.
    """

    code: str
    role: Role
    shots: int
    strings: int
    reason: str
    known: bool


def propose_roles(spots: Spots) -> tuple[Proposal, ...]:
    """Propose a role for every code of a survey, in the order in which codes first appear.

    A string that ends near its start, or that is named as an edge of water, is an outline; other
    strings are breaklines, soft ones by their names; names of rock, plants and machines are told
    apart; the rest is ground. Strings of one base that differ from the others
    get a line of their own. `sort_codes` takes the result as it is.
    """
    rows_of: dict[str, list[int]] = {}
    for row, code in enumerate(spots.code):
        rows_of.setdefault(str(code).strip().upper(), []).append(row)
    rows_of.pop("", None)
    bases = {re.sub(r"[-_. ]?\d+$", "", code) or code for code in rows_of}
    groups: dict[str, dict[str, Proposal]] = {}
    for code, rows in rows_of.items():
        base = max((b for b in bases if _stands_for(b, code)), key=len)
        plan = spots.xyz[np.array(rows, dtype=np.int64), :2]
        role, reason, known = _meaning(base, plan, numbered=code != base)
        groups.setdefault(base, {})[code] = Proposal(code, role, len(rows), 1, reason, known)
    return tuple(
        proposal for base, strings in groups.items() for proposal in _gathered(base, strings)
    )


def _stands_for(base: str, code: str) -> bool:
    """Whether `code` is `base`, alone or with the number of a string."""
    return re.fullmatch(rf"{re.escape(base)}(?:[-_. ]?\d+)?", code) is not None


def _gathered(base: str, strings: dict[str, Proposal]) -> Iterator[Proposal]:
    """One line for the base with the role of most of its shots, then the strings that differ."""
    shots: dict[Role, int] = {}
    for string in strings.values():
        shots[string.role] = shots.get(string.role, 0) + string.shots
    role = max(shots, key=lambda each: shots[each])
    own = {code: string for code, string in strings.items() if string.role is not role}
    if any(_stands_for(code, other) for code in own for other in strings if other != code):
        own = {code: string for code, string in strings.items() if code != base}
    rest = [string for code, string in strings.items() if code not in own]
    if rest:
        first = max(rest, key=lambda string: string.shots)
        total = sum(string.shots for string in rest)
        yield Proposal(base, first.role, total, len(rest), first.reason, first.known)
    yield from own.values()


def _meaning(base: str, plan: FloatArray, *, numbered: bool) -> tuple[Role, str, bool]:
    """Role of one string, why, and whether that is more than a fallback."""
    for words, role, reason in NAMED:
        if base in words:
            return role, reason, True
    places = plan[:-1] if len(plan) > 1 and np.array_equal(plan[0], plan[-1]) else plan
    different = len(np.unique(places, axis=0))
    named_line = base in LINES or base in SOFT_LINES
    if different >= 3 and shapely.Polygon(places).is_valid:
        if base in WATER_EDGES and _gap(plan) <= OPENING * float(_steps(plan).sum()):
            return Role.OUTLINE, "an edge of water, by its name", True
        if not named_line and _returns(plan, places) and (numbered or _walked(places)):
            return Role.OUTLINE, "it ends near its start", True
    if different >= 2:
        if base in SOFT_LINES:
            return Role.SOFT_BREAKLINE, "a line without a break in slope, by its name", True
        if named_line or base in WATER_EDGES:
            return Role.BREAKLINE, "a line, by its name", True
        if numbered:
            return Role.BREAKLINE, "a numbered string", True
        if _walked(places):
            return Role.BREAKLINE, "walked as a line", True
    return Role.GROUND, "unknown, taken as ground", False


def _steps(plan: FloatArray) -> FloatArray:
    steps: FloatArray = np.hypot(*np.diff(plan, axis=0).T)
    return steps


def _gap(plan: FloatArray) -> float:
    return float(np.hypot(*(plan[-1] - plan[0])))


def _returns(plan: FloatArray, places: FloatArray) -> bool:
    """Whether a string of four or more places ends near its start and goes round something."""
    ring = shapely.Polygon(places)
    return (
        len(places) >= 4
        and _gap(plan) <= RETURNED * float(_steps(plan).max())
        and 4 * np.pi * ring.area >= ROUND * ring.length**2
    )


def _walked(places: FloatArray) -> bool:
    """Whether most shots are followed by one of the two nearest of their code."""
    if len(places) < FEWEST_WALKED:
        return False
    _, near = cKDTree(places).query(places[:-1], k=3)
    following: IntArray = np.arange(1, len(places))
    return bool((np.asarray(near) == following[:, None]).any(axis=1).mean() >= 0.8)
