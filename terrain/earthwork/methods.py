"""The three methods side by side, and whether they agree."""

from dataclasses import dataclass

from terrain.earthwork.cutfill import CutFill
from terrain.errors import MethodsDisagree


@dataclass(frozen=True)
class Methods:
    """One job measured three ways."""

    grid: CutFill
    trapezoid: CutFill
    prism: CutFill

    @property
    def by_name(self) -> dict[str, CutFill]:
        """The answers by the method's name."""
        return {"grid": self.grid, "trapezoid": self.trapezoid, "prism": self.prism}

    @property
    def cut_spread_m3(self) -> float:
        """Largest less smallest cut, m³."""
        cuts = [answer.cut_m3 for answer in self.by_name.values()]
        return max(cuts) - min(cuts)

    @property
    def fill_spread_m3(self) -> float:
        """Largest less smallest fill, m³."""
        fills = [answer.fill_m3 for answer in self.by_name.values()]
        return max(fills) - min(fills)

    @property
    def agree(self) -> bool:
        """Whether every pair agrees within the sum of their own bounds."""
        try:
            agreed(self)
        except MethodsDisagree:
            return False
        return True

    @property
    def cut_bound_m3(self) -> float:
        """What the cut by the grid method, which is told by element, is off by at most, m³."""
        return min(
            answer.bound_m3 + abs(answer.cut_m3 - self.grid.cut_m3)
            for answer in self.by_name.values()
        )

    @property
    def fill_bound_m3(self) -> float:
        """The same of the fill, m³."""
        return min(
            answer.bound_m3 + abs(answer.fill_m3 - self.grid.fill_m3)
            for answer in self.by_name.values()
        )


def agreed(methods: Methods) -> Methods:
    """Pass the methods on if every pair agrees within the sum of their own bounds.

    Raises
    ------
    MethodsDisagree
        Naming the pair, the difference and the bounds.
    """
    answers = list(methods.by_name.items())
    for i, (name, one) in enumerate(answers):
        for other_name, other in answers[i + 1 :]:
            allowed = one.bound_m3 + other.bound_m3 + 1e-6
            for what, a, b in (
                ("cut", one.cut_m3, other.cut_m3),
                ("fill", one.fill_m3, other.fill_m3),
            ):
                if abs(a - b) > allowed:
                    raise MethodsDisagree(
                        f"the {what} is {a:.2f} m³ by {name} and {b:.2f} m³ by {other_name}",
                        expected=f"a difference of at most {allowed:.2f} m³, their own bounds",
                        mend="take a smaller cell in [site], and look at the sections",
                    )
    return methods
